//! The site's dairy days as instants, worked out once a year instead of once a wheel.
//!
//! A rule names days; a window needs instants. Looking a local time up in the time zone's
//! table costs more than all the rest of a rule, and a floor has few days and many wheels.

use std::sync::OnceLock;

use chrono::{DateTime, Datelike as _, NaiveDate, NaiveTime, Utc};
use quantity::{DairyClock, DairyDay};

/// First and last calendar year that are kept; days outside are worked out each time.
const YEARS: std::ops::Range<i32> = 1970..2170;

/// A site's dairy days.
#[derive(Debug)]
pub struct Calendar {
    clock: DairyClock,
    work_ends: NaiveTime,
    years: Box<[OnceLock<Box<[Day]>>]>,
}

#[derive(Debug, Clone, Copy)]
struct Day {
    starts: DateTime<Utc>,
    worked_by: DateTime<Utc>,
}

impl Calendar {
    /// The days of a clock. `work_ends` is the local time by which a day's work should be
    /// done.
    #[must_use]
    pub fn new(clock: DairyClock, work_ends: NaiveTime) -> Self {
        Self {
            clock,
            work_ends,
            years: YEARS.map(|_| OnceLock::new()).collect(),
        }
    }

    fn work_out(&self, day: DairyDay) -> Day {
        Day {
            starts: self.clock.start_of(day),
            worked_by: self.clock.at(day, self.work_ends),
        }
    }

    fn day(&self, day: DairyDay) -> Day {
        let date = day.date();
        let kept = usize::try_from(date.year() - YEARS.start)
            .ok()
            .and_then(|year| self.years.get(year));
        let year = kept.map(|year| {
            year.get_or_init(|| {
                let first = NaiveDate::from_yo_opt(date.year(), 1).unwrap_or(date);
                let dates = first.iter_days().take_while(|d| d.year() == date.year());
                dates
                    .map(|date| self.work_out(DairyDay::starting(date)))
                    .collect()
            })
        });
        year.and_then(|year| year.get(date.ordinal0() as usize))
            .copied()
            .unwrap_or_else(|| self.work_out(day))
    }

    /// The site's clock.
    #[must_use]
    pub const fn clock(&self) -> &DairyClock {
        &self.clock
    }

    /// The first instant of a dairy day.
    #[must_use]
    pub fn start_of(&self, day: DairyDay) -> DateTime<Utc> {
        self.day(day).starts
    }

    /// The first instant after a dairy day.
    #[must_use]
    pub fn end_of(&self, day: DairyDay) -> DateTime<Utc> {
        self.start_of(day.plus(1))
    }

    /// The time by which a day's work should be done.
    #[must_use]
    pub fn worked_by(&self, day: DairyDay) -> DateTime<Utc> {
        self.day(day).worked_by
    }

    /// The dairy day that an instant belongs to.
    #[must_use]
    pub fn day_of(&self, at: DateTime<Utc>) -> DairyDay {
        // A local date differs from the UTC date by a day at most, and a dairy day starts
        // on its own date or ends on the next.
        let utc = DairyDay::starting(at.date_naive());
        [1, 0, -1]
            .into_iter()
            .map(|days| utc.plus(days))
            .find(|day| self.start_of(*day) <= at)
            .unwrap_or_else(|| utc.plus(-2))
    }

    /// `Tue 06:40`: local time as people on the floor say it.
    #[must_use]
    pub fn floor_time(&self, at: DateTime<Utc>) -> String {
        self.clock.floor_time(at)
    }

    /// `2026-03-03 06:40`: local date and time.
    #[must_use]
    pub fn local(&self, at: DateTime<Utc>) -> String {
        self.clock.local(at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        #[test]
        fn a_kept_day_is_the_day_the_clock_gives(
            seconds in -100_000_000i64..7_000_000_000,
            starts in 0u32..1440,
            ends in 0u32..1440,
            zone in prop::sample::select(vec![
                chrono_tz::Europe::Berlin, chrono_tz::America::St_Johns, chrono_tz::Pacific::Apia,
                chrono_tz::Australia::Lord_Howe, chrono_tz::Africa::Casablanca,
                chrono_tz::Pacific::Kiritimati, chrono_tz::Pacific::Pago_Pago, chrono_tz::UTC,
            ]),
        ) {
            let time = |m: u32| NaiveTime::from_hms_opt(m / 60, m % 60, 0).unwrap();
            let clock = DairyClock::new(zone, time(starts));
            let calendar = Calendar::new(clock, time(ends));
            let at = DateTime::from_timestamp(seconds, 0).unwrap();
            let day = clock.day_of(at);
            prop_assert_eq!(calendar.day_of(at), day);
            prop_assert_eq!(calendar.start_of(day), clock.start_of(day));
            prop_assert_eq!(calendar.end_of(day), clock.end_of(day));
            prop_assert_eq!(calendar.worked_by(day), clock.at(day, time(ends)));
        }
    }
}
