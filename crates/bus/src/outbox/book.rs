//! The outbox's bookkeeping: numbers, what waits, what was sent, what was refused, and what an
//! outcome does to them. Pure functions over a [`Shelf`], so that a trial can drive the very
//! same without a disk, a broker or a clock.
//!
//! Kinds of keys: `n<station>` the last number given; `w<position>` a fact that waits;
//! `s<position>` a fact that was sent and is kept for a while in case the broker loses it;
//! `x<position>` a fact that was refused, and `r<position>` why; `k<key>` what a worker keeps
//! together with its facts; `f<station>` a station whose last number only the log can say. A
//! fact's value is one line of JSON. Positions rise with numbers.

mod numbers;

use std::collections::{BTreeMap, HashSet};
use std::sync::{Mutex, PoisonError};

use facts::{FactId, StationId, wire};

use crate::streams::FLOOR_LARGEST;
pub use numbers::{
    NotNumbered, after_damage, continue_after, fresh, last_number, number, number_after,
};

/// Facts kept after they were sent: days of one station's work.
pub const KEPT: usize = 20_000;

/// Largest fact: leaves room for headers.
const LARGEST: usize = FLOOR_LARGEST - 16 * 1024;

const NUMBER: u8 = b'n';
const WAITS: u8 = b'w';
const SENT: u8 = b's';
const REFUSED: u8 = b'x';
const REASON: u8 = b'r';
const NOTE: u8 = b'k';
/// A station whose numbers may have been given before, which only the log can say.
const FRESH: u8 = b'f';

/// A key and its value.
pub type Entry = (Vec<u8>, Vec<u8>);

/// Where the book is kept: keys in order, and changes that happen all or not at all.
pub trait Shelf {
    /// What can go wrong there.
    type Error;

    /// A key's value.
    ///
    /// # Errors
    /// The shelf's own.
    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>, Self::Error>;

    /// Keys from one to another, both included, in order.
    fn scan(&self, from: Vec<u8>, to: Vec<u8>) -> impl Iterator<Item = Result<Entry, Self::Error>>;

    /// Makes changes: all of them or none, also when power fails.
    ///
    /// # Errors
    /// The shelf's own.
    fn apply(&self, changes: Changes) -> Result<(), Self::Error>;
}

/// Values to set, and keys to forget.
#[derive(Debug, Default, Clone, PartialEq, Eq)]
pub struct Changes(pub Vec<(Vec<u8>, Option<Vec<u8>>)>);

impl Changes {
    fn set(&mut self, key: impl Into<Vec<u8>>, value: impl Into<Vec<u8>>) {
        self.0.push((key.into(), Some(value.into())));
    }

    fn forget(&mut self, key: impl Into<Vec<u8>>) {
        self.0.push((key.into(), None));
    }
}

/// A shelf that is gone with the process: for trials.
#[derive(Debug, Default)]
pub struct Memory(Mutex<BTreeMap<Vec<u8>, Vec<u8>>>);

impl Memory {
    /// One that holds these.
    #[must_use]
    pub fn holding(entries: Vec<Entry>) -> Self {
        Self(Mutex::new(entries.into_iter().collect()))
    }
}

impl Shelf for Memory {
    type Error = std::convert::Infallible;

    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>, Self::Error> {
        let all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        Ok(all.get(key).cloned())
    }

    fn scan(&self, from: Vec<u8>, to: Vec<u8>) -> impl Iterator<Item = Result<Entry, Self::Error>> {
        let all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        let found = all
            .range(from..=to)
            .map(|(k, v)| Ok((k.clone(), v.clone())));
        found.collect::<Vec<_>>().into_iter()
    }

    fn apply(&self, changes: Changes) -> Result<(), Self::Error> {
        let mut all = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        for (key, value) in changes.0 {
            match value {
                Some(value) => all.insert(key, value),
                None => all.remove(&key),
            };
        }
        Ok(())
    }
}

/// How the book stands.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Standing {
    /// Facts that wait.
    pub waiting: usize,
    /// Facts that were sent and are kept.
    pub sent: usize,
    /// Facts that were refused.
    pub refused: usize,
    /// The last position given.
    pub last: u64,
}

/// How a book stands.
///
/// # Errors
/// The shelf's own.
pub fn standing<S: Shelf>(shelf: &S) -> Result<Standing, S::Error> {
    let mut standing = Standing::default();
    for (kind, count) in [
        (WAITS, &mut standing.waiting),
        (SENT, &mut standing.sent),
        (REFUSED, &mut standing.refused),
    ] {
        for entry in whole(shelf, kind) {
            *count += 1;
            standing.last = standing.last.max(position(&entry?.0));
        }
    }
    Ok(standing)
}

