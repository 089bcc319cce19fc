//! A worker's outbox on its disk, and how it sends.

use std::collections::BTreeMap;
use std::rc::Rc;

use chrono::{DateTime, Utc};
use facts::wire::{self, Read};
use facts::{Draft, Fact, FactId, SiteId, StationId, ordered};
use uuid::Uuid;

use crate::Breakage;
use crate::broker::{Answer, Message, Refusal};
use crate::dice::Dice;
use crate::disk::{Batch, Disk, Full};

/// Facts taken out at a time.
const TAKEN: usize = 8;

const NUMBER: u8 = b'n';
const WAITS: u8 = b'w';
const SENT: u8 = b's';
const PARKED: u8 = b'p';
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

    pub(crate) fn next(&mut self, now: DateTime<Utc>) -> FactId {
        let ms = now.timestamp_millis();
        self.last = if self.last.0 == ms {
            (ms, self.last.1 + 1)
        } else {
            (ms, 0)
        };
        let high = (u128::from(ms.unsigned_abs()) << 80)
            | (7 << 76)
            | (u128::from(self.last.1 & 0xfff) << 64);
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
    pub(crate) fn open(disk: &Disk, site: SiteId) -> Self {
        let kinds = [WAITS, SENT, PARKED];
        let last = kinds
            .iter()
            .filter_map(|kind| disk.under(&[*kind]).next_back());
        let last = last.filter_map(|(key, _)| position(key)).max().unwrap_or(0);
        Self {
            site,
            next: last + 1,
            on_disk: last,
        }
    }

    /// Writes facts and notes in one batch. They count only once [`Outbox::synced`].
    pub(crate) fn write(
        &mut self,
        disk: &mut Disk,
        ids: &mut Ids,
        station: StationId,
        drafts: Vec<Draft>,
        now: DateTime<Utc>,
        notes: impl FnOnce(&[Fact]) -> Batch,
    ) -> Result<Vec<Fact>, Full> {
        let mut number = disk.get(&number_key(station)).map_or(0, big_endian);
        let mut batch = Batch::new();
        let mut facts = Vec::with_capacity(drafts.len());
        let mut position = self.next;
        for draft in drafts {
            number += 1;
            let (occurred_at, claimed_at) = ordered(draft.occurred_at, now);
            let fact = Fact {
                id: ids.next(now),
                site: self.site,
                station,
                station_seq: number,
                person: draft.person,
                occurred_at,
                claimed_at,
                recorded_at: now,
                event: draft.event,
            };
            let line = wire::to_line(&fact).unwrap();
            batch.push((key(WAITS, position), Some(line.into_bytes())));
            position += 1;
            facts.push(fact);
        }
        if !facts.is_empty() {
            batch.push((number_key(station), Some(number.to_be_bytes().to_vec())));
        }
        let noted =
            |(name, value): (Vec<u8>, Option<Vec<u8>>)| ([&[NOTE], &name[..]].concat(), value);
        batch.extend(notes(&facts).into_iter().map(noted));
        disk.apply(batch)?;
        self.next = position;
        Ok(facts)
    }

    /// Where the facts lie that were written last.
    pub(crate) fn positions_of(&self, facts: &[Fact]) -> std::ops::Range<u64> {
        self.next - facts.len() as u64..self.next
    }

    /// What was written is safe now.
    pub(crate) fn synced(&mut self, disk: &mut Disk) {
        disk.sync();
        self.on_disk = self.next - 1;
    }

    /// The oldest facts that may be sent.
    pub(crate) fn oldest(&self, disk: &Disk, breakage: Breakage) -> Vec<(u64, Rc<Message>)> {
        let may = |position: u64| position <= self.on_disk || breakage == Breakage::SendsBeforeSync;
        let waits = disk
            .under(&[WAITS])
            .map(|(key, line)| (position(key).unwrap(), line));
        waits
            .filter(|(at, _)| may(*at))
            .take(TAKEN)
            .map(|(at, line)| (at, Rc::new(Message::of(&read(line)))))
            .collect()
    }

    /// The broker has these. Not synced: after a power cut a fact may be sent twice.
    pub(crate) fn sent(&self, disk: &mut Disk, positions: impl Iterator<Item = u64>) {
        let mut batch = Batch::new();
        for position in positions {
            if let Some(line) = disk.get(&key(WAITS, position)) {
                batch.push((key(SENT, position), Some(line.to_vec())));
                batch.push((key(WAITS, position), None));
            }
        }
        let _ = disk.apply(batch); // a full disk: it is sent again
    }

    /// The broker will never have this one: it is kept apart with the reason.
    pub(crate) fn park(&self, disk: &mut Disk, position: u64, reason: Refusal) {
        if let Some(line) = disk.get(&key(WAITS, position)) {
            let parked = [format!("{reason:?}\n").as_bytes(), line].concat();
            let _ = disk.apply(vec![
                (key(PARKED, position), Some(parked)),
                (key(WAITS, position), None),
            ]);
        }
    }

    /// Forgets a fact although nobody has it.
    pub(crate) fn forget(&self, disk: &mut Disk, position: u64) {
        let _ = disk.apply(vec![(key(WAITS, position), None)]);
    }
}

