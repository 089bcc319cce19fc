//! A worker's outbox on its disk, and how it sends. The bookkeeping is the real one.

use std::collections::BTreeMap;
use std::rc::Rc;

use bus::outbox::book::{self, Changes, Outcome, Shelf};
use chrono::{DateTime, Utc};
use facts::wire::{self, Read};
use facts::{Draft, Fact, FactId, SiteId, StationId};
use uuid::Uuid;

use crate::Breakage;
use crate::broker::{Answer, Message};
use crate::dice::Dice;
use crate::disk::{Batch, Disk, Full};

/// Facts taken out at a time.
const TAKEN: usize = 8;

const WAITS: u8 = b'w';
const SENT: u8 = b's';
const REFUSED: u8 = b'x';
const NOTE: u8 = b'k';

/// Makes ids that rise, from the seed.
#[derive(Debug)]
pub(crate) struct Ids {
    dice: Dice,
    last: (i64, u16),
}

impl Ids {
    pub(crate) const fn new(seed: u64) -> Self {
        Self {
            dice: Dice::new(seed ^ 0x1d5),
            last: (0, 0),
        }
    }

    fn next(&mut self, now: DateTime<Utc>) -> FactId {
        let ms = now.timestamp_millis();
        let count = if self.last.0 == ms {
            self.last.1 + 1
        } else {
            0
        };
        self.last = (ms, count);
        let version = u128::from(0x7000 | (count & 0xfff)) << 64;
        let high = (u128::from(ms.unsigned_abs()) << 80) | version;
        let low = (self.dice.any() >> 2) | (1 << 63);
        FactId::from_uuid(Uuid::from_u128(high | u128::from(low)))
    }
}

/// What a running worker knows of its outbox beside what lies on the disk.
#[derive(Debug)]
pub(crate) struct Outbox {
    site: SiteId,
    /// The position of the next fact.
    next: u64,
    /// Facts up to here are safe: only they may be sent, else a power cut could give a
    /// number twice.
    on_disk: u64,
}

impl Outbox {
    pub(crate) fn open(disk: &Disk, site: SiteId, breakage: Breakage) -> Self {
        try_refused(disk);
        if breakage != Breakage::OpensUnsynced {
            disk.sync();
        }
        let last = book::standing(disk).unwrap().last;
        Self {
            site,
            next: last + 1,
            on_disk: last,
        }
    }

    /// Writes facts and notes in one batch. They count only once [`Outbox::synced`].
    pub(crate) fn write(
        &mut self,
        disk: &Disk,
        ids: &mut Ids,
        station: StationId,
        drafts: Vec<Draft>,
        now: DateTime<Utc>,
        notes: impl FnOnce(&[Fact]) -> Batch,
    ) -> Result<Vec<Fact>, Full> {
        let whose = (self.site, station);
        let numbered = book::number(disk, (self.next, || ids.next(now)), whose, drafts, now);
        let (facts, mut changes) = numbered.unwrap();
        for (name, value) in notes(&facts) {
            changes.0.push((note_key(&name), value));
        }
        disk.apply(changes)?;
        self.next += facts.len() as u64;
        Ok(facts)
    }

    /// Where the facts lie that were written last.
    pub(crate) fn positions_of(&self, facts: &[Fact]) -> std::ops::Range<u64> {
        self.next - facts.len() as u64..self.next
    }

    /// What was written is safe now.
    pub(crate) fn synced(&mut self, disk: &Disk) {
        disk.sync();
        self.on_disk = self.next - 1;
    }

    /// The oldest facts that may be sent.
    pub(crate) fn oldest(&self, disk: &Disk, breakage: Breakage) -> Vec<(u64, Rc<Message>)> {
        let until = match breakage {
            Breakage::SendsBeforeSync => u64::MAX,
            _ => self.on_disk,
        };
        let oldest = book::oldest(disk, until, TAKEN, &[]).unwrap();
        let message = |(position, line): (u64, Vec<u8>)| (position, Rc::new(message(&line)));
        oldest.into_iter().map(message).collect()
    }
}

/// What became of what was sent. Not synced: after a power cut a fact may be sent twice.
pub(crate) fn settle(disk: &Disk, outcomes: Vec<(u64, Outcome)>) {
    let (changes, _) = book::settle(disk, outcomes, 0).unwrap();
    let _ = disk.apply(changes); // a full disk: it is sent again
}

/// What was refused goes again: at a new start, on a new connection.
pub(crate) fn try_refused(disk: &Disk) {
    let (changes, _) = book::try_refused(disk).unwrap();
    let _ = disk.apply(changes);
}

/// Forgets a fact although nobody has it.
pub(crate) fn forget(disk: &Disk, position: u64) {
    for kind in [WAITS, SENT] {
        let _ = disk.apply(Changes(vec![(key(kind, position), None)]));
    }
}

