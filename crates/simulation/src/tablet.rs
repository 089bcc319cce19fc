//! Browsers that are stations: a queue on the device, a receipt for each number at the
//! gateway, and who is signed in.

use std::collections::VecDeque;

use authority::people::Recorded;
use chrono::{DateTime, TimeDelta, Utc};
use facts::{Draft, Event, Fact, FactId, PersonId, StationId, Voided};
use serde::{Deserialize, Serialize};
use station::{Action, Answer, Claim, Code, Level, Line, SignedIn};

use crate::disk::Batch;
use crate::edge::{Input, Scanned};
use crate::outbox;
use crate::world::{GATEWAY, World};
use crate::{Breakage, Failure};

/// Scans in one call.
const MOST: usize = 4;

/// A scan that is this young happened now.
const NOW: TimeDelta = TimeDelta::seconds(5);

/// A tablet with the station page open.
#[derive(Debug)]
pub(crate) struct Tablet {
    pub(crate) station: StationId,
    /// Whether it reaches the gateway.
    pub(crate) online: bool,
    pub(crate) signed: Option<PersonId>,
    /// On the device's disk, until the gateway has answered.
    pub(crate) queue: VecDeque<Scan>,
    next: u64,
    /// What its clock is off after the floor's time was asked.
    pub(crate) skew: TimeDelta,
    dispatches: bool,
}

/// One scan, numbered by the device.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Scan {
    number: u64,
    line: String,
    person: PersonId,
    at: DateTime<Utc>,
    /// The scan's own name in the ledger.
    pub(crate) name: u64,
}

/// A scan's receipt at the gateway.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Receipt {
    request: String,
    stop: bool,
    at: DateTime<Utc>,
    facts: Vec<FactId>,
    record: Option<Recorded>,
    undoes: bool,
    undone: bool,
    refused: bool,
}

impl Receipt {
    /// With what was recorded.
    fn with(mut self, facts: &[Fact]) -> Self {
        self.facts = facts.iter().map(|fact| fact.id).collect();
        self.record = Recorded::of(facts);
        self
    }
}

/// A session at the gateway.
#[derive(Debug, Clone)]
pub(crate) struct Signed {
    person: PersonId,
    station: StationId,
    began: DateTime<Utc>,
    ended: Option<DateTime<Utc>>,
}

/// What the gateway says to one scan.
enum Went {
    /// Here is the receipt, an earlier one perhaps.
    Receipt(Receipt),
    /// Not taken, and never will be.
    No,
    /// Not taken: send it again.
    Again,
    /// The gateway was killed.
    Died,
}

impl Tablet {
    pub(crate) const fn new(station: StationId, skew: TimeDelta) -> Self {
        Self {
            station,
            online: true,
            signed: None,
            queue: VecDeque::new(),
            next: 1,
            skew,
            dispatches: false,
        }
    }

    /// Puts a scan on the device's disk. A dispatch is asked, or not done.
    pub(crate) fn scan(&mut self, line: &str, person: PersonId, now: DateTime<Utc>, name: u64) {
        let action = line.strip_prefix("A.");
        let dispatches = action.map_or(self.dispatches, |action| action == "DISPATCH");
        if dispatches && !self.online {
            return;
        }
        self.dispatches = dispatches;
        self.queue.push_back(Scan {
            number: self.next,
            line: line.to_owned(),
            person,
            at: now + self.skew,
            name,
        });
        self.next += 1;
    }
}

impl World {
    /// Somebody signs in at a tablet.
    pub(crate) fn sign_in(&mut self, t: usize, person: PersonId) {
        if !self.tablets[t].online || self.workers[GATEWAY].running.is_none() {
            return;
        }
        self.sign_out(t);
        let station = self.tablets[t].station;
        self.tablets[t].signed = Some(person);
        self.register.push(Signed {
            person,
            station,
            began: self.now,
            ended: None,
        });
    }

    /// Whoever is signed in at a tablet signs out.
    pub(crate) fn sign_out(&mut self, t: usize) {
        let tablet = &mut self.tablets[t];
        tablet.signed = None;
        let here = |s: &&mut Signed| s.station == tablet.station && s.ended.is_none();
        for session in self.register.iter_mut().filter(here) {
            session.ended = Some(self.now);
        }
    }

