//! What a device that stamps its scans has shown of its clock, and so which of them it kept.

use std::net::IpAddr;

use chrono::{DateTime, Duration, Utc};
use serde::{Deserialize, Serialize};

use crate::scan::{Claim, DRIFT, KEPT, Kept, agrees};

/// How often it is noted that a clock is still right.
const NOTED: Duration = Duration::minutes(1);

/// A device before a raw scanner port, known by its address.
///
/// A scan with an older time was kept where the device proves it: it was here before with its
/// clock right, and the scan is of after that and of before this line of its was opened. A time
/// that cannot be true of a device whose clock is right shows that it is not: from then on it
/// proves nothing, until it says again what time it is. So a device that is not known, or whose
/// clock is slow, never counts as having kept anything; what it sends counts from its receipt.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Device {
    /// When it was here last and said what time it was.
    right_at: Option<DateTime<Utc>>,
}

impl Device {
    /// Whether a client of this address may be one device. Programs on a station's own machine
    /// share theirs and may stand for several.
    #[must_use]
    pub const fn is_one(from: IpAddr) -> bool {
        match from {
            IpAddr::V4(from) => !matches!(from.octets(), [127, 0, 0, 1]),
            IpAddr::V6(from) => !from.is_loopback(),
        }
    }

    /// What shows that a scan of that time, which came on a line opened at `began`, was kept.
    #[must_use]
    pub fn kept(&self, at: DateTime<Utc>, began: DateTime<Utc>) -> Kept {
        match self.right_at {
            Some(right_at) if right_at - DRIFT < at && at < began + DRIFT => Kept::LineDown,
            _ => Kept::Unshown,
        }
    }

    /// A scan with a time came in.
    #[must_use]
    pub fn after(self, claim: Claim, received: DateTime<Utc>) -> Self {
        let right_at = if agrees(claim.at, received) {
            let noted = |at: &DateTime<Utc>| (received - *at).abs() < NOTED;
            self.right_at.filter(noted).or(Some(received))
        } else if claim.is_believed(received) {
            self.right_at
        } else {
            None
        };
        Self { right_at }
    }

    /// Whether it is of no use any more to know it.
    #[must_use]
    pub fn is_forgotten(&self, now: DateTime<Utc>) -> bool {
        self.right_at
            .is_none_or(|right_at| now.signed_duration_since(right_at) > KEPT)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn at(minute: i64) -> DateTime<Utc> {
        second(minute * 60)
    }

    fn second(second: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_772_000_000 + second, 0).unwrap()
    }

    #[test]
    fn a_scan_was_kept_where_a_device_whose_clock_is_right_had_no_line() {
        let right = |minute| Device {
            right_at: Some(at(minute)),
        };
        let unknown = Device::default();
        // The device, when its line was opened, the time of the scan, whether it was kept.
        for (device, began, made, kept) in [
            (unknown, 40, 30, false),
            (right(20), 40, 30, true),
            // Within the minute that its clock may be off.
            (right(20), 40, 20, true),
            (right(20), 40, 40, true),
            (right(20), 40, 19, false),
            (right(20), 40, 41, false),
            // It was here since: nothing says that its line was down.
            (right(50), 40, 30, false),
        ] {
            let found = device.kept(at(made), at(began)) == Kept::LineDown;
            assert_eq!(found, kept, "{device:?}, opened at {began}, made at {made}");
        }
    }

    #[test]
    fn a_clock_is_right_from_one_good_time_to_the_first_bad_one() {
        let (line, none) = (Kept::LineDown, Kept::Unshown);
        let knows = |minute| Some(at(minute));
        // Known before, what was said at minute 60 of which minute, known after.
        for (before, made, kept, after) in [
            (None, 60, none, knows(60)),
            (None, 59, none, knows(60)),
            (None, 61, none, knows(60)),
            (None, 30, none, None),
            (knows(20), 60, none, knows(60)),
            // What was kept says nothing new.
            (knows(20), 30, line, knows(20)),
            // A time at which it was here, and one to come.
            (knows(20), 10, none, None),
            (knows(20), 65, none, None),
            (knows(20), 65, line, None),
        ] {
            let claim = Claim { at: at(made), kept };
            let device = Device { right_at: before };
            let found = device.after(claim, at(60)).right_at;
            assert_eq!(found, after, "{before:?} {made} {kept:?}");
        }
    }

    #[test]
    fn programs_on_the_stations_own_machine_are_no_one_device() {
        for (from, one) in [
            ("127.0.0.1", false),
            ("::1", false),
            ("127.0.0.7", true),
            ("10.0.0.7", true),
        ] {
            assert_eq!(Device::is_one(from.parse().unwrap()), one, "{from}");
        }
    }

    #[test]
    fn what_was_right_long_ago_is_of_no_use() {
        let device = Device {
            right_at: Some(at(0)),
        };
        assert!(!device.is_forgotten(at(7 * 24 * 60)));
        assert!(device.is_forgotten(at(7 * 24 * 60 + 1)));
        assert!(Device::default().is_forgotten(at(0)));
    }

    /// What a device does next.
    #[derive(Debug, Clone)]
    enum Next {
        Scans,
        LineGoes,
        LineComes,
        Waits(i64),
        /// The worker is started again.
        Restarts,
    }

    fn next() -> impl Strategy<Value = Next> {
        prop_oneof![
            4 => Just(Next::Scans),
            1 => Just(Next::LineGoes),
            2 => Just(Next::LineComes),
            3 => prop_oneof![0_i64..90, 0_i64..20_000].prop_map(Next::Waits),
            1 => Just(Next::Restarts),
        ]
    }

    proptest! {
        /// A device whose clock is off by the same time always: what it scans on an open line
        /// is never taken for kept, and what is taken for kept never counts as made before it
        /// was, beyond the minute that no clock is told for.
        #[test]
        fn a_claim_against_what_the_same_device_said_is_not_believed(
            off in prop_oneof![-70_i64..70, -20_000_i64..20_000],
            plan in prop::collection::vec(next(), 1..60),
        ) {
            let (mut device, mut now, mut began) = (Device::default(), 0, Some(0));
            let mut kept: Vec<i64> = Vec::new();
            for next in plan {
                match next {
                    Next::Waits(seconds) => now += seconds,
                    Next::LineGoes => began = None,
                    Next::LineComes if began.is_none() => began = Some(now),
                    Next::LineComes => {}
                    // The line is opened anew; what is known lies on the disk.
                    Next::Restarts => {
                        let text = serde_json::to_string(&device).unwrap();
                        device = serde_json::from_str(&text).unwrap();
                        began = began.map(|_| now);
                    }
                    Next::Scans => kept.push(now),
                }
                let Some(began) = began else { continue };
                for made in std::mem::take(&mut kept) {
                    let claimed = second(made + off);
                    let shown = device.kept(claimed, second(began));
                    let claim = Claim { at: claimed, kept: shown };
                    let received = second(now);
                    if !agrees(claimed, received) && claim.is_believed(received) {
                        prop_assert!(made < began, "it had a line");
                        prop_assert!(claimed >= second(made - 60), "before it was made");
                    }
                    device = device.after(claim, received);
                }
            }
        }
    }
}