/// What an earlier version of this program recorded beside this book, and what was not taken over
/// yet: it waits here. Its numbers may have been given here too, so the log is to be asked: see
/// [`after_damage`].
///
/// # Errors
/// The shelf's own.
pub(super) fn take_over<S: Shelf>(shelf: &S, earlier: Vec<Entry>) -> Result<Changes, S::Error> {
    let mut changes = Changes::default();
    if earlier.is_empty() {
        return Ok(changes);
    }
    let mut there = HashSet::new();
    for (_, line) in lines(shelf)? {
        there.extend(parcel(&line).map(|parcel| parcel.id));
    }
    let mut last = standing(shelf)?.last;
    for (key, line) in earlier {
        if !matches!(key.first(), Some(&(WAITS | REFUSED))) {
            continue;
        }
        if let Ok(parcel) = parcel(&line)
            && there.insert(parcel.id)
        {
            last += 1;
            changes.set(key_of(WAITS, last), line);
        }
    }
    Ok(changes)
}

/// Everything that lies there.
///
/// # Errors
/// The shelf's own.
pub(super) fn looked<S: Shelf>(shelf: &S) -> Result<super::Looked, S::Error> {
    let lines = |kind| -> Result<Vec<String>, S::Error> {
        let all = whole(shelf, kind).map(|entry| {
            let (_, line) = entry?;
            Ok(String::from_utf8_lossy(&line).into_owned())
        });
        all.collect()
    };
    Ok(super::Looked {
        waiting: lines(WAITS)?,
        sent: lines(SENT)?,
        refused: refused(shelf)?,
        damaged: 0,
    })
}

/// The oldest facts that wait, at positions up to `until`, of stations that are not `held` back:
/// each with its position.
///
/// # Errors
/// The shelf's own.
pub fn oldest<S: Shelf>(
    shelf: &S,
    until: u64,
    most: usize,
    held: &[StationId],
) -> Result<Vec<(u64, Vec<u8>)>, S::Error> {
    let mut taken = Vec::new();
    for entry in shelf.scan(key_of(WAITS, 0), key_of(WAITS, until)) {
        let (key, line) = entry?;
        let holds = |parcel: wire::Parcel| held.contains(&parcel.station);
        if !held.is_empty() && parcel(&line).is_ok_and(holds) {
            continue;
        }
        taken.push((position(&key), line));
        if taken.len() >= most {
            break;
        }
    }
    Ok(taken)
}

/// What became of a message.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Outcome {
    /// The broker has it.
    Stored,
    /// The broker does not want this one, whatever happens to others, and why.
    Refused(String),
    /// Not known: it goes again, with the same id.
    Unknown(String),
}

/// What outcomes did.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct Settled {
    /// Facts that no longer wait: the broker has them.
    pub sent: usize,
    /// Facts that no longer wait: the broker refused them.
    pub refused: usize,
    /// Sent facts that are no longer kept.
    pub forgotten: usize,
}

/// The changes that outcomes make: what is stored is kept for a while, what is refused is set
/// aside with its reason so that nothing behind it waits, what is unknown goes on waiting.
///
/// # Errors
/// The shelf's own.
pub fn settle<S: Shelf>(
    shelf: &S,
    outcomes: impl IntoIterator<Item = (u64, Outcome)>,
    sent_before: usize,
) -> Result<(Changes, Settled), S::Error> {
    let (mut changes, mut settled) = (Changes::default(), Settled::default());
    for (position, outcome) in outcomes {
        let waits = key_of(WAITS, position);
        if matches!(outcome, Outcome::Unknown(_)) {
            continue;
        }
        let Some(line) = shelf.get(&waits)? else {
            continue;
        };
        changes.forget(waits);
        match outcome {
            Outcome::Refused(reason) => {
                changes.set(key_of(REFUSED, position), line);
                changes.set(key_of(REASON, position), reason);
                settled.refused += 1;
            }
            Outcome::Stored | Outcome::Unknown(_) => {
                changes.set(key_of(SENT, position), line);
                settled.sent += 1;
            }
        }
    }
    let too_many = (sent_before + settled.sent).saturating_sub(KEPT);
    if too_many > 0 {
        for entry in whole(shelf, SENT).take(too_many) {
            changes.forget(entry?.0);
            settled.forgotten += 1;
        }
    }
    Ok((changes, settled))
}

/// Lets everything that was refused wait again: the reason may be gone.
///
/// # Errors
/// The shelf's own.
pub fn try_refused<S: Shelf>(shelf: &S) -> Result<(Changes, usize), S::Error> {
    let (mut changes, mut again) = (Changes::default(), 0);
    for entry in whole(shelf, REFUSED) {
        let (key, line) = entry?;
        let position = position(&key);
        changes.set(key_of(WAITS, position), line);
        changes.forget(key_of(REASON, position));
        changes.forget(key);
        again += 1;
    }
    Ok((changes, again))
}

/// A fact that the broker refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Refused {
    /// The fact, one line of JSON.
    pub line: String,
    /// The station that stated it, where the line says so.
    pub station: Option<StationId>,
    /// Why it was refused.
    pub reason: String,
}

