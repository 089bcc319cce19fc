//! When something happened, and the fact that says so.

use chrono::{DateTime, Utc};
use facts::stored::instant;
use facts::{Fact, FactId, stored_struct};
use serde::{Deserialize, Serialize};

/// An instant and the fact that it comes from. Ordered by time, then by fact, which is
/// the order in which facts are folded whatever order they arrive in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Moment {
    /// When, to the microsecond.
    #[serde(with = "chrono::serde::ts_microseconds")]
    pub at: DateTime<Utc>,
    /// Which fact.
    pub fact: FactId,
}

impl Moment {
    /// The moment of a fact.
    #[must_use]
    pub fn of(fact: &Fact) -> Self {
        Self::new(fact.occurred_at, fact.id)
    }

    /// Cut to microseconds, so that a stored moment equals a fresh one.
    #[must_use]
    pub fn new(at: DateTime<Utc>, fact: FactId) -> Self {
        let micros = at.timestamp_micros();
        Self {
            at: DateTime::from_timestamp_micros(micros).unwrap_or(at),
            fact,
        }
    }
}

stored_struct!(Moment { at via instant, fact });
