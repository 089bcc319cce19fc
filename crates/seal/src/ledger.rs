//! The ledger: one line for every record, kept apart from the log.
//!
//! `<number> <sequence> <fact> <leaf>`: the record's place in the site's chain from 1, the
//! broker's own number for it (0 where there is none), the fact's name (`-` where it names
//! none) and the leaf.

use std::fmt;

use facts::{FactId, SiteId};

use crate::chain::{Head, Leaf};
use crate::record;

/// One record, as the ledger has it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Entry {
    /// The broker's number; 0 where there is none.
    pub seq: u64,
    /// The fact's name, where the record names one.
    pub id: Option<FactId>,
    /// What stands for the record.
    pub leaf: Leaf,
}

impl Entry {
    /// The entry of a record line.
    #[must_use]
    pub fn of(line: &[u8], seq: u64) -> Self {
        Self {
            seq,
            id: record::id_of(line),
            leaf: Leaf::of(line),
        }
    }

    /// A few bytes of what the record goes by: enough to look it up again.
    pub(crate) fn tail(&self) -> u64 {
        let name = self.name();
        let half = if self.id.is_some() {
            &name[8..16]
        } else {
            &name[..8]
        };
        half.iter()
            .fold(0, |tail, byte| tail << 8 | u64::from(*byte))
    }

    /// What the record goes by: its fact's name, or itself.
    #[must_use]
    pub fn name(&self) -> [u8; 32] {
        match self.id {
            Some(id) => {
                let mut name = [0; 32];
                name[..16].copy_from_slice(id.uuid().as_bytes());
                name
            }
            None => self.leaf.0,
        }
    }
}

/// A line that is no entry.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "line {line} of the ledger cannot be read: it should be \"<number> <sequence> <fact> <leaf>\""
)]
pub struct BadLedger {
    /// The line, from 1.
    pub line: u64,
}

impl Entry {
    /// The entry's line in the ledger, for its place in the chain.
    #[must_use]
    pub fn line(&self, number: u64) -> String {
        let id = self.id.map_or_else(|| "-".to_owned(), |id| id.to_string());
        format!("{number} {} {id} {}", self.seq, self.leaf)
    }

    /// Reads a line of the ledger: the record's place in the chain, and the entry.
    ///
    /// # Errors
    /// [`BadLedger`] when it is no such line; `at` is where it stands.
    pub fn read(line: &str, at: u64) -> Result<(u64, Self), BadLedger> {
        let read = || {
            let mut words = line.split(' ');
            let mut word = || words.next();
            let number = word()?.parse().ok().filter(|number| *number > 0)?;
            let seq = word()?.parse().ok()?;
            let id = match word()? {
                "-" => None,
                id => Some(id.parse().ok()?),
            };
            let leaf = word()?.parse().ok()?;
            word().is_none().then_some((number, Self { seq, id, leaf }))
        };
        read().ok_or(BadLedger { line: at })
    }
}

/// A ledger that grows: how many records it has and what stands for all of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Ledger {
    count: u64,
    head: Head,
}

impl Ledger {
    /// A site's ledger before its first record.
    #[must_use]
    pub fn new(site: &SiteId) -> Self {
        Self {
            count: 0,
            head: Head::first(site),
        }
    }

    /// A ledger of so many records, for all of which this head stands.
    #[must_use]
    pub const fn after(count: u64, head: Head) -> Self {
        Self { count, head }
    }

    /// Takes the next record in.
    pub fn push(&mut self, entry: &Entry) {
        self.count += 1;
        self.head = self.head.then(entry.leaf);
    }

    /// How many records it has.
    #[must_use]
    pub const fn count(&self) -> u64 {
        self.count
    }

    /// What stands for all of them.
    #[must_use]
    pub const fn head(&self) -> Head {
        self.head
    }
}

impl fmt::Display for Entry {
    /// `fact 019b…` or `a message that names no fact`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.id {
            Some(id) => write!(f, "fact {id}"),
            None => write!(f, "a message that names no fact"),
        }
    }
}
