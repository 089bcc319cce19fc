//! How long what is kept.
//!
//! 21 CFR 1.1455(d) asks for two years from the day a record was made; customers, the
//! dairy's own plan and other markets often ask for more. What is due for deletion is
//! only told: a person deletes it. The ledger and the seals stay: with them, what was
//! deleted can still be proved to have been what somebody else still has.

use chrono::{DateTime, Months, Utc};

/// How long, in months.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Retention {
    /// Facts in archives. Names lie in no archive: a person's are erased in the pages.
    pub facts_months: u32,
}

/// The least that may be set for facts: two years.
pub const LEAST_FACTS_MONTHS: u32 = 24;

impl Default for Retention {
    /// Seven years (common practice, no source).
    fn default() -> Self {
        Self { facts_months: 84 }
    }
}

impl Retention {
    /// Whether a file of facts may be deleted, by the last of them. Anything that cannot be
    /// told is kept.
    #[must_use]
    pub fn facts_are_due(&self, last: DateTime<Utc>, now: DateTime<Utc>) -> bool {
        let months = Months::new(self.facts_months.max(LEAST_FACTS_MONTHS));
        last.checked_add_months(months)
            .is_some_and(|until| until < now)
    }
}
