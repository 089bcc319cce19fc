//! Browsers that are stations: the same station core as behind a TCP scanner, with a number
//! for each scan, so that a scan sent twice is taken once.
//!
//! A scan's receipt (what it said, what it recorded) lies on the disk in the same batch as
//! its facts. A device that got no answer sends the same number again and gets the receipt.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use axum::http::StatusCode;
use bus::{Bus, Clock, Note, Shutdown};
use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use edge::{Desk, Taken, Worker};
use facts::{Carrier, Event, Fact, FactId, PersonId, StationId, Voided, WheelId};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use site::{Scan, Site, Station};
use station::{Action, Answer, Code, Level, Line};

use crate::people::{Device, Register, Role};
use crate::trouble::Trouble;

/// Scans taken in one call.
pub const MOST_AT_ONCE: usize = 200;

/// The station under whose name the gateway itself states facts.
const OFFICE: &str = "gateway";

/// Receipts kept for each device: days of one station's work.
const RECEIPTS: u64 = 20_000;

/// Scans that can be taken back one by one.
const UNDOABLE: usize = 50;

/// Longest line kept, in characters, as at a TCP station.
const LONGEST: usize = 512;

/// Lines kept so that a station goes on after a restart with the action that was set.
const CONTEXT: usize = 400;

/// A scan that is this young happened now.
const NOW: TimeDelta = TimeDelta::seconds(5);

/// One scan from a device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ScanIn {
    /// The station that the device is.
    pub station: StationId,
    /// The device's own number for it, from 1, rising.
    pub seq: u64,
    /// When it was scanned; now if left out.
    pub occurred_at: Option<DateTime<Utc>>,
    /// What was scanned: one code. Either this or `undoes`.
    pub line: Option<String>,
    /// The number of an earlier scan to take back.
    pub undoes: Option<u64>,
    /// The badge of who was signed in on the device at the time, if that is no longer who is
    /// signed in now.
    pub person: Option<PersonId>,
    /// How far the device's own clock was behind the floor's, in milliseconds, as the device
    /// measured it; `occurred_at` is the floor's time already.
    pub skew_ms: Option<i64>,
}

/// How a scan went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Went {
    /// Recorded.
    Ok,
    /// More is needed.
    Next,
    /// Something is wrong: the words say what, and whether it was recorded.
    Wrong,
    /// Stop: someone could be harmed.
    Stop,
}

impl From<Level> for Went {
    fn from(level: Level) -> Self {
        match level {
            Level::Ok => Self::Ok,
            Level::Next => Self::Next,
            Level::Wrong => Self::Wrong,
            Level::Stop => Self::Stop,
        }
    }
}

/// What a scan came to, as kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Receipt {
    /// The device's number.
    pub seq: u64,
    /// When it was scanned.
    pub occurred_at: DateTime<Utc>,
    /// Who scanned it.
    pub person: PersonId,
    /// What was scanned.
    pub line: Option<String>,
    /// The earlier scan that it takes back.
    pub undoes: Option<u64>,
    /// How it went.
    pub level: Went,
    /// What the station says, in English.
    pub words: String,
    /// What kind of fact was recorded, `wheel.turned` for instance.
    pub recorded: Option<String>,
    /// The wheels that it touched, or will touch when what is still asked for was scanned.
    pub wheels: Vec<WheelId>,
    /// The facts that were recorded.
    pub facts: Vec<FactId>,
    /// Whether it was taken back.
    pub undone: bool,
    /// The badge that was scanned and must sign in with its PIN.
    pub asks_pin_of: Option<PersonId>,
    /// How far the device's clock was behind the floor's, in milliseconds.
    #[serde(default)]
    pub skew_ms: Option<i64>,
}

/// A receipt on the disk.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Kept {
    receipt: Receipt,
    /// A mark of the request, so that another one under the same number is noticed.
    request: String,
}

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

