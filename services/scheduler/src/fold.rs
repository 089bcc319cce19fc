//! The fold: messages in, state and position out, in one batch.

use std::collections::BTreeSet;
use std::path::Path;
use std::sync::Arc;
use std::time::{Duration, Instant};

use authority::workers::OFFICE;
use bus::telling::{self, Message, Telling};
use bus::{Bus, BusError, Position, Shutdown, Stored};
use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};
use control::Watch;
use facts::wire::{Read, Unreadable};
use facts::{BatchId, Event, Fact, FactId, SiteId, Sscc, WheelId};
use labels::LabelJob;
use projection::{Aside, Batch, Effect, Publisher, Store, StoreError, floor as stored};
use quantity::DairyDay;
use ripening::{Alert, Floor, Folding, Needs, Step, Voiding};
use serde::Serialize;
use site::Site;

use crate::cases::Cases;
use crate::heard::Heard;
use crate::labelling::{LabelNow, Texts};
use crate::practice;
use crate::told::{STANDS, StandingAlert, WasTold};

/// While it catches up, the fold writes this often: a crash then costs at most so much
/// folding again.
const WRITE_EVERY: Duration = Duration::from_secs(1);

/// An alert that still stands after so many days is said to stand, and again after as many:
/// the stream of what was told forgets after thirty.
const STANDS_EVERY: i64 = 9;

/// A station's correction that came so long after the time in its name is told.
const VOIDED_LATE: TimeDelta = TimeDelta::hours(24);

/// The names under which more is stored beside the floor.
const CASES: &str = "cases";
const PORTIONS: &str = "portions";
const HEARD: &str = "heard";

/// How many wheels one notice of what has changed names at most.
const NOTICED: usize = 2_000;

/// The folded floor, its store, and where it stands in the log.
pub struct Fold {
    floor: Folding,
    store: Arc<Store>,
    /// Where the store stood when it was opened; nowhere when the log is folded anew.
    opened_at: Option<u64>,
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
    /// Cases packed, for their labels and those of their pallets.
    cases: Cases,
    heard: Heard,
    /// Looks on while portions are weighed.
    portions: Watch,
    /// What people were told of portions, to be taken up by a floor that is folded anew.
    recalled: Vec<control::Said>,
    /// The names of what was told before this began and is never over.
    told_once: std::collections::BTreeSet<String>,
    /// The dairy day on which it was last said what stands.
    said_standing: Option<NaiveDate>,
    /// A store that did not read, of which people must hear.
    aside: Option<Aside>,
    /// What people have still to hear of messages that count for nothing.
    alarms: Vec<Message>,
    /// Of what they heard since this began.
    alarmed: std::collections::BTreeSet<String>,
    /// Wheels changed since people who look on were last told.
    noticed: std::collections::HashSet<WheelId>,
}

