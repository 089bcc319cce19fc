//! Browsers that are stations: the same station core as behind a TCP scanner, with a number
//! for each scan, so that a scan sent twice is taken once.
//!
//! A scan's receipt (what it said, what it recorded) lies on the disk in the same batch as
//! its facts. A device that got no answer sends the same number again and gets the receipt.

mod receipt;
mod who;
mod work;

use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use authority::people::{Proof, may_state};
use axum::http::StatusCode;
use bus::{Bus, Clock, Shutdown};
use chrono::{DateTime, TimeDelta, Utc};
use edge::{Desk, Ended, Worker};
use facts::{Carrier, Event, Fact, PersonId, StationId};
use serde::{Deserialize, Serialize};
use site::{Scan, Site, Station};
use station::{Action, Answer, Code, Level, Line, SignedIn};

use self::receipt::{Kept, receipt_key, receipts_key};
pub use self::receipt::{Receipt, ScanIn, Went};
pub use self::who::Scanner;
use self::who::{Who, who};
use self::work::Work;
use crate::disk;
use crate::people::{Device, Moment, Register, Role, Signed};
use crate::trouble::Trouble;

/// Scans taken in one call.
pub const MOST_AT_ONCE: usize = 200;

/// The station under whose name the gateway itself states facts.
pub const OFFICE: &str = "gateway";

/// Longest line kept, in characters, as at a TCP station.
const LONGEST: usize = 512;

/// Receipts among which the last of some kind is looked for.
const LOOKED_AT: usize = 200;

/// A scan that is this young happened now.
const NOW: TimeDelta = TimeDelta::seconds(5);

/// Browsers' stations, and the gateway's own.
pub struct Stations {
    worker: Worker,
    open: Mutex<BTreeMap<StationId, Arc<Counter>>>,
    office: Desk,
}

/// A desk where one scan is taken after the other.
struct Counter {
    desk: Desk,
    turn: tokio::sync::Mutex<()>,
}

impl Stations {
    /// Opens the outbox in the gateway's folder. No station is open yet.
    ///
    /// # Errors
    /// When the folder cannot be used; the text says what to do.
    pub fn open(site: &Site, bus: &Bus, clock: &Clock, dir: &Path) -> anyhow::Result<Self> {
        let worker = Worker::open(site.clone(), bus.clone(), clock.clone(), dir)?;
        let office = desk(&worker, StationId::new(OFFICE)?, OFFICE);
        Ok(Self {
            worker,
            open: Mutex::default(),
            office,
        })
    }

    /// Sends the outbox and follows the floor until shutdown.
    ///
    /// # Errors
    /// When the disk cannot be written at the end.
    pub async fn run(&self, shutdown: &Shutdown) -> anyhow::Result<()> {
        self.worker.run(shutdown).await
    }

    /// Opens a device's desk, where it stopped. A name that the site file has given to
    /// another station is not opened: two would number facts under it.
    pub fn open_desk(&self, site: &Site, device: &Device) {
        if let Err(trouble) = free(site, device.station) {
            tracing::warn!(
                "{trouble}. The browser station {} stays closed",
                device.name
            );
            return;
        }
        let mut open = self.desks();
        open.entry(device.station).or_insert_with(|| {
            let desk = desk(&self.worker, device.station, &device.name);
            // Each scan is judged by whoever makes it; this only sets what was set before.
            if let Some(set) = self.context(device.station) {
                let (person, role) = (set.person, Role::Manager);
                desk.resume(SignedIn { person, role }, &set.lines);
            }
            Arc::new(Counter {
                desk,
                turn: tokio::sync::Mutex::new(()),
            })
        });
    }

    /// The action under way at a station.
    #[must_use]
    pub fn action(&self, station: StationId) -> Option<Action> {
        self.desks().get(&station)?.desk.action()
    }

    /// The number of this device's next scan.
    ///
    /// # Errors
    /// When the disk cannot be read.
    pub fn next_seq(&self, device: &Device) -> Result<u64, Trouble> {
        let newest = self.receipts(device).next().transpose()?;
        Ok(newest.map_or(1, |kept| kept.receipt.seq.saturating_add(1)))
    }

