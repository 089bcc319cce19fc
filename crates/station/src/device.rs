//! What a device that stamps its scans has shown of its clock, and so which of them it kept.

use std::net::IpAddr;

use chrono::{DateTime, Duration, Utc};
use serde::{Deserialize, Serialize};

use crate::scan::{Claim, DRIFT, KEPT, Kept, agrees};

/// How often it is noted that a clock is still right.
const NOTED: Duration = Duration::minutes(1);

/// What a device kept comes in a burst when its line is opened: no scan of it later than this
/// after that, or after the one before.
const BURST: Duration = Duration::seconds(30);

/// Times that are behind by the same, over longer than this, are a clock that is slow: what was
/// kept is behind by as many different times as there are scans.
const ALIKE_FOR: Duration = Duration::seconds(30);

/// How much those may differ: what the way to the edge takes.
const ALIKE: Duration = Duration::seconds(5);

/// A device before a raw scanner port, known by its address.
///
/// A scan with an older time was kept where the device proves it: it was here before with its
/// clock right, and the scan is of after that and of before this line of its was opened. A time
/// that cannot be true of a device whose clock is right shows that it is not: from then on it
/// proves nothing, until it says again what time it is. So a device that is not known, or whose
/// clock is slow, never counts as having kept anything; what it sends counts from its receipt.
///
/// A clock that falls back while the line is down says at first what a kept scan would. What
/// tells them apart is how they come: what was kept in a burst when the line is opened, each
/// scan behind by a time of its own; a slow clock's scans when they are made, all behind by the
/// same.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Device {
    /// When it was here last and said what time it was.
    right_at: Option<DateTime<Utc>>,
    /// The time since then that was least behind, of those that were believed.
    #[serde(default)]
    least: Option<Behind>,
    /// When the last scan came in that it had kept.
    #[serde(default)]
    kept_at: Option<DateTime<Utc>>,
}

/// How far a device's times are behind.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
struct Behind {
    seconds: i64,
    /// When one so far behind came in first.
    since: DateTime<Utc>,
}

impl Behind {
    fn of(at: DateTime<Utc>, received: DateTime<Utc>) -> Self {
        Self {
            seconds: received.signed_duration_since(at).num_seconds(),
            since: received,
        }
    }

    /// The one that is less behind; of two that are alike the first.
    fn or_less(self, other: Self) -> Self {
        if other.seconds < self.seconds - ALIKE.num_seconds() {
            other
        } else {
            self
        }
    }

    /// Whether another is behind by the same, and came in so much later that both were sent
    /// when they were made.
    fn is_the_clock(self, other: Self) -> bool {
        (self.seconds - other.seconds).abs() <= ALIKE.num_seconds()
            && other.since.signed_duration_since(self.since) > ALIKE_FOR
    }
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

    /// What shows that a scan of that time, received now on a line opened at `began`, was kept.
    #[must_use]
    pub fn kept(&self, at: DateTime<Utc>, began: DateTime<Utc>, received: DateTime<Utc>) -> Kept {
        let could_not_send = |right_at: DateTime<Utc>| right_at - DRIFT < at && at < began + DRIFT;
        let before = self.kept_at.map_or(began, |kept_at| kept_at.max(began));
        let in_the_burst = received.signed_duration_since(before) <= BURST;
        let behind = Behind::of(at, received);
        let is_slow = self.least.is_some_and(|least| least.is_the_clock(behind));
        if self.right_at.is_some_and(could_not_send) && in_the_burst && !is_slow {
            Kept::LineDown
        } else {
            Kept::Unshown
        }
    }

