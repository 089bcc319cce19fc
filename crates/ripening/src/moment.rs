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
    /// When a station wrote a fact down.
    #[must_use]
    pub fn written(at: DateTime<Utc>, fact: FactId) -> Self {
        Self { at, fact }.rounded()
    }

    /// The moment of a fact. Cut to microseconds, so that a stored moment equals a fresh one.
    #[must_use]
    pub fn of(fact: &Fact) -> Self {
        Self {
            at: fact.occurred_at,
            fact: fact.id,
        }
        .rounded()
    }

    fn rounded(self) -> Self {
        let micros = self.at.timestamp_micros();
        Self {
            at: DateTime::from_timestamp_micros(micros).unwrap_or(self.at),
            ..self
        }
    }
}

stored_struct!(Moment { at via instant, fact });