    /// The tablet sends what it has; the call or its answer may be lost, or come late.
    pub(crate) fn post(&mut self, t: usize) -> Result<(), Failure> {
        let tablet = &self.tablets[t];
        let Some(signed) = tablet.signed.filter(|_| tablet.online) else {
            return Ok(());
        };
        let call: Vec<Scan> = tablet.queue.iter().take(MOST).cloned().collect();
        if call.is_empty() || self.dice.chance(self.rates.network) {
            return Ok(());
        }
        if self.dice.chance(self.rates.network) {
            self.late_calls.push((t, signed, call.clone()));
        }
        let answers = self.called(t, signed, &call)?;
        if self.dice.chance(self.rates.network) {
            return Ok(());
        }
        for (scan, went) in call.iter().zip(answers) {
            match went {
                Went::Again | Went::Died => return Ok(()),
                Went::Receipt(receipt)
                    if receipt.refused && self.breakage == Breakage::SendsRefusedAgain =>
                {
                    return Ok(());
                }
                Went::Receipt(receipt) => self.ledger.promise(&receipt.facts),
                Went::No => self.ledger.refuse(scan.name),
            }
            self.tablets[t]
                .queue
                .retain(|queued| queued.number != scan.number);
        }
        Ok(())
    }

    /// A call that nobody waits for any more arrives all the same.
    pub(crate) fn late_call(&mut self) -> Result<(), Failure> {
        if !self.late_calls.is_empty() {
            let at = self.dice.below(self.late_calls.len());
            let (t, signed, call) = self.late_calls.swap_remove(at);
            self.called(t, signed, &call)?;
        }
        Ok(())
    }

    fn called(&mut self, t: usize, signed: PersonId, call: &[Scan]) -> Result<Vec<Went>, Failure> {
        let mut answers = Vec::new();
        for scan in call {
            if self.workers[GATEWAY].running.is_none() {
                break;
            }
            let went = self.gateway(t, signed, scan)?;
            let stop = matches!(went, Went::Again | Went::Died);
            answers.push(went);
            if stop {
                break;
            }
        }
        Ok(answers)
    }

    /// The gateway takes one scan.
    fn gateway(&mut self, t: usize, signed: PersonId, scan: &Scan) -> Result<Went, Failure> {
        let station = self.tablets[t].station;
        let request = format!("{} {} {} {}", scan.number, scan.line, scan.person, scan.at);
        if let Some(receipt) = self.receipt(station, scan.number) {
            return Ok(if receipt.request == request {
                Went::Receipt(receipt)
            } else {
                Went::No
            });
        }
        let now = self.now;
        let at = if (now - scan.at).abs() <= NOW {
            now
        } else {
            scan.at
        };
        let last = self.last_receipt(station);
        let slack = TimeDelta::minutes(2);
        let was_here = |s: &Signed| {
            s.person == scan.person
                && s.station == station
                && s.began - slack <= at
                && s.ended.is_none_or(|ended| at <= ended + slack)
        };
        if scan.person != signed && !self.register.iter().any(was_here) {
            return Ok(Went::No);
        }
        let receipt = Receipt {
            request,
            stop: false,
            at: at.min(now),
            facts: Vec::new(),
            record: None,
            undoes: false,
            undone: false,
            refused: false,
        };
        let code = Line::read(&scan.line).ok().map(|line| line.code);
        if code == Some(Code::Action(Action::Undo)) {
            return self.undo_at_gateway(station, scan, (at, last), receipt);
        }
        if let Some(Code::Person(badge)) = code
            && badge != scan.person
        {
            return self.noted(station, scan, receipt, at, Vec::new(), None);
        }
        // Of a session that is over nothing is taken that lets wheels leave.
        let role = self.role(scan.person);
        let action = match code {
            Some(Code::Action(action)) => Some(action),
            _ => self.action_at(station),
        };
        if scan.person != signed && matches!(action, Some(Action::Dispatch | Action::Release)) {
            let receipt = Receipt {
                refused: true,
                ..receipt
            };
            self.disarm(station);
            return self.noted(station, scan, receipt, at, Vec::new(), None);
        }
        // Its own counter goes on without a gap, and no time goes back.
        let kept = match in_order(last, scan.number, at) {
            true => station::Kept::Counter,
            false => station::Kept::Unshown,
        };
        let claim = (at != now).then_some(Claim { at, kept });
        let key = receipt_key(station, scan.number);
        let breakage = self.breakage;
        let kept = receipt.clone();
        let notes = move |answer: &Answer, facts: &[Fact]| {
            let stop = matches!(answer.level, Level::Wrong | Level::Stop);
            let refused = stop && facts.is_empty();
            let again = refused && breakage == Breakage::SendsRefusedAgain;
            if again || breakage == Breakage::KeepsNoReceipts {
                return Batch::new();
            }
            let receipt = Receipt {
                stop: answer.level == Level::Stop,
                refused,
                ..kept.with(facts)
            };
            vec![(key, Some(serde_json::to_vec(&receipt).unwrap()))]
        };
        let input = Input::Line {
            line: &scan.line,
            signed_in: Some(SignedIn {
                person: scan.person,
                role,
            }),
            claim,
        };
        let scanned = self.take(GATEWAY, station, &input, notes)?;
        match scanned {
            Scanned::Died => Ok(Went::Died),
            Scanned::NotStored => Ok(Went::Again),
            Scanned::Refused(_) => {
                self.ledger.refuse(scan.name);
                if self.breakage == Breakage::SendsRefusedAgain {
                    return Ok(Went::Again);
                }
                Ok(Went::Receipt(Receipt {
                    refused: true,
                    ..receipt
                }))
            }
            Scanned::Answered(answer, facts) => {
                self.ledger.recorded(scan.name, &facts, scan.person)?;
                Ok(Went::Receipt(Receipt {
                    stop: answer.level == Level::Stop,
                    ..receipt.with(&facts)
                }))
            }
        }
    }

