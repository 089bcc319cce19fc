//! Which of a station's numbers have arrived: a missing one is a lost fact.

use chrono::{DateTime, TimeDelta, Utc};
use facts::stored_struct;

use crate::Moment;

/// A station's clock may be this far ahead before someone should look at it.
const CLOCK_AHEAD: TimeDelta = TimeDelta::minutes(2);

/// One station's numbers and clock.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct StationLog {
    /// Closed ranges of numbers that have arrived, rising, never touching.
    seen: Vec<(u64, u64)>,
    /// The fact written down last, and how far its time lies after that, in seconds.
    latest: Option<(Moment, i64)>,
    /// How many facts came under a number that another fact already had.
    reused: u64,
}

impl StationLog {
    /// Takes a fact's number, whatever the fact says. `false`: that number has arrived
    /// before.
    pub fn saw(&mut self, written: Moment, occurred_at: DateTime<Utc>, number: u64) -> bool {
        if self.latest.is_none_or(|(latest, _)| latest < written) {
            let ahead = (occurred_at - written.at).num_seconds();
            self.latest = Some((written, ahead));
        }
        self.insert(number)
    }

    /// A new fact came under a number that had arrived before.
    pub fn reused(&mut self) {
        self.reused += 1;
    }

    /// How many facts came under a number that another fact already had.
    #[must_use]
    pub const fn reused_count(&self) -> u64 {
        self.reused
    }

    /// When the fact that the station wrote down last was written.
    #[must_use]
    pub fn latest_at(&self) -> DateTime<Utc> {
        self.latest
            .map_or(DateTime::UNIX_EPOCH, |(latest, _)| latest.at)
    }

    fn insert(&mut self, number: u64) -> bool {
        if let Some((_, last)) = self.seen.last_mut()
            && last.checked_add(1) == Some(number)
        {
            *last = number;
            return true;
        }
        let place = self.seen.partition_point(|(_, last)| *last < number);
        if self
            .seen
            .get(place)
            .is_some_and(|(first, _)| *first <= number)
        {
            return false;
        }
        self.seen.insert(place, (number, number));
        if let Some((first, last)) = self.seen.get(place + 1).copied()
            && number + 1 == first
        {
            self.seen[place].1 = last;
            self.seen.remove(place + 1);
        }
        if place > 0 && self.seen[place - 1].1 + 1 == self.seen[place].0 {
            self.seen[place - 1].1 = self.seen[place].1;
            self.seen.remove(place);
        }
        true
    }

    /// Numbers below the highest that have not arrived. Stations count from 1.
    pub fn missing(&self) -> impl Iterator<Item = (u64, u64)> {
        let starts = std::iter::once(0).chain(self.seen.iter().map(|(_, last)| *last));
        starts
            .zip(self.seen.iter().map(|(first, _)| *first))
            .filter(|(before, first)| before + 1 < *first)
            .map(|(before, first)| (before + 1, first - 1))
    }

    /// How many numbers are missing.
    #[must_use]
    pub fn missing_count(&self) -> u64 {
        self.missing().map(|(first, last)| last - first + 1).sum()
    }

    /// How far the station's latest fact lies in its own future, if far enough to tell.
    #[must_use]
    pub fn clock_ahead(&self) -> Option<TimeDelta> {
        let (_, seconds) = self.latest?;
        TimeDelta::try_seconds(seconds).filter(|ahead| *ahead > CLOCK_AHEAD)
    }
}

stored_struct!(StationLog {
    seen,
    latest,
    reused
});

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use std::collections::BTreeSet;

    #[test]
    fn a_gap_names_the_numbers_that_are_missing() {
        let mut log = StationLog::default();
        for number in [2, 3, 7] {
            assert!(log.insert(number));
        }
        assert!(!log.insert(3));
        assert_eq!(log.missing().collect::<Vec<_>>(), [(1, 1), (4, 6)]);
        assert_eq!(log.missing_count(), 4);
    }

    proptest! {
        #[test]
        fn numbers_arrive_in_any_order(numbers in prop::collection::vec(1u64..40, 0..60)) {
            let mut log = StationLog::default();
            let mut plain = BTreeSet::new();
            for number in &numbers {
                prop_assert_eq!(log.insert(*number), plain.insert(*number));
            }
            let missing: Vec<u64> = log.missing().flat_map(|(a, b)| a..=b).collect();
            let highest = plain.last().copied().unwrap_or(0);
            let expected: Vec<u64> = (1..=highest).filter(|n| !plain.contains(n)).collect();
            prop_assert_eq!(missing, expected);
        }
    }
}