    /// The device's latest scans, newest first.
    ///
    /// # Errors
    /// When the disk cannot be read.
    pub fn latest(&self, device: &Device, many: usize) -> Result<Vec<Receipt>, Trouble> {
        let kept = self.latest_kept(device, many)?;
        Ok(kept.into_iter().map(|kept| kept.receipt).collect())
    }

    fn latest_kept(&self, device: &Device, many: usize) -> Result<Vec<Kept>, Trouble> {
        self.receipts(device).take(many).collect()
    }

    /// Takes one scan. The receipt, and whether it is a repeat. What is refused has a receipt
    /// as well: it is answered, and must not be sent again.
    ///
    /// # Errors
    /// [`Trouble`]; then the scan was not taken.
    pub async fn scan(
        &self,
        scanner: Scanner<'_>,
        scan: ScanIn,
        people: &Register,
        now: Moment,
    ) -> Result<(Receipt, bool), Trouble> {
        let device = scanner.device;
        let counter = self.counter(device, &scan)?;
        let _turn = counter.turn.lock().await;
        if let Some(kept) = self.kept(device, scan.seq)?
            && kept.is_of(&scan)
        {
            return Ok((kept.receipt, true));
        }
        self.in_turn(device, &scan)?;
        // Of what somebody is known to have scanned.
        let mut before = self.receipts(device).take(LOOKED_AT);
        let latest =
            before.find(|kept| kept.as_ref().map_or(true, |kept| !kept.session.is_empty()));
        let latest = latest.transpose()?;
        let at = self.instant(scan.occurred_at);
        let line = scan.line.as_deref().map(shortened);
        let read = line
            .as_deref()
            .and_then(|line| Some(Line::read(line).ok()?.code));
        let (who, unknown) = match who(&scanner, &scan, latest.as_ref(), people, now) {
            Ok(who) => (who, None),
            // Kept in the name of whoever it is said to be of; nothing is recorded in it.
            Err(words) => (Who::of(&scanner, &scan), Some(words)),
        };
        let draft = Kept {
            request: scan.mark(),
            session: who.session.clone(),
            record: None,
            receipt: Receipt {
                seq: scan.seq,
                // As the device says: its next scans go on from there.
                occurred_at: scan.occurred_at.unwrap_or(at).min(self.now()),
                person: who.person,
                line: line.clone(),
                undoes: scan.undoes,
                level: Went::Wrong,
                words: String::new(),
                recorded: None,
                wheels: Vec::new(),
                facts: Vec::new(),
                undone: false,
                undo_until: None,
                asks_pin_of: match read {
                    Some(Code::Person(badge)) if badge != who.person => Some(badge),
                    _ => None,
                },
                skew_ms: scan.skew_ms,
            },
        };
        self.stands(&counter, device, &who);
        let work = Work {
            stations: self,
            counter: &counter,
            device,
            who: &who,
        };
        let card = matches!(read, Some(Code::Action(action)) if action != Action::Undo);
        let refused = unknown
            .or_else(|| who.only_looks())
            .or_else(|| withdrawn(&scan))
            .or_else(|| counter.other_action(&scan, read));
        let taken = match (refused, line, scan.undoes) {
            (Some(words), ..) => work.refuse(draft, card, words).await,
            (None, None, undoes @ Some(_)) => work.undo(draft, undoes, at).await,
            (None, Some(line), None) => match read {
                Some(Code::Action(Action::Undo)) => work.undo(draft, None, at).await,
                read => work.take(draft, line, read, at).await,
            },
            _ => {
                return Err(Trouble::bad(
                    "send either `line`, one scanned code, or `undoes`, the number of a scan to take back",
                ));
            }
        };
        if taken.ended == Ended::NotStored {
            return Err(Trouble::new(
                StatusCode::SERVICE_UNAVAILABLE,
                "not_recorded",
                taken.answer.words,
            ));
        }
        let kept = self.kept(device, scan.seq)?;
        let kept = kept.ok_or_else(|| Trouble::away("the receipt is gone from the disk"))?;
        let mut receipt = kept.receipt;
        // What was said may know more than what was kept: that the broker is away.
        receipt.words = taken.answer.words;
        // Nothing is recorded, or not yet: these are what it is about.
        if receipt.facts.is_empty()
            && let Some(carrier) = read.and_then(carrier)
        {
            receipt.wheels = counter.desk.wheels_on(carrier);
        }
        Ok((receipt, false))
    }

