//! The dairy day: the site's local working day, which starts at a configured hour.
//!
//! "Daily" on the floor means once per dairy day, not every 24 h: on the two days
//! a year when the clocks change, a dairy day has 23 or 25 hours and is still one.

use std::fmt;

use chrono::{DateTime, Days, Duration, LocalResult, NaiveDate, NaiveTime, TimeZone, Utc};
use chrono_tz::Tz;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// The first and last date on which local time can be told anywhere: a zone may lie a day
/// before or after UTC, and a dairy day may reach into the next date.
const FIRST: NaiveDate = match NaiveDate::MIN.checked_add_days(Days::new(3)) {
    Some(date) => date,
    None => NaiveDate::MIN,
};
const LAST: NaiveDate = match NaiveDate::MAX.checked_sub_days(Days::new(3)) {
    Some(date) => date,
    None => NaiveDate::MAX,
};

/// One local working day of a site, named by the calendar date it starts on.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct DairyDay(NaiveDate);

impl DairyDay {
    /// The dairy day that starts on this calendar date.
    #[must_use]
    pub const fn starting(date: NaiveDate) -> Self {
        Self(date)
    }

    /// The calendar date on which the day starts.
    #[must_use]
    pub const fn date(self) -> NaiveDate {
        self.0
    }

    /// This day moved by whole days; saturates at the ends of the calendar.
    #[must_use]
    pub fn plus(self, days: i64) -> Self {
        let moved = if days >= 0 {
            self.0.checked_add_days(Days::new(days.unsigned_abs()))
        } else {
            self.0.checked_sub_days(Days::new(days.unsigned_abs()))
        };
        Self(moved.unwrap_or(if days >= 0 {
            NaiveDate::MAX
        } else {
            NaiveDate::MIN
        }))
    }

    /// This day and every so many days after it, up to `last`. It ends where the calendar
    /// does.
    pub fn every(self, days: i64, last: Self) -> impl Iterator<Item = Self> {
        let step = Days::new(days.max(1).unsigned_abs());
        std::iter::successors(Some(self.0), move |day| day.checked_add_days(step))
            .map(Self)
            .take_while(move |day| *day <= last)
    }

    /// Whole days from `earlier` to this day; negative when `earlier` is later.
    #[must_use]
    pub fn days_since(self, earlier: Self) -> i64 {
        self.0.signed_duration_since(earlier.0).num_days()
    }

    /// This day, or the nearest one whose hours a calendar can tell in every time zone.
    fn tellable(self) -> NaiveDate {
        self.0.clamp(FIRST, LAST)
    }
}

impl fmt::Display for DairyDay {
    /// `Tue 3 Mar 2026`
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0.format("%a %-d %b %Y"))
    }
}

/// A wheel's age: whole dairy days since its make day. Day 0 is the make day.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct Age(pub i64);

impl fmt::Display for Age {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self.0 {
            1 => write!(f, "1 day"),
            n => write!(f, "{n} days"),
        }
    }
}

/// Turns instants into dairy days and back, for one site.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct DairyClock {
    zone: Tz,
    day_starts: NaiveTime,
}

impl DairyClock {
    /// A clock for a site in `zone` whose working day starts at local time `day_starts`.
    #[must_use]
    pub const fn new(zone: Tz, day_starts: NaiveTime) -> Self {
        Self { zone, day_starts }
    }

    /// The site's time zone.
    #[must_use]
    pub const fn zone(&self) -> Tz {
        self.zone
    }

    /// The dairy day that an instant belongs to.
    #[must_use]
    pub fn day_of(&self, at: DateTime<Utc>) -> DairyDay {
        let at = tellable(at);
        let day = DairyDay(at.with_timezone(&self.zone).date_naive());
        if at < self.start_of(day) {
            day.plus(-1)
        } else {
            day
        }
    }

    /// The first instant of a dairy day.
    #[must_use]
    pub fn start_of(&self, day: DairyDay) -> DateTime<Utc> {
        self.at(day, self.day_starts)
    }

