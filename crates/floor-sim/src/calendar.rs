//! Larkholm's days and hours. A dairy day starts at 04:00 in London; the simulation knows
//! which day it plays, so it only ever turns local times into instants.

use chrono::{DateTime, Datelike, Days, NaiveDate, NaiveTime, TimeDelta, TimeZone, Utc, Weekday};

/// When a dairy day starts, local hour.
const DAY_STARTS: i64 = 4;

/// The instant of a local time on a dairy day. Hours from 24 on are the small hours of the
/// next date, which still belong to the day.
pub(crate) fn local(day: NaiveDate, hour: i64, minute: i64) -> DateTime<Utc> {
    let naive = day.and_time(NaiveTime::MIN) + TimeDelta::minutes(hour * 60 + minute);
    chrono_tz::Europe::London
        .from_local_datetime(&naive)
        .earliest()
        .map_or_else(|| naive.and_utc(), |at| at.to_utc())
}

/// The first instant of a dairy day.
pub(crate) fn start_of(day: NaiveDate) -> DateTime<Utc> {
    local(day, DAY_STARTS, 0)
}

/// The first instant after a dairy day.
pub(crate) fn end_of(day: NaiveDate) -> DateTime<Utc> {
    start_of(later(day, 1))
}

/// This many days later.
pub(crate) fn later(day: NaiveDate, days: i64) -> NaiveDate {
    let by = Days::new(days.unsigned_abs());
    if days < 0 {
        day.checked_sub_days(by)
    } else {
        day.checked_add_days(by)
    }
    .unwrap_or(day)
}

/// Monday to Friday.
pub(crate) fn is_weekday(day: NaiveDate) -> bool {
    !matches!(day.weekday(), Weekday::Sat | Weekday::Sun)
}

/// This day, or the Monday after it.
pub(crate) fn weekday_from(day: NaiveDate) -> NaiveDate {
    match day.weekday() {
        Weekday::Sat => later(day, 2),
        Weekday::Sun => later(day, 1),
        _ => day,
    }
}

/// Seconds as a span.
pub(crate) fn seconds(count: i64) -> TimeDelta {
    TimeDelta::seconds(count)
}
