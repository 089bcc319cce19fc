//! The years that dates and times may lie in, and arithmetic that stays inside a calendar.
//!
//! Software can write down dates a quarter of a million years away. No cheese is that old,
//! and arithmetic on such dates overflows. So every edge refuses what lies outside
//! [`EARLIEST`] to [`LATEST`], and whatever is computed from dates stops at the calendar's
//! ends instead of failing.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

/// The first instant that a fact may speak of: 1 January 2000, 00:00 UTC. No dairy's records
/// here are older, and a clock that was never set says 1970.
pub const EARLIEST: DateTime<Utc> = at(946_684_800);

/// The first instant that no fact may speak of any more: 1 January 2200, 00:00 UTC.
pub const LATEST: DateTime<Utc> = at(7_258_118_400);

/// A date or a time lies outside the years that facts may speak of.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0} lies outside the years 2000 to 2199: set the clock that said it, or correct the date")]
pub struct OutsideCalendar(String);

const fn at(seconds: i64) -> DateTime<Utc> {
    match DateTime::from_timestamp(seconds, 0) {
        Some(at) => at,
        None => DateTime::UNIX_EPOCH,
    }
}

/// The instant, if a fact may speak of it.
///
/// # Errors
/// [`OutsideCalendar`], in words for whoever said it.
pub fn instant(at: DateTime<Utc>) -> Result<DateTime<Utc>, OutsideCalendar> {
    if (EARLIEST..LATEST).contains(&at) {
        Ok(at)
    } else {
        Err(OutsideCalendar(at.format("%Y-%m-%d %H:%M UTC").to_string()))
    }
}

/// The date, if a fact may speak of it.
///
/// # Errors
/// [`OutsideCalendar`], in words for whoever said it.
pub fn date(date: NaiveDate) -> Result<NaiveDate, OutsideCalendar> {
    if (EARLIEST.date_naive()..LATEST.date_naive()).contains(&date) {
        Ok(date)
    } else {
        Err(OutsideCalendar(date.to_string()))
    }
}

/// Reads an instant that a fact may speak of, as RFC 3339 has it: for arguments and forms.
///
/// # Errors
/// In words for whoever wrote it.
pub fn read_instant(text: &str) -> Result<DateTime<Utc>, String> {
    let at: DateTime<Utc> = text
        .parse()
        .map_err(|_| format!("{text:?} is no time such as 2026-03-03T06:40:00Z"))?;
    instant(at).map_err(|error| error.to_string())
}

/// Reads a date that a fact may speak of: for arguments and forms.
///
/// # Errors
/// In words for whoever wrote it.
pub fn read_date(text: &str) -> Result<NaiveDate, String> {
    let day: NaiveDate = text
        .parse()
        .map_err(|_| format!("{text:?} is no date such as 2026-03-03"))?;
    date(day).map_err(|error| error.to_string())
}

/// The instant so much later, or earlier when `by` is negative. It stops at the calendar's
/// ends.
#[must_use]
pub fn later(at: DateTime<Utc>, by: TimeDelta) -> DateTime<Utc> {
    at.checked_add_signed(by)
        .unwrap_or(if by < TimeDelta::zero() {
            DateTime::<Utc>::MIN_UTC
        } else {
            DateTime::<Utc>::MAX_UTC
        })
}

/// The instant so much earlier. It stops at the calendar's ends.
#[must_use]
pub fn earlier(at: DateTime<Utc>, by: TimeDelta) -> DateTime<Utc> {
    at.checked_sub_signed(by)
        .unwrap_or(if by < TimeDelta::zero() {
            DateTime::<Utc>::MAX_UTC
        } else {
            DateTime::<Utc>::MIN_UTC
        })
}

/// So many days as a span; of more than a calendar holds, as many as it holds.
#[must_use]
pub fn days(count: i64) -> TimeDelta {
    TimeDelta::try_days(count).unwrap_or(if count < 0 {
        TimeDelta::MIN
    } else {
        TimeDelta::MAX
    })
}

/// For `#[serde(deserialize_with)]`: dates and times that facts may speak of. Every date
/// and time in a fact's body is read by one of these.
pub mod read {
    use super::{DateTime, NaiveDate, Utc};
    use serde::de::{Deserialize, Deserializer, Error};

    /// An instant.
    ///
    /// # Errors
    /// When it is none, or lies outside the calendar.
    pub fn instant<'de, D: Deserializer<'de>>(from: D) -> Result<DateTime<Utc>, D::Error> {
        super::instant(DateTime::deserialize(from)?).map_err(D::Error::custom)
    }

    /// An instant that may be absent.
    ///
    /// # Errors
    /// When it is none, or lies outside the calendar.
    pub fn instant_or_none<'de, D: Deserializer<'de>>(
        from: D,
    ) -> Result<Option<DateTime<Utc>>, D::Error> {
        let at = Option::deserialize(from)?;
        at.map(super::instant).transpose().map_err(D::Error::custom)
    }

    /// A date.
    ///
    /// # Errors
    /// When it is none, or lies outside the calendar.
    pub fn date<'de, D: Deserializer<'de>>(from: D) -> Result<NaiveDate, D::Error> {
        super::date(NaiveDate::deserialize(from)?).map_err(D::Error::custom)
    }

    /// A date that may be absent.
    ///
    /// # Errors
    /// When it is none, or lies outside the calendar.
    pub fn date_or_none<'de, D: Deserializer<'de>>(from: D) -> Result<Option<NaiveDate>, D::Error> {
        let date = Option::deserialize(from)?;
        date.map(super::date).transpose().map_err(D::Error::custom)
    }

    /// Dates.
    ///
    /// # Errors
    /// When one is none, or lies outside the calendar.
    pub fn dates<'de, D: Deserializer<'de>>(from: D) -> Result<Vec<NaiveDate>, D::Error> {
        let dates = Vec::deserialize(from)?.into_iter().map(super::date);
        dates.collect::<Result<_, _>>().map_err(D::Error::custom)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_calendar_holds_two_hundred_years_and_no_more() {
        let read = |text| read_instant(text).is_ok();
        assert!(read("2000-01-01T00:00:00Z") && read("2199-12-31T23:59:59.999Z"));
        assert!(!read("1999-12-31T23:59:59Z") && !read("2200-01-01T00:00:00Z"));
        assert!(read_date("2000-01-01").is_ok() && read_date("2199-12-31").is_ok());
        assert!(read_date("1999-12-31").is_err() && read_date("2200-01-01").is_err());
        for far in ["9999-12-31T00:00:00Z", "-262143-01-01T00:00:00Z"] {
            let words = read_instant(far).unwrap_err();
            assert!(words.contains("outside the years 2000 to 2199"), "{words}");
        }
    }

    #[test]
    fn sums_stop_at_the_ends_of_the_calendar() {
        let (first, last) = (DateTime::<Utc>::MIN_UTC, DateTime::<Utc>::MAX_UTC);
        assert_eq!(later(last, TimeDelta::seconds(1)), last);
        assert_eq!(later(first, TimeDelta::seconds(-1)), first);
        assert_eq!(earlier(first, TimeDelta::seconds(1)), first);
        assert_eq!(earlier(last, TimeDelta::MIN), last);
        assert_eq!(later(EARLIEST, days(i64::MAX)), last);
        assert_eq!(later(EARLIEST, days(i64::MIN)), first);
    }
}
