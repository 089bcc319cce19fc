//! One scan, with what its way in knows of it: who stands there, when it was made, and how
//! much of the floor is known. The same scan means the same whatever way it came.

use authority::Role;
use chrono::{DateTime, Duration, Utc};
use facts::PersonId;
use quantity::DairyClock;

use crate::leaving::Asked;

/// A device's clock that is off by more than this is told; a scan that is this young happened
/// just now.
const DRIFT: Duration = Duration::minutes(1);

/// No device keeps a scan for longer: then its clock is wrong.
const KEPT: Duration = Duration::days(7);

/// One scan.
#[derive(Debug, Clone, Copy)]
pub struct Scan<'a> {
    /// The line as it came.
    pub line: &'a str,
    /// Who is signed in with badge and PIN; else a badge scanned here says who.
    pub signed_in: Option<SignedIn>,
    /// When it was received.
    pub received: DateTime<Utc>,
    /// When the device says it was made; else just now. A time in front of the line is a claim
    /// that nothing shows.
    pub claim: Option<Claim>,
    /// How much of the floor is known.
    pub reach: Reach,
    /// What the dispatch desk said to what this scan asked it before.
    pub asked: Option<&'a Asked>,
}

/// Someone who is signed in with badge and PIN.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SignedIn {
    /// Who.
    pub person: PersonId,
    /// What they are.
    pub role: Role,
}

/// When a device says that a scan was made, and what shows that it could not send it then.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Claim {
    /// When.
    pub at: DateTime<Utc>,
    /// What shows it.
    pub kept: Kept,
}

/// What shows that a device kept a scan because it could not send it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kept {
    /// Nothing: an older time is a clock that is slow.
    Unshown,
    /// No line from it was open at that time.
    LineDown,
    /// Its own counter went on without a gap, and it holds the proof of who was signed in then.
    Counter,
}

/// How much of the floor is known.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// The broker is away: nobody knows what other stations hold, nor can the dispatch desk be
    /// asked.
    Away,
    /// The broker is there; what it has is not all known yet.
    Behind,
    /// Everything that the broker has is known.
    Current,
}

impl<'a> Scan<'a> {
    /// A line that was scanned just now, while everything is known.
    #[must_use]
    pub const fn new(line: &'a str, received: DateTime<Utc>) -> Self {
        Self {
            line,
            signed_in: None,
            received,
            claim: None,
            reach: Reach::Current,
            asked: None,
        }
    }
}

/// When a scan counts as made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Made {
    /// When: never after its receipt.
    pub(crate) at: DateTime<Utc>,
    /// Whether a device kept it: what it states has happened already.
    pub(crate) kept: bool,
    /// That the device's clock is wrong.
    pub(crate) drift: Option<Drift>,
}

/// A device's clock that is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Drift {
    /// What it said.
    pub claimed: DateTime<Utc>,
    /// What it was.
    pub received: DateTime<Utc>,
}

impl Made {
    /// Weighs a claim: a device cannot have seen what had not happened yet, and an older time
    /// is believed only where something shows that the device could not send.
    pub(crate) fn of(claim: Option<Claim>, received: DateTime<Utc>) -> Self {
        let now = Self {
            at: received,
            kept: false,
            drift: None,
        };
        let Some(Claim { at, kept }) = claim else {
            return now;
        };
        let age = received.signed_duration_since(at);
        if Duration::zero() <= age && age <= DRIFT {
            Self { at, ..now }
        } else if age > DRIFT && age <= KEPT && kept != Kept::Unshown {
            Self {
                at,
                kept: true,
                drift: None,
            }
        } else {
            let wrong = Drift {
                claimed: at,
                received,
            };
            Self {
                drift: (age < -DRIFT || age > DRIFT).then_some(wrong),
                ..now
            }
        }
    }
}

impl Drift {
    /// By how much, in words: `5 min slow`.
    #[must_use]
    pub fn words(&self, clock: DairyClock) -> String {
        let age = self.received.signed_duration_since(self.claimed);
        if age > KEPT {
            return format!("clock says {}", clock.local(self.claimed));
        }
        let minutes = age.num_minutes().abs();
        let off = if age < Duration::zero() {
            "ahead"
        } else {
            "slow"
        };
        format!("clock is {minutes} min {off}")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn received() -> DateTime<Utc> {
        "2026-03-03T12:00:00Z".parse().unwrap()
    }

    fn made(seconds_ago: i64, kept: Kept) -> Made {
        let at = received() - Duration::seconds(seconds_ago);
        Made::of(Some(Claim { at, kept }), received())
    }

    #[test]
    fn a_claim_is_believed_where_it_can_be_true_and_something_shows_it() {
        // Seconds ago, what shows it: seconds ago as it counts, kept, whether its clock is told.
        for (ago, shown, counts, kept, told) in [
            (0, Kept::Unshown, 0, false, false),
            (60, Kept::Unshown, 60, false, false),
            (61, Kept::Unshown, 0, false, true),
            (300, Kept::Unshown, 0, false, true),
            (300, Kept::LineDown, 300, true, false),
            (300, Kept::Counter, 300, true, false),
            (7 * 86_400, Kept::LineDown, 7 * 86_400, true, false),
            (7 * 86_400 + 1, Kept::LineDown, 0, false, true),
            (-1, Kept::LineDown, 0, false, false),
            (-60, Kept::Unshown, 0, false, false),
            (-61, Kept::Counter, 0, false, true),
            (-315_360_000, Kept::LineDown, 0, false, true),
        ] {
            let made = made(ago, shown);
            let counted = received().signed_duration_since(made.at).num_seconds();
            let said = (counted, made.kept, made.drift.is_some());
            assert_eq!(said, (counts, kept, told), "{ago} s ago, {shown:?}");
        }
    }

    proptest! {
        #[test]
        fn nothing_counts_as_made_after_it_was_received(
            seconds in -8_000_000_000_000_i64..8_000_000_000_000,
            kept in prop_oneof![Just(Kept::Unshown), Just(Kept::LineDown), Just(Kept::Counter)],
        ) {
            let Some(at) = DateTime::from_timestamp(seconds, 0) else { return Ok(()) };
            let made = Made::of(Some(Claim { at, kept }), received());
            prop_assert!(made.at <= received());
            prop_assert!(made.at >= received() - KEPT);
            prop_assert!(!made.kept || kept != Kept::Unshown);
        }
    }
}
