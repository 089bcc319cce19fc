//! The fold: messages in, state and position out, in one batch.

use std::collections::BTreeMap;
use std::sync::Arc;
use std::time::{Duration, Instant};

use bus::{Bus, Position, Shutdown, Stored};
use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use control::Watch;
use facts::wire::Read;
use facts::{Event, FactId, OrderPacked, SiteId, Sscc, WheelId};
use labels::LabelJob;
use quantity::DairyDay;
use ripening::{Alert, Floor, Voiding};
use serde::Serialize;
use site::Site;
use store::{Batch, Effect, Store, StoreError};

use crate::effects::Publisher;
use crate::labelling::{LabelNow, Texts};
use crate::practice;

/// While it catches up, the fold writes this often: a crash then costs at most so much
/// folding again.
const WRITE_EVERY: Duration = Duration::from_secs(1);

/// A case packed longer ago than this gets no label by itself.
const LABELLED_WITHIN: TimeDelta = TimeDelta::days(1);

/// How many wheels one notice of what has changed names at most.
const NOTICED: usize = 2_000;

/// The folded floor, its store, and where it stands in the log.
pub struct Fold {
    floor: Floor,
    store: Arc<Store>,
    position: Option<Position>,
    /// The log's end when folding began: until then nobody is told anything.
    live_from: u64,
    next_effect: u64,
    unwritten: bool,
    /// Whether the broker's clock and the floor's tell the same time; not if one is driven.
    broker_tells_time: bool,
    written_at: Instant,
    shift_ends: Option<NaiveTime>,
    /// The dairy day whose shift was summed up last.
    summed_up: Option<DairyDay>,
    site: SiteId,
    site_name: String,
    texts: Texts,
    /// Cases packed and not yet labelled: the fact, when, and what it says.
    packed: Vec<(FactId, DateTime<Utc>, OrderPacked)>,
    /// Pallets that were packed lately: when, and the cases on each.
    pallets: BTreeMap<Sscc, (DateTime<Utc>, Vec<OrderPacked>)>,
    /// Looks on while portions are weighed.
    portions: Watch,
    /// What people have still to hear of messages that count for nothing.
    alarms: Vec<Effect>,
    /// Of what they heard since this began.
    alarmed: std::collections::BTreeSet<String>,
    /// Wheels changed since people who look on were last told.
    noticed: std::collections::HashSet<WheelId>,
}

/// What a looker-on is told of a wheel when it changes, on `live.<site>.next`.
#[derive(Debug, Serialize)]
struct Notice {
    position: u64,
    now: DateTime<Utc>,
    wheels: Vec<NoticedWheel>,
}

#[derive(Debug, Serialize)]
struct NoticedWheel {
    wheel: WheelId,
    action: Option<String>,
    urgency: Option<ripening::Urgency>,
    due: Option<DateTime<Utc>>,
}

impl Fold {
    /// Puts the stored floor together.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be read.
    pub fn load(site: &Site, store: Arc<Store>) -> Result<Self, StoreError> {
        let loaded = store.load(practice(site))?;
        let next_effect = store.effects()?.last().map_or(1, |(number, _)| number + 1);
        let mut portions = Watch::new(control::Size::USUAL);
        portions.restore(store.told()?);
        Ok(Self {
            floor: loaded.floor,
            store,
            position: loaded.position,
            live_from: 0,
            next_effect,
            unwritten: false,
            broker_tells_time: false,
            written_at: monotonic(),
            shift_ends: site.shift_ends,
            summed_up: None,
            site: site.id,
            site_name: site.name.clone(),
            texts: Texts::of(site),
            packed: Vec::new(),
            pallets: BTreeMap::new(),
            portions,
            alarms: Vec::new(),
            alarmed: std::collections::BTreeSet::new(),
            noticed: std::collections::HashSet::new(),
        })
    }

    /// The position that the state stands for; `None` before the first message.
    #[must_use]
    pub const fn position(&self) -> Option<&Position> {
        self.position.as_ref()
    }