/// Puts a station's facts after a number that were sent back among those that wait.
pub(crate) fn send_again(disk: &Disk, station: StationId, after: u64, breakage: Breakage) {
    let lost = |sent: &wire::Parcel| sent.station == station && sent.station_seq > after;
    let (changes, _) = book::send_again(disk, lost).unwrap();
    if disk.apply(changes).is_ok() && breakage != Breakage::SendsAgainUnsynced {
        disk.sync();
    }
}

/// Every fact still here, refused, sent or not, in the order of recording.
pub(crate) fn kept(disk: &Disk) -> Vec<Fact> {
    let lines = book::lines(disk).unwrap();
    lines.iter().map(|(_, line)| read(line)).collect()
}

/// What waits at a position, as it goes over the wire.
pub(crate) fn message_at(disk: &Disk, position: u64) -> Option<Message> {
    Some(message(&disk.get(&key(WAITS, position)).unwrap()?))
}

/// Whether what lies at a position would be there if the power failed now.
pub(crate) fn is_safe(disk: &Disk, position: u64) -> bool {
    let kinds = [WAITS, SENT, REFUSED];
    kinds.iter().any(|kind| disk.is_safe(&key(*kind, position)))
}

/// How many facts wait.
pub(crate) fn waiting(disk: &Disk) -> usize {
    book::standing(disk).unwrap().waiting
}

/// The facts that the broker refused.
pub(crate) fn parked(disk: &Disk) -> Vec<Fact> {
    let refused = book::refused(disk).unwrap();
    let fact = |refused: &book::Refused| {
        assert!(!refused.reason.is_empty(), "refused without a reason");
        read(refused.line.as_bytes())
    };
    refused.iter().map(fact).collect()
}

/// The last number given to a station.
pub(crate) fn last_number(disk: &Disk, station: StationId) -> u64 {
    book::last_number(disk, &station).unwrap()
}

/// What was kept under a key.
pub(crate) fn note(disk: &Disk, name: &[u8]) -> Option<Vec<u8>> {
    disk.get(&note_key(name)).unwrap()
}

/// What a worker has under way to the broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Sending {
    /// Nothing.
    Idle,
    /// A batch, all or nothing.
    Batch { token: u64, positions: Vec<u64> },
    /// One by one, after a batch that came to nothing.
    Each {
        token: u64,
        positions: Vec<u64>,
        answered: BTreeMap<usize, Outcome>,
    },
}

/// What an answer means for the outbox.
pub(crate) enum Heard {
    /// Not ours any more.
    Late,
    /// Wait for the others.
    More,
    /// What became of each.
    All(Vec<(u64, Outcome)>),
    /// The batch came to nothing: send one by one.
    OneByOne(Vec<u64>),
}

impl Sending {
    /// Takes the broker's answer to message `at` of what was sent under `token`.
    pub(crate) fn hear(&mut self, token: u64, at: usize, answer: &Answer) -> Heard {
        match self {
            Self::Batch {
                token: ours,
                positions,
            } if *ours == token => {
                let positions = std::mem::take(positions);
                *self = Self::Idle;
                match answer {
                    Answer::Batch { count, .. } if *count == positions.len() => {
                        let stored = positions.into_iter().map(|at| (at, Outcome::Stored));
                        Heard::All(stored.collect())
                    }
                    _ => Heard::OneByOne(positions),
                }
            }
            Self::Each {
                token: ours,
                positions,
                answered,
            } if *ours == token => {
                let outcome = match answer {
                    Answer::Refused(refusal) => Outcome::Refused(format!("{refusal:?}")),
                    _ => Outcome::Stored,
                };
                answered.insert(at, outcome);
                if answered.len() < positions.len() {
                    return Heard::More;
                }
                Heard::All(self.give_up())
            }
            _ => Heard::Late,
        }
    }

    /// Waits no longer: what became of each, as far as it is known.
    pub(crate) fn give_up(&mut self) -> Vec<(u64, Outcome)> {
        let Self::Each {
            positions,
            mut answered,
            ..
        } = std::mem::replace(self, Self::Idle)
        else {
            return Vec::new();
        };
        let each = positions.into_iter().enumerate().map(|(at, position)| {
            let outcome = answered.remove(&at);
            (
                position,
                outcome.unwrap_or_else(|| Outcome::Unknown("no answer".to_owned())),
            )
        });
        each.collect()
    }
}

fn message(line: &[u8]) -> Message {
    let parcel = book::parcel(line).unwrap();
    Message {
        subject: parcel.subject,
        id: parcel.id.to_string(),
        headers: parcel.headers,
        body: parcel.body,
    }
}

fn read(line: &[u8]) -> Fact {
    match wire::from_line(std::str::from_utf8(line).unwrap()).unwrap() {
        Read::Fact(fact) => fact,
        Read::UnknownType(unknown) => {
            panic!("{} lies in an outbox that never wrote it", unknown.ty)
        }
    }
}

fn key(kind: u8, position: u64) -> Vec<u8> {
    [&[kind], &position.to_be_bytes()[..]].concat()
}

fn note_key(name: &[u8]) -> Vec<u8> {
    [&[NOTE], name].concat()
}