    /// A scan with a time came in.
    #[must_use]
    pub fn after(self, claim: Claim, received: DateTime<Utc>) -> Self {
        if agrees(claim.at, received) {
            let noted = |at: &DateTime<Utc>| (received - *at).abs() < NOTED;
            Self {
                right_at: self.right_at.filter(noted).or(Some(received)),
                ..Self::default()
            }
        } else if claim.is_believed(received) {
            let behind = Behind::of(claim.at, received);
            Self {
                least: Some(self.least.map_or(behind, |least| least.or_less(behind))),
                kept_at: Some(received),
                ..self
            }
        } else {
            Self::default()
        }
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
            ..Device::default()
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
            let found = device.kept(at(made), at(began), at(began)) == Kept::LineDown;
            assert_eq!(found, kept, "{device:?}, opened at {began}, made at {made}");
        }
    }

    /// What a device does on one line after another: when each was opened, and its scans, by
    /// the seconds at which they came in and that they claim, and whether they count as kept.
    type Lines<'a> = &'a [(i64, &'a [(i64, i64, bool)])];

    #[test]
    fn kept_scans_come_in_a_burst_and_a_clock_that_fell_back_is_behind_by_the_same() {
        let hour = 3_600;
        // Each device said at second 0 what time it was; then its line was down.
        let cases: &[(&str, Lines<'_>)] = &[
            (
                "what was kept, and then what is scanned",
                &[(
                    hour,
                    &[
                        (3_601, 100, true),
                        (3_601, 104, true),
                        (3_602, 900, true),
                        (3_640, 3_640, false),
                    ],
                )],
            ),
            (
                "many, each answered after a while",
                &[(
                    hour,
                    &[(3_610, 100, true), (3_635, 140, true), (3_660, 150, true)],
                )],
            ),
            (
                "an hour back: found out with the first scan after the burst",
                &[(
                    hour,
                    &[
                        (3_700, 100, false),
                        (3_701, 101, false),
                        (3_760, 160, false),
                    ],
                )],
            ),
            (
                "an hour back, scanning at once: found out within half a minute",
                &[(
                    hour,
                    &[
                        (3_602, 2, true),
                        (3_615, 16, true),
                        (3_632, 31, true),
                        (3_633, 33, false),
                        (3_640, 40, false),
                    ],
                )],
            ),
            (
                "an hour back, a line for each scan",
                &[
                    (3_700, &[(3_700, 100, true)]),
                    (3_720, &[(3_720, 121, true)]),
                    (3_790, &[(3_790, 190, false)]),
                    (3_795, &[(3_795, 195, false)]),
                ],
            ),
            (
                "an hour back, and it kept scans too",
                &[
                    (5_000, &[(5_001, 200, true), (5_002, 1_402, true)]),
                    (5_100, &[(5_101, 1_450, true), (5_102, 1_502, false)]),
                ],
            ),
            (
                "a second outage before anything was scanned in reach",
                &[
                    (hour, &[(3_601, 100, true)]),
                    (7_200, &[(7_201, 5_000, true), (7_202, 5_003, true)]),
                ],
            ),
            (
                "an hour back, then set right",
                &[
                    (hour, &[(3_700, 100, false), (3_800, 3_800, false)]),
                    (7_200, &[(7_201, 5_000, true)]),
                ],
            ),
        ];
        for (what, lines) in cases {
            let mut device = Device {
                right_at: Some(at(0)),
                ..Device::default()
            };
            for (began, scans) in *lines {
                for (received, made, expected) in *scans {
                    let (made, received) = (second(*made), second(*received));
                    let kept = device.kept(made, second(*began), received);
                    let found = kept == Kept::LineDown;
                    assert_eq!(found, *expected, "{what}: {device:?} {made} {received}");
                    device = device.after(Claim { at: made, kept }, received);
                }
            }
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
            let device = Device {
                right_at: before,
                ..Device::default()
            };
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
            ..Device::default()
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
        /// Its clock is set back, by its battery, a season or a hand, while it has no line and
        /// keeps nothing.
        FallsBack(i64),
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
            1 => (61_i64..20_000).prop_map(Next::FallsBack),
        ]
    }

    proptest! {
        /// What is taken for kept was scanned without a line, and never counts as made before
        /// it was, beyond the minute that no clock is told for; but for half a minute after a
        /// clock has fallen back, when nothing tells yet.
        #[test]
        fn a_claim_against_what_the_same_device_said_is_not_believed(
            off in prop_oneof![-70_i64..70, -20_000_i64..20_000],
            plan in prop::collection::vec(next(), 1..60),
        ) {
            let (mut device, mut now, mut began) = (Device::default(), 0, Some(0));
            let (mut off, mut fell_back) = (off, false);
            // Of what was scanned in reach and taken for kept since its clock fell back.
            let mut first_mistaken: Option<i64> = None;
            let mut kept: Vec<i64> = Vec::new();
            for next in plan {
                match next {
                    Next::Waits(seconds) => now += seconds,
                    Next::LineGoes => began = None,
                    Next::LineComes if began.is_none() => began = Some(now),
                    Next::LineComes => {}
                    Next::FallsBack(seconds) if began.is_none() && kept.is_empty() => {
                        (off, fell_back, first_mistaken) = (off - seconds, true, None);
                    }
                    Next::FallsBack(_) => {}
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
                    let (claimed, received) = (second(made + off), second(now));
                    let shown = device.kept(claimed, second(began), received);
                    let claim = Claim { at: claimed, kept: shown };
                    if !agrees(claimed, received) && claim.is_believed(received) {
                        if made >= began {
                            prop_assert!(fell_back, "it had a line");
                            let first = *first_mistaken.get_or_insert(now);
                            prop_assert!(now - first <= 30, "{} s later", now - first);
                        }
                        if !fell_back {
                            prop_assert!(claimed >= second(made - 60), "before it was made");
                        }
                    }
                    device = device.after(claim, received);
                }
            }
        }
    }
}