    /// The number of the last message folded.
    #[must_use]
    pub fn seq(&self) -> u64 {
        self.position.as_ref().map_or(0, |position| position.seq)
    }

    /// The floor.
    #[must_use]
    pub const fn floor(&self) -> &Floor {
        &self.floor
    }

    /// Effects begin once the log has been folded up to here: nobody wants yesterday's
    /// alerts, nor labels for wheels that have long been labelled further on.
    pub const fn live_from(&mut self, end: u64) {
        self.live_from = end;
    }

    /// The broker's clock and the floor's tell the same time: a station's may be held
    /// against it.
    pub const fn broker_tells_time(&mut self) {
        self.broker_tells_time = true;
    }

    /// Whether the fold has caught up.
    #[must_use]
    pub fn is_live(&self) -> bool {
        self.seq() >= self.live_from
    }

    /// Folds one message; those of other sites are passed over.
    ///
    /// # Errors
    /// The reason, when it cannot be read. It is counted, and its number is passed.
    pub fn message(&mut self, message: &Stored) -> Result<(), String> {
        self.unwritten = true;
        if message.subject.split('.').nth(1) != Some(self.site.as_str()) {
            return Ok(());
        }
        match message.read() {
            Ok(Read::Fact(fact)) if fact.site != self.site => {
                self.floor.count_unreadable();
                Err(format!(
                    "its source is of site {}, but it came on {}",
                    fact.site, message.subject
                ))
            }
            Ok(Read::Fact(fact)) => {
                self.floor.apply(&fact);
                if self.broker_tells_time {
                    self.floor.stored(&fact, message.stored_at);
                }
                self.portions.fact(&fact);
                if let Event::OrderPacked(packed) = &fact.event {
                    self.packed
                        .push((fact.id, fact.occurred_at, packed.clone()));
                }
                if self.is_live() {
                    self.noticed.extend(fact.event.wheels());
                }
                match &fact.event {
                    Event::Voided(voided) => self.floor.judge(&Voiding::of(&fact, voided)),
                    _ => Ok(()),
                }
            }
            Ok(Read::UnknownType(ty)) => {
                tracing::debug!(
                    ty,
                    seq = message.seq,
                    "a type this build does not know: left in the log"
                );
                self.floor.count_unknown_type();
                Ok(())
            }
            Err(unreadable) => {
                self.floor.count_unreadable();
                Err(unreadable.to_string())
            }
        }
    }

    /// People hear of a message that is in REJECTED: each day once of each station.
    pub fn alarm(&mut self, message: &Stored, reason: &str) {
        if !self.is_live() {
            return;
        }
        let station = message.subject.split('.').nth(4).unwrap_or("unknown");
        let station: String = station.chars().take(20).collect();
        let day = self.floor.now().format("%Y-%m-%d");
        let id = format!("rejected-{station}-{day}");
        let text = format!(
            "message {} of station {station} counts for nothing: {reason}. It is kept whole in REJECTED; look at who sent it",
            message.seq
        );
        let body =
            serde_json::json!({"alert": id, "step": "raised", "severity": "alarm", "text": text});
        if self.alarms.iter().all(|alarm| alarm.id != id) && self.alarmed.insert(id.clone()) {
            self.alarms.push(Effect {
                tail: "alert.raised".to_owned(),
                body: body.to_string().into_bytes(),
                id,
            });
        }
    }

    /// The messages up to here have been folded.
    pub fn reached(&mut self, position: Position) {
        self.position = Some(position);
    }

    /// Derives what facts have changed and what falls due by `now`.
    pub fn advance(&mut self, now: DateTime<Utc>) {
        self.floor.refresh(now);
        self.unwritten |= self.position.is_some();
    }

    /// Whether it is time to write: at once when live, now and then when catching up.
    #[must_use]
    pub fn should_write(&self) -> bool {
        self.unwritten && (self.is_live() || self.written_at.elapsed() >= WRITE_EVERY)
    }