    /// Whoever signed in anew stands there, though another badge was shown before.
    fn stands(&self, counter: &Counter, device: &Device, who: &Who) {
        let latest = self.receipts(device).next();
        let session = latest.and_then(Result::ok).map(|kept| kept.session);
        if session.is_some_and(|session| session != who.session) && !who.session.is_empty() {
            let (person, role) = (who.person, who.role);
            let badge = format!("P.{person}");
            counter.desk.resume(SignedIn { person, role }, &[badge]);
        }
    }

    /// The device's own desk.
    fn counter(&self, device: &Device, scan: &ScanIn) -> Result<Arc<Counter>, Trouble> {
        if scan.station != device.station {
            return Err(Trouble::new(
                StatusCode::FORBIDDEN,
                "other_station",
                format!(
                    "this device is station {}, not {}: nothing recorded",
                    device.station, scan.station
                ),
            ));
        }
        let counter = self.desks().get(&device.station).cloned();
        counter.ok_or_else(|| {
            Trouble::new(
                StatusCode::CONFLICT,
                "closed",
                format!(
                    "station {} has the name of a station in the site file: a manager must enrol this device under another",
                    device.station
                ),
            )
        })
    }

    /// A device counts its scans without gaps, so that none is lost or comes twice unseen.
    fn in_turn(&self, device: &Device, scan: &ScanIn) -> Result<(), Trouble> {
        let next = self.next_seq(device)?;
        let (code, words) = match scan.seq.cmp(&next) {
            Ordering::Equal => return Ok(()),
            Ordering::Less => (
                "seq_used",
                format!(
                    "another scan was sent as number {}: send this one as number {next}",
                    scan.seq
                ),
            ),
            Ordering::Greater => (
                "seq_gap",
                format!(
                    "the next scan of this device is number {next}, not {}: send what was scanned before it first",
                    scan.seq
                ),
            ),
        };
        Err(Trouble::new(StatusCode::CONFLICT, code, words))
    }

    /// States facts in the gateway's own name, by a person: all of them, or none where one is
    /// not theirs to state.
    ///
    /// # Errors
    /// They may not state one of them, or the disk cannot be written.
    pub async fn state(&self, signed: &Signed, events: Vec<Event>) -> Result<Vec<Fact>, Trouble> {
        let (person, role) = (signed.account.badge, signed.account.role);
        for event in &events {
            event
                .makes_sense()
                .map_err(|nonsense| Trouble::bad(nonsense.to_string()))?;
            may_state(event, Proof::SignedIn(role))
                .map_err(|refused| Trouble::forbidden(format!("this {refused}")))?;
            let ends = matches!(
                event,
                Event::WheelReleased(_) | Event::HoldLifted(_) | Event::VatRecipeChanged(_)
            );
            let rights = self.worker.site().rights();
            if ends && !rights.may_release(Some(person)) {
                return Err(Trouble::forbidden(format!(
                    "your release would not count: only {} may let wheels go from under a hold here",
                    rights.words()
                )));
            }
        }
        let now = self.now();
        let answer = Answer::new(Level::Ok, "");
        let taken = self
            .office
            .state(
                person,
                (now, None),
                answer,
                events,
                Box::new(|_, _| Vec::new()),
            )
            .await;
        match taken.ended {
            Ended::Answered | Ended::Refused => Ok(taken.facts),
            Ended::NotStored => Err(Trouble::away(taken.answer.words)),
        }
    }

    fn now(&self) -> DateTime<Utc> {
        self.worker.clock().now()
    }

