//! How far a station's clocks are off, measured by what they claimed and when that was
//! received.
//!
//! Facts come in any order and more than once; what is kept is the same for all of them.

use std::fmt;

use chrono::{DateTime, TimeDelta, Utc};
use facts::{Fact, stored_struct};

use crate::Moment;

/// From here a clock matters: what is scanned can come to count before or after what it
/// came after or before.
const MATTERS: TimeDelta = TimeDelta::minutes(1);

/// The broker's machine may differ from a station's by so much before either is wrong.
const BROKER: TimeDelta = TimeDelta::minutes(3);

/// How long a clock that was wrong stays in question, by the station's own later facts. A
/// scan without a time says nothing of a handheld's clock, so one good scan ends nothing.
const IN_QUESTION: TimeDelta = TimeDelta::hours(24);

/// How many of the latest claims from before their receipt are kept.
const LATE_KEPT: usize = 16;

/// So many claims that are late by the same time are a slow clock. Scans that were kept are
/// late by different times: they come in together and were scanned one after the other.
const ALIKE: usize = 5;

/// How much those may differ: what the way to the edge takes.
const WITHIN_S: i64 = 10;

/// And over how long they must have come in.
const OVER: TimeDelta = TimeDelta::minutes(5);

/// A clock that is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Drift {
    /// A device that stamps its scans is ahead of its station.
    DeviceAhead(TimeDelta),
    /// A device's time was older than its scan's receipt, and nothing showed that it kept it.
    DeviceBehind(TimeDelta),
    /// A device whose older times were believed is behind its station by what they have in
    /// common.
    DeviceBelieved(TimeDelta),
    /// The station's own computer is ahead of the broker's.
    StationAhead(TimeDelta),
}

impl fmt::Display for Drift {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let min = |by: &TimeDelta| by.num_minutes().max(1);
        match self {
            Self::DeviceAhead(by) => write!(
                f,
                "the clock of a scanner is {} min ahead: set it right; its scans count from when they came in",
                min(by)
            ),
            Self::DeviceBehind(by) => write!(
                f,
                "the clock of a scanner is {} min behind: set it right; its scans count from when they came in. If it kept them out of reach, let it send its time with every scan, so that its clock is known to be right",
                min(by)
            ),
            Self::DeviceBelieved(by) => write!(
                f,
                "the clock of a scanner is {} min behind: set it right; its scans count too early",
                min(by)
            ),
            Self::StationAhead(by) => write!(
                f,
                "the clock of the station's computer is {} min ahead of the broker's: set the one that is wrong",
                min(by)
            ),
        }
    }
}

/// A fact by when the station wrote it down, and by how many seconds its claim is off.
type Off = (Moment, i64);

/// What a station's facts tell of its clocks.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Clocks {
    /// The fact written down last.
    latest: Option<Moment>,
    /// The last claim that was not believed: after its receipt, or before it and unshown.
    unbelieved: Option<Off>,
    /// The last claims that lie before it and were, in order.
    late: Vec<Off>,
    /// When the broker stored the last fact, and the last one that was received after that.
    stored: Option<Moment>,
    stored_early: Option<Off>,
}

impl Clocks {
    pub(crate) fn saw(&mut self, fact: &Fact) {
        let written = moment(fact, fact.recorded_at);
        self.latest = self.latest.max(Some(written));
        let off = fact.claimed().signed_duration_since(fact.recorded_at);
        if fact.claimed_at.is_some() {
            if off.abs() >= MATTERS {
                self.unbelieved = self.unbelieved.max(Some((written, off.num_seconds())));
            }
        } else if off < TimeDelta::zero()
            && let Err(place) = self.late.binary_search_by_key(&written, |(at, _)| *at)
        {
            self.late.insert(place, (written, -off.num_seconds()));
            if self.late.len() > LATE_KEPT {
                self.late.remove(0);
            }
        }
    }