    /// Writes what has changed with its position and effects, in one batch. Returns the
    /// effects to publish.
    ///
    /// # Errors
    /// [`StoreError`]. The changes are then lost to this fold, not to the log: load again.
    pub fn write(&mut self) -> Result<Vec<(u64, Effect)>, StoreError> {
        let Some((batch, effects)) = self.gather()? else {
            return Ok(Vec::new());
        };
        self.store.write(&batch)?;
        Ok(effects)
    }

    /// Writes, trying again while the store fails, and hands the effects on to be
    /// published. Gives up at shutdown: the log still has everything.
    ///
    /// # Errors
    /// [`StoreError::DiskFull`], which no further try with this store mends.
    pub(crate) async fn write_and_publish(
        &mut self,
        effects: &Publisher,
        shutdown: &Shutdown,
    ) -> Result<(), StoreError> {
        let (batch, to_publish) = match self.gather() {
            Ok(Some(gathered)) => gathered,
            Ok(None) => return Ok(()),
            Err(defect) => {
                tracing::error!("{defect}");
                return Ok(());
            }
        };
        let mut backoff = bus::retry::Backoff::default();
        let mut said = false;
        while let Err(error) = tokio::task::block_in_place(|| self.store.write(&batch)) {
            if matches!(error, StoreError::DiskFull(_)) {
                return Err(error);
            }
            if !std::mem::replace(&mut said, true) {
                tracing::error!("{error}");
            }
            tokio::select! {
                () = backoff.wait() => {}
                () = shutdown.requested() => return Ok(()),
            }
        }
        if said {
            tracing::info!("the store can be written again: folding goes on");
        }
        effects.publish(to_publish).await;
        Ok(())
    }

    #[allow(clippy::type_complexity)] // a pair used twice, above
    fn gather(&mut self) -> Result<Option<(Batch, Vec<(u64, Effect)>)>, StoreError> {
        let Some(position) = self.position.clone() else {
            return Ok(None);
        };
        self.floor.refresh(self.floor.now());
        let mut effects = self.case_effects();
        if self.is_live() {
            effects.extend(self.effects());
        }
        let first = self.next_effect;
        let mut batch = Batch::of(&mut self.floor, &position, first, &effects)?;
        batch.keep_told(&self.portions.told().collect::<Vec<_>>())?;
        self.next_effect += effects.len() as u64;
        self.unwritten = false;
        self.written_at = monotonic();
        Ok(Some((batch, (first..).zip(effects).collect())))
    }

    fn effects(&mut self) -> Vec<Effect> {
        let alerts = self.floor.tell();
        let labels = self.floor.take_labels();
        let shift = self.shift_effect();
        let alerts = alerts.iter().filter_map(alert_effect);
        let alarms = std::mem::take(&mut self.alarms);
        let portions = self.portions.tell(&self.floor);
        let portions = portions.iter().filter_map(portions_effect);
        let labels = labels
            .iter()
            .filter_map(|wanted| label_effect(&self.texts.first(wanted)));
        let told = alerts.chain(portions).chain(labels).chain(shift);
        told.chain(alarms).collect()
    }

    /// The end of a shift, once a dairy day. A restart may sum up the same day again, under
    /// the same id, which is told once.
    fn shift_effect(&mut self) -> Option<Effect> {
        let (clock, now) = (self.floor.practice().clock, self.floor.now());
        let day = clock.day_of(now);
        let over = now >= clock.at(day, self.shift_ends?);
        if !over || self.summed_up == Some(day) {
            return None;
        }
        self.summed_up = Some(day);
        let id = format!("shift-{}", day.date());
        let text = plan::shift_summary(&self.floor, &self.site_name);
        let body = serde_json::json!({"alert": id, "step": "summary", "text": text});
        Some(Effect {
            tail: "alert.summary".to_owned(),
            body: body.to_string().into_bytes(),
            id,
        })
    }

