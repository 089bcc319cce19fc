//! Which of a station's numbers have arrived: a missing one is a lost fact. And how its
//! clock stands.

use chrono::{DateTime, Utc};
use facts::{Fact, stored_struct};

use crate::Moment;
use crate::drift::{Clocks, Drift};

/// One station's numbers and clocks.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct StationLog {
    /// Closed ranges of numbers that have arrived, rising, never touching.
    seen: Vec<(u64, u64)>,
    clocks: Clocks,
    /// How many facts came under a number that another fact already had.
    reused: u64,
}

impl StationLog {
    /// Takes a fact's number. `false`: that number has arrived before.
    pub fn saw(&mut self, fact: &Fact) -> bool {
        self.clocks.saw(fact);
        self.insert(fact.station_seq)
    }

    /// Takes the number of a fact that this build does not know. `false`: that number has
    /// arrived before.
    pub fn passed(&mut self, written: Moment, number: u64) -> bool {
        self.clocks.passed(written);
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
        self.clocks
            .latest()
            .map_or(DateTime::UNIX_EPOCH, |latest| latest.at)
    }

    /// Whether a number has arrived.
    #[must_use]
    pub fn has(&self, number: u64) -> bool {
        let place = self.seen.partition_point(|(_, last)| *last < number);
        let range = self.seen.get(place);
        range.is_some_and(|(first, _)| *first <= number)
    }

    fn insert(&mut self, number: u64) -> bool {
        if let Some((_, last)) = self.seen.last_mut()
            && last.checked_add(1) == Some(number)
        {
            *last = number;
            return true;
        }
        if self.has(number) {
            return false;
        }
        let place = self.seen.partition_point(|(_, last)| *last < number);
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

    /// The broker stored a fact of the station at this instant.
    pub fn stored(&mut self, fact: &Fact, at: DateTime<Utc>) {
        self.clocks.stored(fact, at);
    }

    /// Which of the station's clocks is wrong, and by how much, if far enough to matter.
    #[must_use]
    pub fn clock_wrong(&self) -> Option<Drift> {
        self.clocks.wrong()
    }
}

stored_struct!(StationLog {
    seen,
    clocks,
    reused,
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