/// Who scans, and on which device.
#[derive(Debug, Clone, Copy)]
pub struct Scanner<'a> {
    /// Who.
    pub person: PersonId,
    /// What they are.
    pub role: Role,
    /// The device.
    pub device: &'a Device,
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
            desk.resume(&self.context(device.station));
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
        let request = crate::people::hash(&format!("{scan:?}"));
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
        if !taken.kept {
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
        if taken.kept {
            Ok(taken.facts)
        } else {
            Err(Trouble::away(taken.answer.words))
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

/// One scan being taken.
struct Work<'a> {
    stations: &'a Stations,
    counter: &'a Counter,
    device: &'a Device,
    role: Role,
}

impl Work<'_> {
    /// Gives the line to the station core.
    async fn take(
        &self,
        draft: Kept,
        line: String,
        read: Option<Code>,
        now: DateTime<Utc>,
    ) -> Taken {
        let begins = match read {
            Some(Code::Action(action)) => Some(action),
            _ => None,
        };
        let action = begins.or(self.counter.desk.action());
        if let Some(action) = action
            && !self.role.may(action)
        {
            let words = format!(
                "{action} needs {}: nothing recorded",
                match action {
                    Action::Release => "a manager",
                    _ => "an ironer",
                }
            );
            return self.say(draft, Answer::new(Level::Wrong, words)).await;
        }
        let (device, person) = (self.device.clone(), draft.receipt.person);
        let at = draft.receipt.occurred_at;
        let line = if at == now || line.starts_with('@') {
            line
        } else {
            format!(
                "@{} {line}",
                at.to_rfc3339_opts(SecondsFormat::Millis, true)
            )
        };
        let mut context = match begins {
            None => self.stations.context(device.station),
            Some(_) => Vec::new(),
        };
        context.push(line.clone());
        let refused = matches!(
            begins,
            Some(Action::Portion | Action::Weigh | Action::CheckWeight)
        );
        let repeats = begins.is_none() && action.is_some_and(repeats);
        let notes = move |answer: &Answer, facts: &[Fact]| {
            let mut notes = with_receipt(&device, draft, answer, facts);
            let changed = !refused && (!repeats || answer.level == Level::Next);
            if changed && context.len() <= CONTEXT {
                let key = context_key(device.station);
                notes.push((key, serde_json::to_vec(&context).ok()));
            }
            notes
        };
        self.counter
            .desk
            .scan_as(person, line, Box::new(notes))
            .await
    }

    /// Takes a scan back: this one, or the latest that recorded something.
    async fn undo(&self, mut draft: Kept, which: Option<u64>) -> Taken {
        let found = match which {
            Some(seq) => Some(seq),
            None => {
                let latest = self.stations.latest(self.device, UNDOABLE);
                let mut latest = latest.unwrap_or_default().into_iter();
                latest.find(can_be_undone).map(|receipt| receipt.seq)
            }
        };
        let found = found.and_then(|seq| self.stations.kept(self.device, seq).ok().flatten());
        let Some(mut found) = found.filter(|found| can_be_undone(&found.receipt)) else {
            let words = "nothing to undo here: tell the office what is wrong";
            return self.say(draft, Answer::new(Level::Wrong, words)).await;
        };
        draft.receipt.undoes = Some(found.receipt.seq);
        let reason = format!("undone at station {}", self.device.station);
        let events = found.receipt.facts.iter().map(|fact| {
            Event::from(Voided {
                fact: *fact,
                reason: reason.clone(),
            })
        });
        let answer = Answer::new(Level::Ok, format!("undone: {}", found.receipt.words));
        let (events, device) = (events.collect(), self.device.clone());
        let (person, at) = (draft.receipt.person, draft.receipt.occurred_at);
        let notes = move |answer: &Answer, facts: &[Fact]| {
            draft.receipt.wheels.clone_from(&found.receipt.wheels);
            let mut notes = with_receipt(&device, draft, answer, facts);
            found.receipt.undone = true;
            let key = receipt_key(&device, found.receipt.seq);
            notes.push((key, serde_json::to_vec(&found).ok()));
            notes
        };
        self.counter
            .desk
            .state(person, at, answer, events, Box::new(notes))
            .await
    }

    /// Answers without asking the station core, and keeps the receipt.
    async fn say(&self, draft: Kept, answer: Answer) -> Taken {
        let device = self.device.clone();
        let (person, at) = (draft.receipt.person, draft.receipt.occurred_at);
        let notes =
            move |answer: &Answer, facts: &[Fact]| with_receipt(&device, draft, answer, facts);
        self.counter
            .desk
            .state(person, at, answer, Vec::new(), Box::new(notes))
            .await
    }
}

/// Whether what was scanned for the action stays set while wheels are scanned: such a scan
/// leaves the station as it was.
const fn repeats(action: Action) -> bool {
    !matches!(
        action,
        Action::Vat
            | Action::Portion
            | Action::Rind
            | Action::Iron
            | Action::Grade
            | Action::Weigh
            | Action::Needles
            | Action::CheckWeight
            | Action::Undo
    )
}

fn can_be_undone(receipt: &Receipt) -> bool {
    receipt.undoes.is_none() && !receipt.facts.is_empty() && !receipt.undone
}

/// Who scanned: whoever is signed in, or whoever was, on this device, at that time.
fn who(
    scanner: &Scanner<'_>,
    named: Option<PersonId>,
    at: DateTime<Utc>,
    people: &Register,
) -> Result<(PersonId, Role), Trouble> {
    let Some(named) = named.filter(|named| *named != scanner.person) else {
        return Ok((scanner.person, scanner.role));
    };
    let account = people.account(named).filter(|account| {
        account.role.records() && people.was_signed_in(named, scanner.device.station, at)
    });
    match account {
        Some(account) => Ok((named, account.role)),
        None => Err(Trouble::new(
            StatusCode::FORBIDDEN,
            "other_person",
            format!(
                "badge {named} was not signed in on this device then: that person must sign in to send this scan"
            ),
        )),
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

fn with_receipt(device: &Device, mut kept: Kept, answer: &Answer, facts: &[Fact]) -> Vec<Note> {
    let receipt = &mut kept.receipt;
    receipt.level = answer.level.into();
    receipt.words.clone_from(&answer.words);
    receipt.recorded = facts.first().map(|fact| fact.event.topic().to_owned());
    receipt.facts = facts.iter().map(|fact| fact.id).collect();
    for fact in facts {
        receipt.wheels.extend_from_slice(fact.event.wheels());
    }
    receipt.wheels.sort_unstable();
    receipt.wheels.dedup();
    let seq = receipt.seq;
    let mut notes = vec![(receipt_key(device, seq), serde_json::to_vec(&kept).ok())];
    if let Some(old) = seq.checked_sub(RECEIPTS) {
        notes.push((receipt_key(device, old), None));
    }
    notes
}

fn receipts_key(device: &Device) -> Vec<u8> {
    format!("receipt\0{}\0{}\0", device.station, device.enrolment).into_bytes()
}

fn receipt_key(device: &Device, seq: u64) -> Vec<u8> {
    [receipts_key(device), seq.to_be_bytes().to_vec()].concat()
}

fn context_key(station: StationId) -> Vec<u8> {
    format!("context\0{station}").into_bytes()
}

fn shortened(line: &str) -> String {
    line.chars().take(LONGEST).collect()
}
