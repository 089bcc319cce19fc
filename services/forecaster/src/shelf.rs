//! What lies in the store, and what is about to: both are read as one, and written with the
//! position that they stand for.

use std::ops::Bound;
use std::sync::Arc;

use bus::Position;
use facts::stored::borsh::{self, BorshSerialize};
use facts::wire::{self, Read};
use facts::{BatchId, Fact, FactId, RoomId, WheelId};
use projection::{Record, Records, Store, StoreError, Unwritten};

/// The number of the layout: raised when what is stored would be read or worked out
/// differently, or when another type of fact is kept. The log is then read again.
/// `layout.rs` fails when a record changes without it.
pub(crate) const FORMAT: u32 = 1;

/// A key of the store: a letter for the kind, then what it is about. Codes are the same in any
/// case and have no '/'.
pub(crate) mod key {
    use super::{BatchId, FactId, RoomId, WheelId};

    /// Habits as they were learnt for a day.
    pub(crate) const HABITS: &[u8] = b"habits";
    /// What the site's file says that folded records go by.
    pub(crate) const STAMP: &[u8] = b"stamp";
    /// When the newest facts were recorded.
    pub(crate) const NEWEST: &[u8] = b"newest";
    /// What is known of each batch in short.
    pub(crate) const LINES: &[u8] = b"l/";
    /// Batches to be gathered again.
    pub(crate) const STIRRED: &[u8] = b"d/";
    /// Each room's hours, a week a record.
    pub(crate) const HOURS: &[u8] = b"h/";
    /// Weeks of a room's air to be looked at again.
    pub(crate) const STIRRED_AIR: &[u8] = b"y/";
    /// Facts that wait to count.
    pub(crate) const WAITING: &[u8] = b"q/";

    fn coded(kind: &[u8], code: &str) -> Vec<u8> {
        [kind, code.to_ascii_uppercase().as_bytes()].concat()
    }

    fn named(kind: &[u8], fact: FactId) -> Vec<u8> {
        [kind, fact.uuid().as_bytes()].concat()
    }

    /// A fact, as its line.
    pub(crate) fn fact(id: FactId) -> Vec<u8> {
        named(b"f/", id)
    }

    pub(crate) fn waiting(id: FactId) -> Vec<u8> {
        named(WAITING, id)
    }

    /// Facts of a batch; a fact's id follows.
    pub(crate) fn facts_of(batch: BatchId) -> Vec<u8> {
        [coded(b"b/", batch.as_str()).as_slice(), b"/"].concat()
    }

    /// The batches that a wheel was said to be portioned into.
    pub(crate) fn wheel(wheel: WheelId) -> Vec<u8> {
        coded(b"w/", wheel.as_str())
    }

    /// Facts of a wheel that nobody portioned yet; a fact's id follows.
    pub(crate) fn unborn(wheel: WheelId) -> Vec<u8> {
        [coded(b"u/", wheel.as_str()).as_slice(), b"/"].concat()
    }

    /// What takes facts back: the one's id, then the other's.
    pub(crate) const VOIDS: &[u8] = b"t/";

    pub(crate) fn voids(id: FactId) -> Vec<u8> {
        named(VOIDS, id)
    }

    /// Readings of a week; a fact's id follows.
    pub(crate) fn readings(room: RoomId, week: u32) -> Vec<u8> {
        weekly(b"a/", room, week)
    }

    /// What takes readings of a week back; a fact's id follows.
    pub(crate) fn air_voids(room: RoomId, week: u32) -> Vec<u8> {
        weekly(b"x/", room, week)
    }

    pub(crate) fn hours(room: RoomId, week: u32) -> Vec<u8> {
        weekly(HOURS, room, week)
    }

    pub(crate) fn stirred_air(room: RoomId, week: u32) -> Vec<u8> {
        weekly(STIRRED_AIR, room, week)
    }

    fn weekly(kind: &[u8], room: RoomId, week: u32) -> Vec<u8> {
        let room = coded(kind, room.as_str());
        [room.as_slice(), b"/", &week.to_be_bytes()].concat()
    }

    pub(crate) fn line(batch: BatchId) -> Vec<u8> {
        coded(LINES, batch.as_str())
    }

    pub(crate) fn stirred(batch: BatchId) -> Vec<u8> {
        coded(STIRRED, batch.as_str())
    }