    fn undo_at_gateway(
        &mut self,
        station: StationId,
        scan: &Scan,
        (at, last): (DateTime<Utc>, Option<(u64, DateTime<Utc>)>),
        receipt: Receipt,
    ) -> Result<Went, Failure> {
        let earlier = (1..scan.number).rev();
        let mut found = earlier.filter_map(|number| Some((number, self.receipt(station, number)?)));
        let stands =
            |receipt: &Receipt| !receipt.undoes && !receipt.undone && !receipt.facts.is_empty();
        let last_record = found.find(|(_, receipt)| stands(receipt));
        let now = match in_order(last, scan.number, at) {
            true => at,
            false => self.now,
        };
        let may = |(_, receipt): &(u64, Receipt)| {
            let record = receipt.record;
            record.is_some_and(|record| {
                record
                    .may_be_undone(Some(scan.person), now, self.now)
                    .is_ok()
            })
        };
        let Some((number, mut undone)) = last_record.filter(may) else {
            return self.noted(station, scan, receipt, at, Vec::new(), None);
        };
        let void = |fact: &FactId| {
            Event::from(Voided {
                fact: *fact,
                reason: format!("undone at station {station}"),
            })
        };
        let events = undone.facts.iter().map(void).collect();
        let receipt = Receipt {
            undoes: true,
            ..receipt
        };
        undone.undone = true;
        self.noted(station, scan, receipt, now, events, Some((number, undone)))
    }

    /// Records events, none perhaps, with the receipt.
    fn noted(
        &mut self,
        station: StationId,
        scan: &Scan,
        receipt: Receipt,
        at: DateTime<Utc>,
        events: Vec<Event>,
        also: Option<(u64, Receipt)>,
    ) -> Result<Went, Failure> {
        let draft = |event| Draft {
            occurred_at: at,
            claimed_at: None,
            person: Some(scan.person),
            event,
        };
        let drafts = events.into_iter().map(draft).collect();
        let kept = receipt.clone();
        let number = scan.number;
        let forgets = self.breakage == Breakage::KeepsNoReceipts;
        let notes = move |facts: &[Fact]| {
            if forgets {
                return Batch::new();
            }
            let receipt = kept.with(facts);
            let all = also.into_iter().chain([(number, receipt)]);
            all.map(|(number, receipt)| {
                let value = serde_json::to_vec(&receipt).unwrap();
                (receipt_key(station, number), Some(value))
            })
            .collect()
        };
        match self.record(GATEWAY, station, drafts, notes) {
            None => Ok(Went::Died),
            Some(Err(_)) => Ok(Went::Again),
            Some(Ok(facts)) => {
                self.ledger.recorded(scan.name, &facts, scan.person)?;
                Ok(Went::Receipt(receipt.with(&facts)))
            }
        }
    }

    /// The number and time of a device's last receipt.
    fn last_receipt(&self, station: StationId) -> Option<(u64, DateTime<Utc>)> {
        let tablet = self
            .tablets
            .iter()
            .find(|tablet| tablet.station == station)?;
        let mut numbers = (1..tablet.next).rev();
        numbers.find_map(|number| Some((number, self.receipt(station, number)?.at)))
    }

    fn action_at(&self, station: StationId) -> Option<Action> {
        let running = self.workers[GATEWAY].running.as_ref()?;
        running.sessions.get(&station)?.action()
    }

    fn disarm(&mut self, station: StationId) {
        if let Some(running) = &mut self.workers[GATEWAY].running
            && let Some(session) = running.sessions.get_mut(&station)
        {
            session.disarm();
        }
    }

    fn receipt(&self, station: StationId, number: u64) -> Option<Receipt> {
        let bytes = outbox::note(&self.workers[GATEWAY].disk, &receipt_key(station, number))?;
        Some(serde_json::from_slice(&bytes).unwrap())
    }
}

/// Whether a device's own numbers and times go on.
fn in_order(last: Option<(u64, DateTime<Utc>)>, number: u64, at: DateTime<Utc>) -> bool {
    last.is_none_or(|(before, latest)| number == before + 1 && latest <= at)
}

fn receipt_key(station: StationId, number: u64) -> Vec<u8> {
    [
        format!("receipt {station} ").as_bytes(),
        &number.to_be_bytes(),
    ]
    .concat()
}
