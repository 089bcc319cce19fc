//! One scan, with what its way in knows of it: who stands there, when it was made, and how
//! much of the floor is known. The same scan means the same whatever way it came.

use authority::Role;
use chrono::{DateTime, Duration, Utc};
use facts::PersonId;
use quantity::DairyClock;

use crate::leaving::Asked;

/// A device's clock that is off by more than this is told; a scan that is this young happened
/// just now.
pub(crate) const DRIFT: Duration = Duration::minutes(1);

/// No device keeps a scan for longer: then its clock is wrong.
pub(crate) const KEPT: Duration = Duration::days(7);

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
    /// Nothing, from a browser, whose page knows what time it is and signs what it keeps: it
    /// counts from its receipt.
    Unsigned,
    /// Its line was down at that time, and its clock was right before: see [`crate::Device`].
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

/// Whether a device says what time it is, when a scan of its comes in.
pub(crate) fn agrees(claimed: DateTime<Utc>, received: DateTime<Utc>) -> bool {
    received.signed_duration_since(claimed).abs() <= DRIFT
}

impl Claim {
    /// Whether it orders what the scan states: a device cannot have seen what had not happened
    /// yet, and an older time counts only where something shows that it could not send.
    pub(crate) fn is_believed(&self, received: DateTime<Utc>) -> bool {
        let age = received.signed_duration_since(self.at);
        let oldest = match self.kept {
            Kept::Unsigned => Duration::zero(),
            Kept::Unshown => DRIFT,
            Kept::LineDown | Kept::Counter => KEPT,
        };
        (Duration::zero()..=oldest).contains(&age)
    }
}

/// When a scan counts as made.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Made {
    /// When: never after its receipt.
    pub(crate) at: DateTime<Utc>,
    /// Whether a device kept it: what it states has happened already.
    pub(crate) kept: bool,
    /// When the device said it was, if it counts from its receipt.
    pub(crate) unbelieved: Option<DateTime<Utc>>,
    /// What to say of the device's clock.
    pub(crate) drift: Option<Drift>,
}

/// A device's time that is not ours.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Drift {
    /// What it said.
    claimed: DateTime<Utc>,
    /// What it was.
    received: DateTime<Utc>,
    /// Whether the scan came from a browser, without the signature that shows when it was made.
    unsigned: bool,
}

impl Made {
    /// Weighs a claim.
    pub(crate) fn of(claim: Option<Claim>, received: DateTime<Utc>) -> Self {
        let now = Self {
            at: received,
            kept: false,
            unbelieved: None,
            drift: None,
        };
        let Some(claim) = claim else {
            return now;
        };
        let claimed = claim.at;
        let near = agrees(claimed, received);
        let unsigned = claim.kept == Kept::Unsigned && claimed < received;
        if claim.is_believed(received) {
            Self {
                at: claimed,
                kept: !near,
                ..now
            }
        } else {
            Self {
                unbelieved: Some(claimed),
                drift: (!near || unsigned).then_some(Drift {
                    claimed,
                    received,
                    unsigned,
                }),
                ..now
            }
        }
    }
}

impl Drift {
    /// What to do, for whoever holds the device.
    pub(crate) fn words(&self, clock: DairyClock) -> String {
        let age = self.received.signed_duration_since(self.claimed);
        let minutes = age.num_minutes().abs();
        if self.unsigned {
            format!(
                "This scan says that it is of {}, and no signature of then shows it",
                clock.local(self.claimed)
            )
        } else if age > KEPT {
            format!(
                "This scanner's clock says {}: set it",
                clock.local(self.claimed)
            )
        } else if age < Duration::zero() {
            format!("This scanner's clock is {minutes} min ahead: set it")
        } else {
            format!(
                "This scanner's time is {minutes} min ago, and nothing shows that it kept the scan: set its clock"
            )
        }
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
            (1, Kept::Unsigned, 0, false, true),
            (300, Kept::Unsigned, 0, false, true),
            (-1, Kept::Unsigned, 0, false, false),
            (-61, Kept::Unsigned, 0, false, true),
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
            kept in prop_oneof![
                Just(Kept::Unshown), Just(Kept::Unsigned), Just(Kept::LineDown), Just(Kept::Counter),
            ],
        ) {
            let Some(at) = DateTime::from_timestamp(seconds, 0) else { return Ok(()) };
            let made = Made::of(Some(Claim { at, kept }), received());
            prop_assert!(made.at <= received());
            prop_assert!(made.at >= received() - KEPT);
            prop_assert!(!made.kept || matches!(kept, Kept::LineDown | Kept::Counter));
            // What does not order it is kept.
            prop_assert_eq!(made.unbelieved.unwrap_or(made.at), at);
        }
    }
}