    /// When something happened: not in the future of a clock that is driven, and just now when
    /// it is almost now.
    fn instant(&self, occurred_at: Option<DateTime<Utc>>) -> DateTime<Utc> {
        let now = self.now();
        let driven = matches!(self.worker.clock(), Clock::Bus(_));
        occurred_at.map_or(now, |at| {
            if (now - at).abs() <= NOW || (driven && at > now) {
                now
            } else {
                at
            }
        })
    }

    fn desks(&self) -> MutexGuard<'_, BTreeMap<StationId, Arc<Counter>>> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn kept(&self, device: &Device, seq: u64) -> Result<Option<Kept>, Trouble> {
        let (outbox, key) = (self.worker.outbox(), receipt_key(device, seq));
        let found = disk::waits(|| outbox.synced_note(&key))?;
        Ok(found.and_then(|bytes| serde_json::from_slice(&bytes).ok()))
    }

    /// A device's receipts, newest first.
    fn receipts(&self, device: &Device) -> impl Iterator<Item = Result<Kept, Trouble>> + use<> {
        let found = self.worker.outbox().notes(&receipts_key(device));
        found.filter_map(|entry| match entry {
            Ok((_, bytes)) => Some(Ok(serde_json::from_slice::<Kept>(&bytes).ok()?)),
            Err(error) => Some(Err(error.into())),
        })
    }

    /// What is set at a station; what an earlier version kept of it is as if nothing were.
    fn context(&self, station: StationId) -> Option<Context> {
        let kept = self.worker.outbox().note(&context_key(station));
        serde_json::from_slice(&kept.ok().flatten()?).ok()
    }
}

/// The lines since the last action card, and who scanned them: so that a station goes on after
/// a restart as it was.
#[derive(Debug, Serialize, Deserialize)]
struct Context {
    person: PersonId,
    lines: Vec<String>,
}

impl Counter {
    /// Why a scan is not taken whose device showed another action than is set: what was scanned
    /// then was meant otherwise.
    fn other_action(&self, scan: &ScanIn, read: Option<Code>) -> Option<String> {
        let means_itself = matches!(read, Some(Code::Action(_) | Code::Person(_)));
        let shown = scan.action.as_deref().filter(|_| !means_itself)?;
        let set = self.desk.action().map_or("", Action::name);
        let named = |name: &str| match name {
            "" => "no action".to_owned(),
            name => name.to_owned(),
        };
        (scan.undoes.is_none() && shown != set).then(|| {
            format!(
                "this device showed {}, and {} is set: not recorded. Scan the action card, then scan this again",
                named(&shortened(shown)),
                named(set)
            )
        })
    }
}

/// Why a scan is not taken that its device gave up.
fn withdrawn(scan: &ScanIn) -> Option<String> {
    (scan.withdrawn == Some(true)).then(|| {
        "refused on the device, or nobody answered it in time: not recorded. Scan it again if it is still to be done".to_owned()
    })
}

const fn carrier(code: Code) -> Option<Carrier> {
    match code {
        Code::Hoop(hoop) => Some(Carrier::Hoop(hoop)),
        Code::Stack(stack) => Some(Carrier::Stack(stack)),
        Code::Stillage(stillage) => Some(Carrier::Stillage(stillage)),
        _ => None,
    }
}

/// Whether a browser may be a station of this name.
///
/// # Errors
/// The site file or a worker has the name already.
pub fn free(site: &Site, station: StationId) -> Result<(), Trouble> {
    if site::is_reserved(station.as_str()) || site.stations.iter().any(|s| s.id == station) {
        return Err(Trouble::bad(format!(
            "{station} is another station's name already: choose a name of its own for this device"
        )));
    }
    Ok(())
}

fn desk(worker: &Worker, id: StationId, name: &str) -> Desk {
    let station = Station {
        id,
        name: name.to_owned(),
        // Not opened: a browser's lines come by calls.
        scan: Scan::Stdin,
        scale: None,
    };
    Desk::new(worker, &station)
}

fn shortened(line: &str) -> String {
    line.chars().take(LONGEST).collect()
}

fn context_key(station: StationId) -> Vec<u8> {
    format!("context\0{station}").into_bytes()
}