    /// The forecast of a batch that was last told, as its fact's line.
    pub(crate) fn told(batch: BatchId) -> Vec<u8> {
        coded(b"s/", batch.as_str())
    }

    /// A key under a longer one.
    pub(crate) fn under(prefix: &[u8], id: FactId) -> Vec<u8> {
        named(prefix, id)
    }
}

/// An instant to the nanosecond: facts are held against a day's beginning.
pub(crate) mod exact {
    use std::io::{Error, ErrorKind, Read, Result, Write};

    use chrono::{DateTime, Utc};
    use facts::stored::borsh::{BorshDeserialize, BorshSerialize};

    pub(crate) fn write<W: Write>(at: &DateTime<Utc>, to: &mut W) -> Result<()> {
        let outside = || Error::new(ErrorKind::InvalidData, "an instant outside the calendar");
        let nanos = at.timestamp_nanos_opt().ok_or_else(outside)?;
        nanos.serialize(to)
    }

    pub(crate) fn read<R: Read>(from: &mut R) -> Result<DateTime<Utc>> {
        i64::deserialize_reader(from).map(DateTime::from_timestamp_nanos)
    }
}

/// A store with what has changed since it was last written.
pub(crate) struct Shelf {
    store: Arc<Store>,
    changed: Unwritten,
}

impl Records for Shelf {
    type Error = StoreError;

    fn bytes(&self, key: &[u8]) -> Result<Option<Vec<u8>>, StoreError> {
        self.changed.bytes(&self.store, key)
    }

    fn from(&self, from: Bound<&[u8]>) -> impl Iterator<Item = Result<Record, StoreError>> {
        self.changed.from(&self.store, from)
    }

    fn unreadable(&self, key: &[u8], why: &str) -> StoreError {
        self.store.unreadable(key, why)
    }
}

impl Shelf {
    pub(crate) fn new(store: Arc<Store>) -> Self {
        Self {
            store,
            changed: Unwritten::default(),
        }
    }

    pub(crate) const fn store(&self) -> &Arc<Store> {
        &self.store
    }

    pub(crate) fn has(&self, key: &[u8]) -> Result<bool, StoreError> {
        Ok(self.bytes(key)?.is_some())
    }

    pub(crate) fn put(
        &mut self,
        key: Vec<u8>,
        value: &impl BorshSerialize,
    ) -> Result<(), StoreError> {
        self.changed.put(key, value)
    }

    pub(crate) fn remove(&mut self, key: Vec<u8>) {
        self.changed.remove(key);
    }

    /// The names of facts under a key.
    pub(crate) fn ids(&self, prefix: &[u8]) -> Result<Vec<FactId>, StoreError> {
        let mut ids = Vec::new();
        self.each(prefix, |rest, ()| {
            ids.push(id(rest)?);
            Ok(())
        })?;
        Ok(ids)
    }

    /// A fact that is kept as its line.
    pub(crate) fn fact(&self, id: FactId) -> Result<Option<Fact>, StoreError> {
        let key = key::fact(id);
        let line: Option<String> = self.get(&key)?;
        line.map(|line| read(&line).map_err(|why| self.unreadable(&key, &why)))
            .transpose()
    }

    /// Every fact of a batch, voided ones and their voidings among them.
    pub(crate) fn facts_of(&self, batch: BatchId) -> Result<Vec<Fact>, StoreError> {
        let ids = self.ids(&key::facts_of(batch))?;
        let facts = ids.into_iter().map(|id| self.fact(id).transpose());
        facts.flatten().collect()
    }

    /// Writes what has changed. What cannot be written is lost: the log has it.
    pub(crate) fn write(&mut self, position: Option<&Position>) -> Result<(), StoreError> {
        self.changed.write(&self.store, position)
    }
}

/// A fact's id at the end of a key.
pub(crate) fn id(rest: &[u8]) -> Result<FactId, String> {
    borsh::from_slice(rest).map_err(|why| why.to_string())
}

/// A fact as it is kept.
pub(crate) fn line(fact: &Fact) -> Result<String, StoreError> {
    wire::to_line(fact).map_err(|why| StoreError::Encoding(why.into()))
}

/// A kept fact.
pub(crate) fn read(line: &str) -> Result<Fact, String> {
    match wire::from_line(line) {
        Ok(Read::Fact(fact)) => Ok(fact),
        Ok(_) => Err("a fact of a type that is not known here".to_owned()),
        Err(why) => Err(why.to_string()),
    }
}