    /// When the fact that was written down last was written.
    pub(crate) const fn latest(&self) -> Option<Moment> {
        self.latest
    }

    /// A fact was written that this build does not know.
    pub(crate) fn passed(&mut self, written: Moment) {
        self.latest = self.latest.max(Some(written));
    }

    pub(crate) fn stored(&mut self, fact: &Fact, at: DateTime<Utc>) {
        let stored = moment(fact, at);
        self.stored = self.stored.max(Some(stored));
        let off = fact.recorded_at.signed_duration_since(at);
        if off > BROKER {
            self.stored_early = self.stored_early.max(Some((stored, off.num_seconds())));
        }
    }

    pub(crate) fn wrong(&self) -> Option<Drift> {
        let span = |(_, seconds): Off| TimeDelta::seconds(seconds);
        let station = self.stored_early.filter(|off| recent(off, self.stored));
        let unbelieved = self.unbelieved.filter(|off| recent(off, self.latest));
        let station = station.map(span).map(Drift::StationAhead);
        let unbelieved = unbelieved.map(span).map(|by| {
            if by < TimeDelta::zero() {
                Drift::DeviceBehind(-by)
            } else {
                Drift::DeviceAhead(by)
            }
        });
        station
            .or(unbelieved)
            .or_else(|| self.behind().map(Drift::DeviceBelieved))
    }

    /// By how much a clock is behind, if enough claims are late by the same time.
    fn behind(&self) -> Option<TimeDelta> {
        let mut late = self.late.clone();
        late.retain(|off| recent(off, self.latest));
        late.sort_unstable_by_key(|(_, seconds)| *seconds);
        let slow = late.windows(ALIKE).find(|alike| {
            let (Some((_, least)), Some((_, most))) = (alike.first(), alike.last()) else {
                return false;
            };
            let at = || alike.iter().map(|(at, _)| at.at);
            let over = at().max().zip(at().min());
            *least >= MATTERS.num_seconds()
                && most - least <= WITHIN_S
                && over.is_some_and(|(last, first)| last.signed_duration_since(first) >= OVER)
        })?;
        let (_, least) = slow.first()?;
        Some(TimeDelta::seconds(*least))
    }
}

stored_struct!(Clocks {
    latest,
    unbelieved,
    late,
    stored,
    stored_early,
});

/// A fact at an instant, to the microsecond as stored.
fn moment(fact: &Fact, at: DateTime<Utc>) -> Moment {
    let micros = DateTime::from_timestamp_micros(at.timestamp_micros());
    Moment {
        at: micros.unwrap_or(at),
        fact: fact.id,
    }
}

/// Whether a clock is still in question, by the latest fact.
fn recent((off, _): &Off, latest: Option<Moment>) -> bool {
    let since = |latest: Moment| latest.at.signed_duration_since(off.at);
    latest.is_none_or(|latest| since(latest) < IN_QUESTION)
}

#[cfg(test)]
mod tests {
    use super::*;
    use facts::{Event, WheelUnhooped, ordered};
    use proptest::prelude::*;

    const START: &str = "2026-03-03T06:00:00Z";

    /// A fact received so many seconds after the start, with a claim so far off.
    fn fact(id: u32, received_s: i64, off_s: i64) -> Fact {
        let start: DateTime<Utc> = START.parse().unwrap();
        let recorded_at = start + TimeDelta::seconds(received_s);
        let (occurred_at, claimed_at) =
            ordered(recorded_at + TimeDelta::seconds(off_s), recorded_at);
        Fact {
            id: format!("00000000-0000-7000-8000-{id:012x}")
                .parse()
                .unwrap(),
            site: "larkholm".parse().unwrap(),
            station: "drain-1".parse().unwrap(),
            station_seq: u64::from(id) + 1,
            person: None,
            occurred_at,
            claimed_at,
            recorded_at,
            event: Event::from(WheelUnhooped {
                wheels: Vec::new(),
                via: None,
            }),
        }
    }