/// What lookers-on are told when the floor has moved, on `live.<site>.next`.
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
    /// Opens the store in a folder and puts the stored floor together. A store that does not
    /// read is put aside whole; one whose build passed over facts that this one knows is
    /// emptied: in both cases the log is folded anew.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be used.
    pub fn open(site: &Site, folder: &Path) -> Result<Self, StoreError> {
        let kept = |store: &Store| {
            Ok((
                stored::kept(store, PORTIONS)?,
                stored::kept(store, CASES)?,
                stored::kept(store, HEARD)?,
            ))
        };
        let opened = stored::open(folder, &practice(site), kept)?;
        let stored::Opened {
            store,
            floor,
            position,
            kept: (said, cases, heard),
            aside,
        } = opened;
        let position: Option<Position> = position;
        let next_effect = store.effects()?.last().map_or(1, |(number, _)| number + 1);
        let mut portions = Watch::new(control::Size::USUAL);
        portions.restore(said.unwrap_or_else(Vec::new));
        Ok(Self {
            floor,
            opened_at: position.as_ref().map(|position| position.seq),
            position,
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
            cases: cases.unwrap_or_default(),
            heard: heard.map(Heard::restore).unwrap_or_default(),
            portions,
            recalled: Vec::new(),
            said_standing: None,
            aside,
            alarms: Vec::new(),
            alarmed: std::collections::BTreeSet::new(),
            told_once: std::collections::BTreeSet::new(),
            noticed: std::collections::HashSet::new(),
            store: Arc::new(store),
        })
    }

    /// Begins again with an empty store: the broker has another log than the one that was
    /// folded, and what is folded of the one is no part of the other.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be used.
    pub fn begin_again(self, site: &Site) -> Result<Self, StoreError> {
        let folder = self.store.path().to_owned();
        self.store.empty()?;
        drop(self);
        Self::open(site, &folder)
    }

    /// People must hear of these, unless they have.
    pub(crate) fn owes(&mut self, alarms: &[Message]) {
        self.alarms.extend_from_slice(alarms);
    }

    /// A store that could not be read any more was put aside, of which people must hear.
    pub(crate) fn put_aside(&mut self, aside: Option<Aside>) {
        self.aside = aside.or(self.aside.take());
    }

    /// The store.
    #[must_use]
    pub const fn store(&self) -> &Arc<Store> {
        &self.store
    }

    /// Takes up what people were told before, for a floor that is folded anew.
    pub fn recall(&mut self, mut told: WasTold) {
        let (open, over) = ripening::alert::recall(&told.alerts);
        self.floor.restore_told(open, over);
        self.recalled = std::mem::take(&mut told.portions);
        self.recall_names(told);
    }

    /// Takes up the names of what is told once and kept nowhere else, at every start.
    pub fn recall_names(&mut self, told: WasTold) {
        self.told_once = told.names;
        self.said_standing = told.said_standing;
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

    /// The floor, once all of the log has been folded and the time is known: before that, any
    /// answer would be one about a floor that never was.
    #[must_use]
    pub fn floor(&self) -> Option<&Floor> {
        self.floor.floor().filter(|_| self.is_live())
    }

    /// What was heard beside it.
    pub(crate) const fn heard(&self) -> &Heard {
        &self.heard
    }

    /// Brings back what was put away of what somebody asks for, so that the answer knows it. It
    /// is put away again with the next write.
    ///
    /// # Errors
    /// [`StoreError`] when it does not read.
    pub(crate) fn bring_back(&mut self, needs: &Needs) -> Result<(), StoreError> {
        if needs.is_empty() {
            return Ok(());
        }
        stored::bring_back(&*self.store, &mut self.floor, needs)?;
        if let Some(now) = self.now() {
            self.advance(now);
        }
        Ok(())
    }

    /// Closed batches that go by a code: a lot, an order, or their make day.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be read.
    pub(crate) fn closed_by(&self, code: &str) -> Result<BTreeSet<BatchId>, StoreError> {
        stored::closed_by(&self.store, code)
    }

    /// The first closed wheels after one, in order.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be read.
    pub(crate) fn closed_wheels_after(
        &self,
        after: Option<WheelId>,
        most: usize,
    ) -> Result<Vec<WheelId>, StoreError> {
        stored::closed_wheels_after(&self.store, after, most)
    }

    /// The instant of the latest refresh; none before the first.
    #[must_use]
    pub fn now(&self) -> Option<DateTime<Utc>> {
        self.floor.floor().map(Floor::now)
    }

    /// The number in the log from which on everything has been folded.
    #[must_use]
    pub const fn end(&self) -> u64 {
        self.live_from
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

    /// Folds one message; those of other sites are passed over. `Err` inside: the reason why it
    /// cannot be read. It is counted, and its number is passed.
    ///
    /// # Errors
    /// [`StoreError`] when a closed batch of which it speaks cannot be looked up.
    pub fn message(&mut self, message: &Stored) -> Result<Result<(), String>, StoreError> {
        self.unwritten = true;
        let site = message.subject.split('.').nth(1).unwrap_or_default();
        if !site.eq_ignore_ascii_case(self.site.as_str()) {
            return Ok(Ok(()));
        }
        let read = message.read();
        if let Ok(Read::Fact(fact)) = &read
            && fact.site == self.site
        {
            stored::bring_back_for(&*self.store, &mut self.floor, fact)?;
        }
        Ok(self.take(message, read))
    }

    fn take(&mut self, message: &Stored, read: Result<Read, Unreadable>) -> Result<(), String> {
        match read {
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
                self.cases.fact(&fact);
                self.heard.fact(&fact);
                if self.is_live() {
                    self.noticed.extend(fact.event.wheels());
                }
                match &fact.event {
                    Event::Voided(voided) => {
                        self.look_at_voiding(message, &fact);
                        self.floor.judge(&Voiding::of(&fact, voided))
                    }
                    _ => Ok(()),
                }
            }
            Ok(Read::UnknownType(unknown)) => {
                tracing::debug!(
                    ty = unknown.ty,
                    seq = message.seq,
                    "a type this build does not know: left in the log for one that does"
                );
                self.floor.pass(message.seq, &unknown);
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
        let reason = format!(
            "counts for nothing: {reason}. It is kept whole in REJECTED; look at who sent it"
        );
        self.alarm_as("rejected", message, &reason);
    }

    /// The same of a message of which people have to hear for another reason.
    fn alarm_as(&mut self, what: &str, message: &Stored, reason: &str) {
        // A log that is folded anew tells nobody a second time; what came while this worker
        // was away is told.
        if !self.is_live()
            && self
                .opened_at
                .is_none_or(|opened_at| message.seq <= opened_at)
        {
            return;
        }
        let station = message.subject.split('.').nth(4).unwrap_or("unknown");
        let station: String = station.chars().take(20).collect();
        let day = self.now().unwrap_or(message.stored_at);
        let day = day.format("%Y-%m-%d");
        let id = format!("{what}-{station}-{day}");
        let text = format!("message {} of station {station} {reason}", message.seq);
        if self.alarms.iter().all(|alarm| alarm.telling.alert != id)
            && self.alarmed.insert(id.clone())
        {
            self.alarms.push(Message {
                telling: Telling::alarm(id, text),
                since: self.now().unwrap_or(message.stored_at),
            });
        }
    }

    /// A station takes back its own only for some minutes, by the times in the two facts' names.
    /// One that came long after the time in its name was kept by a station out of reach, or it is
    /// dated back: people hear of it.
    fn look_at_voiding(&mut self, message: &Stored, fact: &Fact) {
        let named = fact
            .recorded_at
            .min(fact.id.received().unwrap_or(fact.recorded_at));
        let late = message.stored_at - named;
        if !self.broker_tells_time
            || fact.station.as_str().eq_ignore_ascii_case(OFFICE)
            || late < VOIDED_LATE
        {
            return;
        }
        let reason = format!(
            "takes back a record of that station, says that it was made {} hours before it came, and counts. See whether the station was out of reach for so long; if not, somebody dated it back",
            late.num_hours()
        );
        self.alarm_as("late-correction", message, &reason);
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
        // Without a time nothing is derived; and nothing is written, or what was not told
        // would be taken for told.
        let live = self.is_live();
        let Some(floor) = self.floor.floor_mut() else {
            return Ok(None);
        };
        let now = floor.now();
        floor.refresh(now);
        let mut effects = Vec::new();
        if live {
            self.tell(now, &mut effects);
        }
        let Some(floor) = self.floor.floor_mut() else {
            return Ok(None);
        };
        let first = self.next_effect;
        let mut batch = stored::batch(floor, &position, first, &effects)?;
        let portions = self.portions.told().collect::<Vec<_>>();
        stored::keep(&mut batch, PORTIONS, &portions)?;
        if self.cases.take_changed() {
            stored::keep(&mut batch, CASES, &self.cases)?;
        }
        if let Some(heard) = self.heard.take_changed() {
            stored::keep(&mut batch, HEARD, &heard)?;
        }
        self.next_effect += effects.len() as u64;
        self.unwritten = false;
        self.written_at = monotonic();
        Ok(Some((batch, (first..).zip(effects).collect())))
    }

    /// What is to be published now.
    fn tell(&mut self, now: DateTime<Utc>, effects: &mut Vec<Effect>) {
        let Some(floor) = self.floor.floor_mut() else {
            return;
        };
        let said = std::mem::take(&mut self.recalled);
        if !said.is_empty() {
            self.portions.recall(&said, floor);
        }
        let wanted = self.cases.wanted(now, floor.voids());
        for (cause, case) in &wanted.cases {
            let job = self.texts.case(floor, *cause, case);
            effects.extend(case_effect("case", case.case, (*cause, now), job));
        }
        for (cause, pallet, cases) in &wanted.pallets {
            let job = self.texts.pallet(floor, *cause, *pallet, cases);
            effects.extend(case_effect("pallet", *pallet, (*cause, now), job));
        }
        effects.extend(floor.tell().iter().filter_map(alert_effect));
        let labels = floor.take_labels();
        let portions = self.portions.tell(floor);
        effects.extend(portions.iter().filter_map(portions_effect));
        let labels = labels.iter();
        effects.extend(labels.filter_map(|wanted| label_effect(&self.texts.first(wanted))));
        let aside = self.aside.take().map(|aside| Message {
            telling: aside.telling("scheduler"),
            since: now,
        });
        let alarms = std::mem::take(&mut self.alarms).into_iter().chain(aside);
        effects.extend(alarms.filter_map(|alarm| told_effect(&alarm)));
        let day = floor.practice().clock.day_of(now);
        if self.said_standing.replace(day.date()) != Some(day.date()) {
            effects.extend(standing_effects(floor, day));
        }
        effects.extend(self.shift_effect());
        effects.retain(|effect| !self.told_once.contains(&effect.id));
    }

    /// The end of a shift, once a dairy day.
    fn shift_effect(&mut self) -> Option<Effect> {
        let floor = self.floor.floor()?;
        let (clock, now) = (floor.practice().clock, floor.now());
        let day = clock.day_of(now);
        let over = now >= clock.at(day, self.shift_ends?);
        if !over || self.summed_up == Some(day) {
            return None;
        }
        self.summed_up = Some(day);
        let id = format!("shift-{}", day.date());
        let text = plan::shift_summary(floor, &self.site_name);
        let body = serde_json::json!({"alert": id, "step": "summary", "text": text});
        Some(Effect {
            tail: "alert.summary".to_owned(),
            body: body.to_string().into_bytes(),
            id,
        })
    }

    /// What a wheel's label would say now.
    #[must_use]
    pub fn label_now(&self, floor: &Floor, wheel: WheelId) -> Option<LabelNow> {
        self.texts.now(floor, wheel)
    }

    /// Tells lookers-on how far the log is folded, and what wheels that have changed need next.
    pub(crate) async fn notify(&mut self, bus: &Bus, site: &Site) {
        let Some(floor) = self.floor.floor() else {
            return;
        };
        let now = floor.now();
        let changed = std::mem::take(&mut self.noticed);
        let wheels = changed.into_iter().take(NOTICED).map(|id| {
            let next = floor.wheel(id).and_then(|wheel| wheel.next_action(now));
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

/// What people have to hear of a log that is another than the one that was folded.
pub(crate) fn lost(why: &BusError) -> Option<Message> {
    let (how, position) = match why {
        BusError::FloorRewritten { position, .. } => ("rewritten", position),
        BusError::FloorTailLost { position, .. } => ("shorter", position),
        BusError::FloorRecreated { position, .. } => ("made-anew", position),
        _ => return None,
    };
    let id = format!("log-{how}-{}-{}", position.seq, position.stored_ns);
    let text = format!(
        "The broker lost facts that it had acknowledged. The log is folded anew, as it is now: what it lost is on no page until the stations have sent it again, as they do by themselves. Run `wheelward verify`. ({why})"
    );
    Some(Message {
        telling: Telling::alarm(id, text),
        since: DateTime::from_timestamp_nanos(position.stored_ns),
    })
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
    (cause, now): (FactId, DateTime<Utc>),
    job: Result<LabelJob, String>,
) -> Option<Effect> {
    match job {
        Ok(job) => label_effect(&job),
        Err(why) => {
            let id = format!("{kind}-label-{cause}");
            let text = format!("{kind} {number} cannot be labelled: {why}");
            told_effect(&Message {
                telling: Telling::warning(id, text),
                since: now,
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

/// Alerts that have stood for long, said to stand: nobody is told, but whoever reads back
/// what was told finds them.
fn standing_effects(floor: &Floor, day: DairyDay) -> Vec<Effect> {
    let clock = floor.practice().clock;
    let long = floor.open_alerts().filter(|open| {
        let days = day.days_since(clock.day_of(open.since));
        days > 0 && days % STANDS_EVERY == 0
    });
    let effects = long.filter_map(|open| {
        let (situation, subject) = open.key;
        let alert = Alert {
            alert: open.name(),
            step: match open.level {
                ripening::Level::Raised => Step::Raised,
                ripening::Level::Escalated => Step::Escalated,
            },
            severity: ripening::Severity::Notice,
            situation,
            subject,
            text: String::new(),
            wheel_count: 0,
            wheels: Vec::new(),
            since: open.since,
        };
        let said_on = day.date();
        Some(Effect {
            tail: STANDS.to_owned(),
            id: format!("{}-stands-{said_on}", alert.alert),
            body: serde_json::to_vec(&StandingAlert { alert, said_on }).ok()?,
        })
    });
    effects.collect()
}

/// What the worker itself has to tell people: on their pages and in the chat.
fn told_effect(message: &Message) -> Option<Effect> {
    Some(Effect {
        tail: telling::TOPIC.to_owned(),
        body: serde_json::to_vec(message).ok()?,
        id: message.telling.alert.clone(),
    })
}

/// How long ago, not what time it is.
#[allow(clippy::disallowed_methods)] // measures how long, in a shell
fn monotonic() -> Instant {
    Instant::now()
}

#[cfg(test)]
mod tests {
    use facts::stored::borsh;

    use super::*;

    /// The store's golden bytes know no position: this is its layout under that number.
    #[test]
    fn a_place_in_the_log_lies_as_its_format_says() {
        let position = Position {
            created: "now".to_owned(),
            seq: 1,
            stored_ns: 2,
        };
        let bytes = borsh::to_vec(&position).unwrap();
        let should = b"\x03\0\0\0now\x01\0\0\0\0\0\0\0\x02\0\0\0\0\0\0\0";
        assert_eq!((stored::FORMAT, bytes.as_slice()), (9, should.as_slice()));
    }
}
