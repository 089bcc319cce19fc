//! Browsers that are stations: the same station core as behind a TCP scanner, with a number
//! for each scan, so that a scan sent twice is taken once.
//!
//! A scan's receipt (what it said, what it recorded) lies on the disk in the same batch as
//! its facts. A device that got no answer sends the same number again and gets the receipt.

mod receipt;
mod work;

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use axum::http::StatusCode;
use bus::{Bus, Clock, Shutdown};
use chrono::{DateTime, TimeDelta, Utc};
use edge::{Desk, Ended, Worker};
use facts::{Carrier, Event, Fact, PersonId, StationId};
use site::{Scan, Site, Station};
use station::{Action, Answer, Code, Level, Line, SignedIn};

use self::receipt::{Kept, receipt_key, receipts_key};
pub use self::receipt::{Receipt, ScanIn, Went};
pub use self::work::Scanner;
use self::work::{Work, who};
use crate::people::{Device, Register, Role};
use crate::trouble::Trouble;

/// Scans taken in one call.
pub const MOST_AT_ONCE: usize = 200;

/// The station under whose name the gateway itself states facts.
pub const OFFICE: &str = "gateway";

/// Longest line kept, in characters, as at a TCP station.
const LONGEST: usize = 512;

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
            if let Some(last) = self.latest(device, 1).unwrap_or_default().first() {
                let (person, role) = (last.person, Role::Manager);
                let before = SignedIn { person, role };
                desk.resume(before, &self.context(device.station));
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

    /// A number that this device has not used yet.
    ///
    /// # Errors
    /// When the disk cannot be read.
    pub fn next_seq(&self, device: &Device) -> Result<u64, Trouble> {
        let newest = self.receipts(device).next().transpose()?;
        Ok(newest.map_or(1, |receipt| receipt.seq + 1))
    }

    /// The device's latest scans, newest first.
    ///
    /// # Errors
    /// When the disk cannot be read.
    pub fn latest(&self, device: &Device, many: usize) -> Result<Vec<Receipt>, Trouble> {
        self.receipts(device).take(many).collect()
    }

    /// Takes one scan. The receipt, and whether it is a repeat.
    ///
    /// # Errors
    /// [`Trouble`]; then nothing was recorded and the scan must be kept by whoever sent it.
    pub async fn scan(
        &self,
        scanner: Scanner<'_>,
        scan: ScanIn,
        people: &Register,
    ) -> Result<(Receipt, bool), Trouble> {
        let device = scanner.device;
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
        let Some(counter) = counter else {
            return Err(Trouble::new(
                StatusCode::CONFLICT,
                "closed",
                format!(
                    "station {} has the name of a station in the site file: a manager must enrol this device under another",
                    device.station
                ),
            ));
        };
        let _turn = counter.turn.lock().await;
        let request = crate::people::hash(format!("{scan:?}"));
        if let Some(kept) = self.kept(device, scan.seq)? {
            if kept.request == request {
                return Ok((kept.receipt, true));
            }
            return Err(Trouble::new(
                StatusCode::CONFLICT,
                "seq_used",
                format!(
                    "another scan was sent as number {}: send this one as number {}",
                    scan.seq,
                    self.next_seq(device)?
                ),
            ));
        }
        let (now, at) = self.instant(scan.occurred_at);
        let (person, role) = who(&scanner, scan.person, at, people)?;
        let line = scan.line.as_deref().map(shortened);
        let receipt = Receipt {
            seq: scan.seq,
            occurred_at: at,
            person,
            line: line.clone(),
            undoes: scan.undoes,
            level: Went::Wrong,
            words: String::new(),
            recorded: None,
            wheels: Vec::new(),
            facts: Vec::new(),
            undone: false,
            asks_pin_of: None,
            skew_ms: scan.skew_ms,
        };
        let draft = Kept { receipt, request };
        let work = Work {
            stations: self,
            counter: &counter,
            device,
            role,
        };
        let read = line
            .as_deref()
            .and_then(|line| Some(Line::read(line).ok()?.code));
        let group = match read {
            Some(Code::Hoop(hoop)) => Some(Carrier::Hoop(hoop)),
            Some(Code::Stack(stack)) => Some(Carrier::Stack(stack)),
            Some(Code::Stillage(stillage)) => Some(Carrier::Stillage(stillage)),
            _ => None,
        };
        let taken = match (line, scan.undoes, read) {
            (None, Some(undoes), _) => work.undo(draft, Some(undoes)).await,
            (Some(_), None, Some(Code::Action(Action::Undo))) => work.undo(draft, None).await,
            (Some(_), None, Some(Code::Person(badge))) if badge != person => {
                let mut draft = draft;
                draft.receipt.asks_pin_of = Some(badge);
                let words = format!("badge {badge}: type its PIN");
                work.say(draft, Answer::new(Level::Next, words)).await
            }
            (Some(line), None, read) => work.take(draft, line, read, now).await,
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
            && let Some(carrier) = group
        {
            receipt.wheels = counter.desk.wheels_on(carrier);
        }
        Ok((receipt, false))
    }

    /// States facts in the gateway's own name, by a person.
    ///
    /// # Errors
    /// When the disk cannot be written.
    pub async fn state(&self, person: PersonId, events: Vec<Event>) -> Result<Vec<Fact>, Trouble> {
        let (now, _) = self.instant(None);
        let answer = Answer::new(Level::Ok, "");
        let taken = self
            .office
            .state(person, now, answer, events, Box::new(|_, _| Vec::new()))
            .await;
        match taken.ended {
            Ended::Answered | Ended::Refused => Ok(taken.facts),
            Ended::NotStored => Err(Trouble::away(taken.answer.words)),
        }
    }

    /// Now, and when something happened: not in the future of a clock that is driven, and
    /// just now when it is almost now.
    fn instant(&self, occurred_at: Option<DateTime<Utc>>) -> (DateTime<Utc>, DateTime<Utc>) {
        let now = self.worker.clock().now();
        let driven = matches!(self.worker.clock(), Clock::Bus(_));
        let at = occurred_at.map_or(now, |at| {
            if (now - at).abs() <= NOW || (driven && at > now) {
                now
            } else {
                at
            }
        });
        (now, at)
    }

    fn desks(&self) -> MutexGuard<'_, BTreeMap<StationId, Arc<Counter>>> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn kept(&self, device: &Device, seq: u64) -> Result<Option<Kept>, Trouble> {
        let found = self.worker.outbox().note(&receipt_key(device, seq))?;
        Ok(found.and_then(|bytes| serde_json::from_slice(&bytes).ok()))
    }

    /// A device's receipts, newest first.
    fn receipts(&self, device: &Device) -> impl Iterator<Item = Result<Receipt, Trouble>> + use<> {
        let found = self.worker.outbox().notes(&receipts_key(device));
        found.filter_map(|entry| match entry {
            Ok((_, bytes)) => Some(Ok(serde_json::from_slice::<Kept>(&bytes).ok()?.receipt)),
            Err(error) => Some(Err(error.into())),
        })
    }

    fn context(&self, station: StationId) -> Vec<String> {
        let kept = self.worker.outbox().note(&context_key(station));
        let bytes = kept.ok().flatten().unwrap_or_default();
        serde_json::from_slice(&bytes).unwrap_or_default()
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