    fn told(facts: &[Fact]) -> Option<Drift> {
        let mut clocks = Clocks::default();
        facts.iter().for_each(|fact| clocks.saw(fact));
        clocks.wrong()
    }

    #[test]
    fn a_clock_ahead_is_told_until_a_day_has_passed_without_it() {
        let minutes = |n| TimeDelta::minutes(n);
        let mut facts = vec![fact(0, 0, 60)];
        assert_eq!(told(&facts), Some(Drift::DeviceAhead(minutes(1))));
        facts.push(fact(1, 60, 0));
        assert!(told(&facts).is_some(), "one good scan ends nothing");
        facts.push(fact(2, 24 * 3600, 0));
        assert_eq!(told(&facts), None);
    }

    #[test]
    fn a_clock_behind_is_told_and_scans_that_were_kept_are_not() {
        let slow: Vec<_> = (0..5).map(|n| fact(n, 90 * i64::from(n), -130)).collect();
        let by = TimeDelta::seconds(130);
        assert_eq!(told(&slow), Some(Drift::DeviceBelieved(by)));
        // Between others whose clock is right, and scans without a time.
        let others = (5..12).map(|n| fact(n, 40 * i64::from(n), if n % 2 == 0 { -1 } else { 0 }));
        let mixed: Vec<_> = slow.iter().cloned().chain(others).collect();
        assert_eq!(told(&mixed), Some(Drift::DeviceBelieved(by)));
        // Scanned a minute apart, sent in at once, twice a day.
        let kept: Vec<_> = (0..12)
            .map(|n| fact(n, 20_000 * i64::from(n / 6), -7200 + 60 * i64::from(n % 6)))
            .collect();
        assert_eq!(told(&kept), None);
    }

    #[test]
    fn one_older_time_that_was_not_believed_is_told() {
        let mut slow = fact(0, 3_600, 0);
        slow.claimed_at = Some(slow.occurred_at - TimeDelta::minutes(19));
        let by = TimeDelta::minutes(19);
        assert_eq!(
            told(std::slice::from_ref(&slow)),
            Some(Drift::DeviceBehind(by))
        );
        // What is off by less than matters ends nothing and is nothing.
        let mut near = fact(1, 3_700, 0);
        near.claimed_at = Some(near.occurred_at - TimeDelta::seconds(59));
        assert_eq!(told(&[near.clone()]), None);
        assert_eq!(told(&[near, slow]), Some(Drift::DeviceBehind(by)));
    }

    #[test]
    fn a_computer_ahead_of_the_broker_is_told() {
        let mut clocks = Clocks::default();
        let fact = fact(0, 3_600, 0);
        clocks.saw(&fact);
        clocks.stored(&fact, START.parse().unwrap());
        let drift = clocks.wrong();
        assert_eq!(drift, Some(Drift::StationAhead(TimeDelta::hours(1))));
    }

    proptest! {
        #[test]
        fn the_order_and_repeats_do_not_matter(
            mut facts in prop::collection::vec(
                (0u32..60, 0i64..200_000, prop_oneof![Just(0), -200i64..200])
                    .prop_map(|(id, received, off)| fact(id, received, off)), 0..60),
            seed in any::<u64>(),
        ) {
            facts.sort_by_key(|fact| fact.id);
            facts.dedup_by_key(|fact| fact.id);
            let mut clocks = Clocks::default();
            facts.iter().for_each(|fact| clocks.saw(fact));
            let mut other = Clocks::default();
            let mut order: Vec<usize> = (0..facts.len()).chain(0..facts.len() / 2).collect();
            let mut state = seed | 1;
            for n in (1..order.len()).rev() {
                state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1);
                let with = usize::try_from(state >> 33).unwrap() % (n + 1);
                order.swap(n, with);
            }
            order.into_iter().for_each(|nth| other.saw(&facts[nth]));
            prop_assert_eq!(clocks, other);
        }
    }
}