    /// Labels of cases packed lately, also of those packed while the scheduler was away, and
    /// of the pallets that they stand on. The label printer knows by its name a job that it
    /// has done.
    fn case_effects(&mut self) -> Vec<Effect> {
        let now = self.floor.now();
        let late = |at: DateTime<Utc>| now.signed_duration_since(at) > LABELLED_WITHIN;
        let mut packed = std::mem::take(&mut self.packed);
        packed.retain(|(_, at, _)| !late(*at));
        self.pallets.retain(|_, (at, _)| !late(*at));
        let mut last = BTreeMap::new();
        for (cause, at, case) in &packed {
            if let Some(pallet) = case.pallet {
                let (when, on_it) = self.pallets.entry(pallet).or_insert((*at, Vec::new()));
                *when = *at;
                on_it.push(case.clone());
                last.insert(pallet, *cause);
            }
        }
        let cases = packed.iter().map(|(cause, _, case)| {
            let job = self.texts.case(&self.floor, *cause, case);
            case_effect("case", case.case, *cause, job)
        });
        // A pallet that another case is put on later is labelled again, with all of them.
        let pallets = last.into_iter().filter_map(|(pallet, cause)| {
            let (_, cases) = self.pallets.get(&pallet)?;
            let job = self.texts.pallet(&self.floor, cause, pallet, cases);
            case_effect("pallet", pallet, cause, job)
        });
        cases.flatten().chain(pallets).collect()
    }

    /// What a wheel's label would say now.
    #[must_use]
    pub fn label_now(&self, wheel: WheelId) -> Option<LabelNow> {
        self.texts.now(&self.floor, wheel)
    }

    /// Tells lookers-on which wheels have changed and what they need next.
    pub(crate) async fn notify(&mut self, bus: &Bus, site: &Site) {
        if self.noticed.is_empty() {
            return;
        }
        let now = self.floor.now();
        let changed = std::mem::take(&mut self.noticed);
        let wheels = changed.into_iter().take(NOTICED).map(|id| {
            let next = self
                .floor
                .wheel(id)
                .and_then(|wheel| wheel.next_action(now));
            NoticedWheel {
                wheel: id,
                action: next.map(|next| next.action.to_string()),
                urgency: next.map(|next| next.window.urgency(now)),
                due: next.map(|next| next.window.due),
            }
        });
        let notice = Notice {
            position: self.seq(),
            now,
            wheels: wheels.collect(),
        };
        if let Ok(body) = serde_json::to_vec(&notice) {
            let subject = format!("live.{}.next", site.id);
            if let Err(error) = bus.client().publish(subject, body.into()).await {
                tracing::debug!(%error, "nobody could be told what has changed");
            }
        }
    }
}

fn label_effect(job: &LabelJob) -> Option<Effect> {
    let body = serde_json::to_vec(job).ok()?;
    Some(Effect {
        tail: format!("label.{}.{}", job.label.kind(), job.cause),
        id: format!("label-{}", job.name()),
        body,
    })
}

/// The label of a case or a pallet, or who has to do what for it.
fn case_effect(
    kind: &str,
    number: Sscc,
    cause: FactId,
    job: Result<LabelJob, String>,
) -> Option<Effect> {
    match job {
        Ok(job) => label_effect(&job),
        Err(why) => {
            let id = format!("{kind}-label-{cause}");
            let text = format!("{kind} {number} cannot be labelled: {why}");
            let body = serde_json::json!({"alert": id, "step": "raised", "text": text});
            Some(Effect {
                tail: "alert.raised".to_owned(),
                body: body.to_string().into_bytes(),
                id,
            })
        }
    }
}

fn alert_effect(alert: &Alert) -> Option<Effect> {
    let body = serde_json::to_vec(alert).ok()?;
    Some(Effect {
        tail: format!("alert.{}", alert.step.as_str()),
        id: alert.id(),
        body,
    })
}

fn portions_effect(notice: &control::Notice) -> Option<Effect> {
    let body = serde_json::to_vec(notice).ok()?;
    Some(Effect {
        tail: format!("alert.{}", notice.step.as_str()),
        id: notice.id(),
        body,
    })
}

/// How long ago, not what time it is.
#[allow(clippy::disallowed_methods)] // measures how long, in a shell
fn monotonic() -> Instant {
    Instant::now()
}