/// Everything that was refused, the oldest first.
///
/// # Errors
/// The shelf's own.
pub fn refused<S: Shelf>(shelf: &S) -> Result<Vec<Refused>, S::Error> {
    let each = whole(shelf, REFUSED).map(|entry| {
        let (key, line) = entry?;
        let reason = shelf
            .get(&key_of(REASON, position(&key)))?
            .unwrap_or_default();
        let line = String::from_utf8_lossy(&line).into_owned();
        Ok(Refused {
            station: wire::parcel(&line).ok().map(|parcel| parcel.station),
            line,
            reason: String::from_utf8_lossy(&reason).into_owned(),
        })
    });
    each.collect()
}

/// Puts facts that were sent, and are still kept, back among those that wait: those of which
/// `lost` says that the broker does not have them.
///
/// # Errors
/// The shelf's own.
pub fn send_again<S: Shelf>(
    shelf: &S,
    lost: impl Fn(&wire::Parcel) -> bool,
) -> Result<(Changes, usize), S::Error> {
    let (mut changes, mut again) = (Changes::default(), 0);
    for entry in whole(shelf, SENT) {
        let (key, line) = entry?;
        if parcel(&line).is_ok_and(|parcel| lost(&parcel)) {
            changes.set(key_of(WAITS, position(&key)), line);
            changes.forget(key);
            again += 1;
        }
    }
    Ok((changes, again))
}

/// The facts that were sent and are still kept, in the order of recording, by the subjects that
/// have those of the same station: `floor.<site>.*.*.<station>`, in the letter case in which
/// they were sent.
///
/// # Errors
/// The shelf's own.
pub fn sent<S: Shelf>(shelf: &S) -> Result<BTreeMap<String, Vec<FactId>>, S::Error> {
    let mut all: BTreeMap<String, Vec<FactId>> = BTreeMap::new();
    for entry in whole(shelf, SENT) {
        let Ok(parcel) = parcel(&entry?.1) else {
            continue;
        };
        if let [floor, site, _, _, station] = *parcel.subject.split('.').collect::<Vec<_>>() {
            let subjects = format!("{floor}.{site}.*.*.{station}");
            all.entry(subjects).or_default().push(parcel.id);
        }
    }
    Ok(all)
}

/// Every line still here, refused, sent or not, in the order of recording, and whether it was
/// sent.
///
/// # Errors
/// The shelf's own.
pub fn lines<S: Shelf>(shelf: &S) -> Result<Vec<(bool, Vec<u8>)>, S::Error> {
    let mut all = BTreeMap::new();
    for kind in [SENT, REFUSED, WAITS] {
        for entry in whole(shelf, kind) {
            let (key, line) = entry?;
            all.insert(position(&key), (kind == SENT, line));
        }
    }
    Ok(all.into_values().collect())
}

/// A line as it goes to the broker.
///
/// # Errors
/// Why it cannot go, in words.
pub fn parcel(line: &[u8]) -> Result<wire::Parcel, String> {
    let text = std::str::from_utf8(line).map_err(|error| error.to_string())?;
    wire::parcel(text).map_err(|error| error.to_string())
}

/// Changes that keep notes, or forget them.
pub(super) fn keep_notes(changes: &mut Changes, notes: Vec<(Vec<u8>, Option<Vec<u8>>)>) {
    for (key, value) in notes {
        changes.0.push((note_key(&key), value));
    }
}

pub(super) fn note_key(key: &[u8]) -> Vec<u8> {
    [&[NOTE], key].concat()
}

fn whole<S: Shelf>(
    shelf: &S,
    kind: u8,
) -> impl Iterator<Item = Result<Entry, S::Error>> + use<'_, S> {
    shelf.scan(key_of(kind, 0), key_of(kind, u64::MAX))
}

/// The key of a fact: its kind and its position, so that facts lie in order.
fn key_of(kind: u8, position: u64) -> Vec<u8> {
    let mut key = vec![kind];
    key.extend(position.to_be_bytes());
    key
}

fn position(key: &[u8]) -> u64 {
    key.get(1..).and_then(big_endian).unwrap_or(0)
}

/// Where a station's last number is. A station whose code is written in another case than
/// before is the same station, and goes on counting.
fn number_key<S: Shelf>(shelf: &S, station: &StationId) -> Result<Vec<u8>, S::Error> {
    let key = [&[NUMBER], station.as_str().as_bytes()].concat();
    if shelf.get(&key)?.is_none() {
        for kept in whole(shelf, NUMBER) {
            let (kept, _) = kept?;
            if kept.eq_ignore_ascii_case(&key) {
                return Ok(kept);
            }
        }
    }
    Ok(key)
}

fn fresh_key(station: &StationId) -> Vec<u8> {
    [&[FRESH], station.as_str().as_bytes()].concat()
}

fn big_endian(bytes: &[u8]) -> Option<u64> {
    bytes.try_into().ok().map(u64::from_be_bytes)
}

#[cfg(test)]
mod tests;