/// Puts a station's facts after a number that were sent back among those that wait.
pub(crate) fn send_again(disk: &mut Disk, station: StationId, after: u64) {
    let mut batch = Batch::new();
    for (sent, line) in disk.under(&[SENT]) {
        let fact = read(line);
        if fact.station == station && fact.station_seq > after {
            batch.push((key(WAITS, position(sent).unwrap()), Some(line.to_vec())));
            batch.push((sent.to_vec(), None));
        }
    }
    let _ = disk.apply(batch);
}

/// Every fact still here, refused, sent or not.
pub(crate) fn kept(disk: &Disk) -> Vec<Fact> {
    let lie = |kind: u8| {
        disk.under(&[kind])
            .map(|(_, line)| read(line))
            .collect::<Vec<_>>()
    };
    let refused = parked(disk).into_iter().map(|(fact, _)| fact);
    lie(SENT)
        .into_iter()
        .chain(lie(WAITS))
        .chain(refused)
        .collect()
}

/// What waits at a position, as it goes over the wire.
pub(crate) fn message_at(disk: &Disk, position: u64) -> Option<Message> {
    Some(Message::of(&read(disk.get(&key(WAITS, position))?)))
}

/// Whether something lies at a position.
pub(crate) fn has(disk: &Disk, position: u64) -> bool {
    let kinds = [WAITS, SENT, PARKED];
    kinds
        .iter()
        .any(|kind| disk.get(&key(*kind, position)).is_some())
}

/// How many facts wait.
pub(crate) fn waiting(disk: &Disk) -> usize {
    disk.under(&[WAITS]).count()
}

/// The facts that the broker refused, with the reasons.
pub(crate) fn parked(disk: &Disk) -> Vec<(Fact, String)> {
    let split = |value: &[u8]| {
        let text = std::str::from_utf8(value).unwrap();
        let (reason, line) = text.split_once('\n').unwrap();
        (read(line.as_bytes()), reason.to_owned())
    };
    disk.under(&[PARKED])
        .map(|(_, value)| split(value))
        .collect()
}

/// The last number given to a station.
pub(crate) fn last_number(disk: &Disk, station: StationId) -> u64 {
    disk.get(&number_key(station)).map_or(0, big_endian)
}

/// What was kept under a key.
pub(crate) fn note<'d>(disk: &'d Disk, name: &[u8]) -> Option<&'d [u8]> {
    disk.get(&[&[NOTE], name].concat())
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
        answered: BTreeMap<usize, Option<Refusal>>,
    },
}

/// What an answer means for the outbox.
pub(crate) enum Heard {
    /// Not ours any more.
    Late,
    /// Wait for the others.
    More,
    /// All of them have their answer.
    All(Vec<(u64, Option<Refusal>)>),
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
                        Heard::All(positions.into_iter().map(|at| (at, None)).collect())
                    }
                    _ => Heard::OneByOne(positions),
                }
            }
            Self::Each {
                token: ours,
                positions,
                answered,
            } if *ours == token => {
                let refusal = match answer {
                    Answer::Refused(refusal) => Some(*refusal),
                    _ => None,
                };
                answered.insert(at, refusal);
                if answered.len() < positions.len() {
                    return Heard::More;
                }
                let positions = std::mem::take(positions).into_iter();
                let answers = std::mem::take(answered).into_values();
                *self = Self::Idle;
                Heard::All(positions.zip(answers).collect())
            }
            _ => Heard::Late,
        }
    }
}

fn read(line: &[u8]) -> Fact {
    match wire::from_line(std::str::from_utf8(line).unwrap()).unwrap() {
        Read::Fact(fact) => fact,
        Read::UnknownType(ty) => panic!("{ty} lies in an outbox that never wrote it"),
    }
}

pub(crate) fn key(kind: u8, position: u64) -> Vec<u8> {
    [&[kind], &position.to_be_bytes()[..]].concat()
}

fn position(key: &[u8]) -> Option<u64> {
    Some(big_endian(key.get(1..)?))
}

fn number_key(station: StationId) -> Vec<u8> {
    [&[NUMBER], station.as_str().as_bytes()].concat()
}

fn big_endian(bytes: &[u8]) -> u64 {
    bytes.try_into().map_or(0, u64::from_be_bytes)
}