    /// The first instant after a dairy day, which is the start of the next.
    #[must_use]
    pub fn end_of(&self, day: DairyDay) -> DateTime<Utc> {
        self.start_of(day.plus(1))
    }

    /// The instant of a local time of day within a dairy day. Times before the
    /// start of the day fall on the next calendar date. A local time that the
    /// clocks skip becomes the first instant after the gap; one that they repeat
    /// becomes the first of the two.
    #[must_use]
    pub fn at(&self, day: DairyDay, time: NaiveTime) -> DateTime<Utc> {
        let day = if time < self.day_starts {
            day.plus(1)
        } else {
            day
        };
        let date = day.tellable();
        let local = date.and_time(time);
        match self.zone.from_local_datetime(&local) {
            LocalResult::Single(at) | LocalResult::Ambiguous(at, _) => at.to_utc(),
            LocalResult::None => self.after_gap(local),
        }
    }

    /// The age at an instant of something made on `made`.
    #[must_use]
    pub fn age(&self, made: DairyDay, at: DateTime<Utc>) -> Age {
        Age(self.day_of(at).days_since(made))
    }

    /// `Tue 06:40`: local time as people on the floor say it.
    #[must_use]
    pub fn floor_time(&self, at: DateTime<Utc>) -> String {
        self.at_home(at).format("%a %H:%M").to_string()
    }

    /// `2026-03-03 06:40`: local date and time.
    #[must_use]
    pub fn local(&self, at: DateTime<Utc>) -> String {
        self.at_home(at).format("%Y-%m-%d %H:%M").to_string()
    }

    /// An instant in the site's time zone; the nearest that a calendar can tell, if need be.
    #[must_use]
    pub fn at_home(&self, at: DateTime<Utc>) -> DateTime<Tz> {
        tellable(at).with_timezone(&self.zone)
    }

    /// First instant after the gap that `local` falls in. Zones change by at most
    /// a day (Samoa skipped one whole date in 2011), so a step of a minute over
    /// 25 hours always finds it.
    fn after_gap(&self, local: chrono::NaiveDateTime) -> DateTime<Utc> {
        (1..=25 * 60)
            .find_map(|minutes| {
                let later = local.checked_add_signed(Duration::minutes(minutes))?;
                self.zone.from_local_datetime(&later).earliest()
            })
            .map_or_else(|| local.and_utc(), |at| at.to_utc())
    }
}

