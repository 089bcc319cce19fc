//! Dates of six digits, YYMMDD.

use std::fmt;

use chrono::{Datelike as _, NaiveDate};

/// A text that is no date.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadDate {
    /// Not six digits.
    #[error("{0:?} is no date: it has 6 digits, YYMMDD")]
    Digits(String),
    /// No such month.
    #[error("{0} is no date: there is no month {1}")]
    Month(String, u32),
    /// No such day.
    #[error("{0} is no date: that month has no day {1}")]
    Day(String, u32),
}

/// A date with a year of two digits. Day 00 is the last day of the month (GS1 General
/// Specifications, 3.4.2).
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Date {
    year: u8,
    month: u8,
    day: u8,
}

impl Date {
    /// The two-digit form of a day.
    #[must_use]
    pub fn of(date: NaiveDate) -> Self {
        let small = |number: u32| u8::try_from(number).unwrap_or_default();
        Self {
            year: u8::try_from(date.year().rem_euclid(100)).unwrap_or_default(),
            month: small(date.month()),
            day: small(date.day()),
        }
    }

    pub(crate) fn read(digits: &str) -> Result<Self, BadDate> {
        let refused = || BadDate::Digits(digits.chars().take(60).collect());
        if digits.len() != 6 || !digits.bytes().all(|b| b.is_ascii_digit()) {
            return Err(refused());
        }
        let two = |at: usize| digits[at..at + 2].parse::<u8>().map_err(|_| refused());
        let date = Self {
            year: two(0)?,
            month: two(2)?,
            day: two(4)?,
        };
        if !(1..=12).contains(&date.month) {
            return Err(BadDate::Month(digits.to_owned(), date.month.into()));
        }
        // Of the centuries that the year may be in, 2000 to 2099 has all the leap days.
        if date.day > last_day(2000 + i32::from(date.year), date.month) {
            return Err(BadDate::Day(digits.to_owned(), date.day.into()));
        }
        Ok(date)
    }

    /// The day meant, read in the year `now`: a year 51 or more ahead lies in the century
    /// before, one 50 or more behind in the century after (GS1 General Specifications,
    /// 7.12). `None` for 29 February of a year that has none.
    #[must_use]
    pub fn near(self, now: i32) -> Option<NaiveDate> {
        let century = now - now.rem_euclid(100);
        let ahead = i32::from(self.year) - now.rem_euclid(100);
        let year = century
            + i32::from(self.year)
            + match ahead {
                51.. => -100,
                ..=-50 => 100,
                _ => 0,
            };
        let day = match self.day {
            0 => last_day(year, self.month),
            day => day,
        };
        NaiveDate::from_ymd_opt(year, self.month.into(), day.into())
    }
}

fn last_day(year: i32, month: u8) -> u8 {
    match month {
        4 | 6 | 9 | 11 => 30,
        2 if NaiveDate::from_ymd_opt(year, 2, 29).is_some() => 29,
        2 => 28,
        _ => 31,
    }
}

impl fmt::Display for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:02}{:02}{:02}", self.year, self.month, self.day)
    }
}

impl fmt::Debug for Date {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn day(year: i32, month: u32, day: u32) -> Option<NaiveDate> {
        NaiveDate::from_ymd_opt(year, month, day)
    }

    #[test]
    fn a_year_of_two_digits_is_the_nearest_by_the_rule() {
        let near = |digits: &str, now| Date::read(digits).unwrap().near(now);
        // 2026: 76 is 50 ahead, 77 is 51 ahead; nothing is 50 behind.
        assert_eq!(near("760101", 2026), day(2076, 1, 1));
        assert_eq!(near("770101", 2026), day(1977, 1, 1));
        assert_eq!(near("000101", 2026), day(2000, 1, 1));
        // 2099: 49 is 50 behind, 50 is 49 behind.
        assert_eq!(near("490101", 2099), day(2149, 1, 1));
        assert_eq!(near("500101", 2099), day(2050, 1, 1));
        assert_eq!(near("000229", 2099), None, "2100 is no leap year");
    }

    #[test]
    fn day_00_is_the_last_of_its_month() {
        let near = |digits: &str| Date::read(digits).unwrap().near(2026);
        assert_eq!(near("260200"), day(2026, 2, 28));
        assert_eq!(near("280200"), day(2028, 2, 29));
        assert_eq!(near("261200"), day(2026, 12, 31));
        assert_eq!(near("260400"), day(2026, 4, 30));
    }

    proptest! {
        #[test]
        fn every_day_within_half_a_century_comes_back(
            days in -17_000..17_000i64, now in 1900..2200i32,
        ) {
            let date = day(now, 7, 1).unwrap() + chrono::TimeDelta::days(days);
            prop_assert_eq!(Date::of(date).near(now), Some(date));
        }
    }
}