/// An instant, or the nearest one whose local time a calendar can tell in every time zone.
fn tellable(at: DateTime<Utc>) -> DateTime<Utc> {
    let midnight = |date: NaiveDate| date.and_time(NaiveTime::MIN).and_utc();
    at.clamp(midnight(FIRST), midnight(LAST))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn clock(zone: Tz, hour: u32) -> DairyClock {
        DairyClock::new(zone, NaiveTime::from_hms_opt(hour, 0, 0).unwrap())
    }

    fn utc(text: &str) -> DateTime<Utc> {
        text.parse().unwrap()
    }

    fn day(text: &str) -> DairyDay {
        DairyDay::starting(text.parse().unwrap())
    }

    fn any_instant() -> impl Strategy<Value = DateTime<Utc>> {
        let (first, last) = (DateTime::<Utc>::MIN_UTC, DateTime::<Utc>::MAX_UTC);
        let (from, to) = (first.timestamp_millis(), last.timestamp_millis());
        prop_oneof![
            Just(first),
            Just(last),
            (from..from + 400_000_000)
                .prop_filter_map("an instant", DateTime::from_timestamp_millis),
            (to - 400_000_000..to).prop_filter_map("an instant", DateTime::from_timestamp_millis),
            (from..to).prop_filter_map("an instant", DateTime::from_timestamp_millis),
        ]
    }

    fn any_date() -> impl Strategy<Value = NaiveDate> {
        let whole = i64::from(u32::MAX);
        prop_oneof![
            Just(NaiveDate::MIN),
            Just(NaiveDate::MAX),
            any_instant().prop_map(|at| at.date_naive()),
            (-whole..whole).prop_map(|days| day("2026-03-03").plus(days).date()),
        ]
    }

    #[test]
    fn a_scan_after_midnight_belongs_to_yesterdays_shift() {
        let clock = clock(chrono_tz::Europe::Berlin, 4);
        assert_eq!(clock.day_of(utc("2026-03-04T00:30:00Z")), day("2026-03-03"));
        assert_eq!(clock.day_of(utc("2026-03-04T03:00:00Z")), day("2026-03-04"));
    }

    #[test]
    fn a_dairy_day_has_23_hours_when_clocks_go_forward_and_25_when_they_go_back() {
        // European Union summer time 2026: 29 March and 25 October (Directive 2000/84/EC:
        // last Sunday of each month at 01:00 UTC).
        let clock = clock(chrono_tz::Europe::Berlin, 0);
        let hours = |text| (clock.end_of(day(text)) - clock.start_of(day(text))).num_hours();
        assert_eq!(hours("2026-03-28"), 24);
        assert_eq!(hours("2026-03-29"), 23);
        assert_eq!(hours("2026-10-25"), 25);
    }

    #[test]
    fn a_day_that_starts_in_the_skipped_hour_starts_after_it() {
        let clock = DairyClock::new(
            chrono_tz::Europe::Berlin,
            NaiveTime::from_hms_opt(2, 30, 0).unwrap(),
        );
        assert_eq!(
            clock.start_of(day("2026-03-29")),
            utc("2026-03-29T01:00:00Z")
        );
    }

    proptest! {
        #[test]
        fn every_instant_lies_inside_its_dairy_day(
            seconds in 0i64..4_102_444_800,
            minutes in 0u32..1440,
            zone in proptest::sample::select(vec![
                chrono_tz::Europe::Berlin, chrono_tz::America::St_Johns, chrono_tz::Pacific::Apia,
                chrono_tz::Australia::Lord_Howe, chrono_tz::Africa::Casablanca, chrono_tz::UTC,
            ]),
        ) {
            let starts = NaiveTime::from_hms_opt(minutes / 60, minutes % 60, 0).unwrap();
            let clock = DairyClock::new(zone, starts);
            let at = DateTime::from_timestamp(seconds, 0).unwrap();
            let day = clock.day_of(at);
            prop_assert!(clock.start_of(day) <= at, "{at} before {day}");
            prop_assert!(at < clock.end_of(day), "{at} after {day}");
        }

        /// Every date and time that can be written down at all, the ends among them.
        #[test]
        fn no_date_and_no_time_is_too_far_for_a_dairy_clock(
            at in any_instant(),
            other in any_date(),
            days in any::<i64>(),
            minutes in 0u32..1440,
            of_day in 0u32..1440,
            zone in proptest::sample::select(chrono_tz::TZ_VARIANTS.to_vec()),
        ) {
            let time = |minutes: u32| NaiveTime::from_hms_opt(minutes / 60, minutes % 60, 0).unwrap();
            let clock = DairyClock::new(zone, time(minutes));
            let (day, other) = (clock.day_of(at), DairyDay::starting(other));
            for day in [day, other, day.plus(days), other.plus(days)] {
                let (start, end) = (clock.start_of(day), clock.end_of(day));
                prop_assert!(start <= end, "{day}");
                let _ = (clock.at(day, time(of_day)), day.to_string());
                let _ = (clock.floor_time(start), clock.local(end), clock.age(other, start));
            }
            let _ = (clock.floor_time(at), clock.local(at), clock.age(other, at));
            let (back, forth) = (day.days_since(other), other.days_since(day));
            prop_assert_eq!(back, -forth);
            prop_assert!(day.every(days, day.plus(20)).count() <= 21);
            prop_assert!(serde_json::from_str::<DairyDay>(&serde_json::to_string(&other).unwrap()).is_ok());
        }
    }
}
