//! Axes: where the marks along them stand and what they say.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use quantity::{DairyClock, DairyDay, calendar};

/// A horizontal axis.
#[derive(Debug, Clone, PartialEq)]
pub enum Axis {
    /// A number.
    Numbers {
        /// The quantity and its unit.
        label: String,
    },
    /// Time, marked in dairy days, or in hours of local time where it is short.
    Times {
        /// The site's zone and start of day.
        clock: DairyClock,
    },
    /// Things side by side: people, rooms, the samples of a chart.
    Names {
        /// What they are.
        label: String,
        /// Their names, at 0, 1, 2 …
        names: Vec<String>,
    },
}

/// The place of an instant on an axis of times: seconds since 1970.
#[must_use]
pub fn at(instant: DateTime<Utc>) -> f64 {
    instant.timestamp() as f64 + f64::from(instant.timestamp_subsec_millis()) / 1000.0
}

/// A mark along an axis.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Tick {
    pub at: f64,
    pub text: String,
    /// A second line: the day, where the first says the hour.
    pub below: Option<String>,
}

/// Steps of time, in minutes, that people count in.
const MINUTES: [i64; 10] = [1, 5, 10, 15, 30, 60, 120, 180, 360, 720];
/// The same in days.
const DAYS: [i64; 9] = [1, 2, 7, 14, 28, 56, 91, 182, 364];
/// Up to so many seconds an axis is marked in hours.
const SHORT: f64 = 36.0 * 3600.0;

impl Axis {
    pub(crate) fn label(&self) -> &str {
        match self {
            Self::Numbers { label } | Self::Names { label, .. } => label,
            Self::Times { .. } => "",
        }
    }

    /// At most about `most` marks between two places.
    pub(crate) fn ticks(&self, from: f64, to: f64, most: usize) -> Vec<Tick> {
        match self {
            Self::Numbers { .. } => numbers(from, to, most),
            Self::Times { clock } => times(clock, from, to, most),
            Self::Names { names, .. } => {
                let every = names.len().div_ceil(most.max(1)).max(1);
                let ticks = (0_u32..).zip(names).step_by(every);
                let ticks = ticks.map(|(place, name)| Tick {
                    at: f64::from(place),
                    text: name.clone(),
                    below: None,
                });
                ticks
                    .filter(|tick| from <= tick.at && tick.at <= to)
                    .collect()
            }
        }
    }
}

/// Round numbers: 1, 2 or 5 times a power of ten apart.
pub(crate) fn numbers(from: f64, to: f64, most: usize) -> Vec<Tick> {
    let rough = (to - from) / most.max(1) as f64;
    if !(rough.is_finite() && rough > 0.0) {
        return Vec::new();
    }
    let power = rough.log10().floor();
    let ten = 10_f64.powi(power as i32);
    let step = [1.0, 2.0, 5.0, 10.0]
        .map(|factor| factor * ten)
        .into_iter()
        .find(|step| *step >= rough * (1.0 - 1e-9))
        .unwrap_or(rough);
    let decimals = if step < 1.0 {
        (-(step.log10() + 1e-9).floor()) as usize
    } else {
        0
    };
    let first = (from / step - 1e-9).ceil();
    let count = ((to / step + 1e-9).floor() - first).max(-1.0) as usize;
    (0..=count)
        .map(|n| {
            // Not by adding up, so that 0.3 is 0.3; and no minus before a nought.
            let at = (first + n as f64) * step + 0.0;
            Tick {
                at,
                text: format!("{at:.decimals$}"),
                below: None,
            }
        })
        .filter(|tick| from - step * 1e-6 <= tick.at && tick.at <= to + step * 1e-6)
        .collect()
}

fn instant(seconds: f64) -> DateTime<Utc> {
    // Beyond the calendar there is nothing to mark.
    DateTime::from_timestamp(seconds.floor() as i64, 0).unwrap_or_default()
}

fn times(clock: &DairyClock, from: f64, to: f64, most: usize) -> Vec<Tick> {
    if to - from > SHORT {
        days(clock, from, to, most)
    } else {
        hours(clock, from, to, most)
    }
}

/// Hours and minutes of local time, with the date under the first and under each new one.
fn hours(clock: &DairyClock, from: f64, to: f64, most: usize) -> Vec<Tick> {
    let span = (to - from) / 60.0;
    let fits = |minutes: &&i64| span / **minutes as f64 <= most as f64;
    let step = *MINUTES.iter().find(fits).unwrap_or(&720);
    // Every local full step from an hour before: zones differ from UTC by quarter hours.
    let begin = instant(from - 3600.0 - (from - 3600.0).rem_euclid(60.0));
    let mut shown: Option<NaiveDate> = None;
    (0..=span as i64 + 120)
        .map(|minute| calendar::later(begin, TimeDelta::minutes(minute)))
        .filter(|instant| (from..=to).contains(&at(*instant)))
        .map(|instant| (instant, clock.at_home(instant).naive_local()))
        .filter(|(_, local)| {
            let since_midnight = local.time() - chrono::NaiveTime::MIN;
            since_midnight.num_minutes() % step == 0 && since_midnight.num_seconds() % 60 == 0
        })
        .map(|(instant, local)| {
            let new = shown.replace(local.date()) != Some(local.date());
            Tick {
                at: at(instant),
                text: local.format("%H:%M").to_string(),
                below: new.then(|| local.format("%a %-d %b").to_string()),
            }
        })
        .collect()
}

/// Starts of dairy days; every seventh is a Monday. The year stands under the first and
/// under each new one.
fn days(clock: &DairyClock, from: f64, to: f64, most: usize) -> Vec<Tick> {
    let span = (to - from) / 86_400.0;
    let fits = |days: &&i64| span / **days as f64 <= most as f64;
    let step = *DAYS.iter().find(fits).unwrap_or(&364);
    let first = clock.day_of(instant(from));
    let monday = DairyDay::starting(NaiveDate::from_ymd_opt(1970, 1, 5).unwrap_or_default());
    let mut shown: Option<i32> = None;
    let marked = |day: &DairyDay| day.days_since(monday).rem_euclid(step) == 0;
    let begin = (0..step).find(|n| marked(&first.plus(*n))).unwrap_or(0);
    (begin..=span as i64 + 2)
        .step_by(usize::try_from(step).unwrap_or(1).max(1))
        .map(|n| first.plus(n))
        .map(|day| (at(clock.start_of(day)), day.date()))
        .filter(|(place, _)| (from..=to).contains(place))
        .map(|(place, date)| {
            use chrono::Datelike as _;
            let new = shown.replace(date.year()) != Some(date.year());
            Tick {
                at: place,
                text: date.format("%-d %b").to_string(),
                below: new.then(|| date.year().to_string()),
            }
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn texts(ticks: &[Tick]) -> Vec<String> {
        let text = |tick: &Tick| match &tick.below {
            Some(below) => format!("{} | {below}", tick.text),
            None => tick.text.clone(),
        };
        ticks.iter().map(text).collect()
    }

    fn clock() -> DairyClock {
        let four = chrono::NaiveTime::from_hms_opt(4, 0, 0).unwrap();
        DairyClock::new(chrono_tz::Europe::Berlin, four)
    }

    fn place(text: &str) -> f64 {
        at(text.parse().unwrap())
    }

    #[test]
    fn numbers_are_round_and_say_no_more_than_they_mean() {
        assert_eq!(
            texts(&numbers(-0.24, 0.24, 5)),
            ["-0.2", "-0.1", "0.0", "0.1", "0.2"]
        );
        assert_eq!(
            texts(&numbers(4080.0, 4310.0, 5)),
            ["4100", "4150", "4200", "4250", "4300"]
        );
        assert_eq!(
            texts(&numbers(0.0, 1.0, 5)),
            ["0.0", "0.2", "0.4", "0.6", "0.8", "1.0"]
        );
        assert!(numbers(1.0, 1.0, 5).is_empty());
    }

    #[test]
    fn a_morning_is_marked_in_local_hours_with_its_date_once() {
        let axis = Axis::Times { clock: clock() };
        let (from, to) = (place("2026-03-03T07:50:00Z"), place("2026-03-03T09:40:00Z"));
        assert_eq!(
            texts(&axis.ticks(from, to, 5)),
            ["09:00 | Tue 3 Mar", "09:30", "10:00", "10:30"]
        );
    }

    #[test]
    fn weeks_start_on_mondays_when_the_dairy_day_starts_also_when_the_clocks_change() {
        // Summer time begins on 29 March 2026: four o'clock is 03:00 UTC before, 02:00 after.
        let axis = Axis::Times { clock: clock() };
        let (from, to) = (place("2026-03-15T00:00:00Z"), place("2026-04-08T00:00:00Z"));
        let ticks = axis.ticks(from, to, 5);
        assert_eq!(
            texts(&ticks),
            ["16 Mar | 2026", "23 Mar", "30 Mar", "6 Apr"]
        );
        assert_eq!(ticks[1].at, place("2026-03-23T03:00:00Z"));
        assert_eq!(ticks[2].at, place("2026-03-30T02:00:00Z"));
    }

    #[test]
    fn names_that_do_not_all_fit_are_shown_now_and_then() {
        let names = (1..=25).map(|n| n.to_string()).collect();
        let axis = Axis::Names {
            label: String::new(),
            names,
        };
        assert_eq!(
            texts(&axis.ticks(-0.5, 24.5, 9)),
            ["1", "4", "7", "10", "13", "16", "19", "22", "25"]
        );
    }

    proptest! {
        #[test]
        fn marks_stand_in_order_inside_the_axis_and_never_crowd(
            from in -1.0e6_f64..1.0e6, span in 1.0e-3_f64..1.0e6, most in 2_usize..12,
        ) {
            let to = from + span;
            let ticks = numbers(from, to, most);
            prop_assert!(!ticks.is_empty() || span < 1.0 || most < 4);
            prop_assert!(ticks.len() <= most + 1);
            prop_assert!(ticks.windows(2).all(|pair| pair[0].at < pair[1].at));
            let slack = span * 1e-5;
            prop_assert!(ticks.iter().all(|t| from - slack <= t.at && t.at <= to + slack));
        }

        #[test]
        fn times_of_any_length_are_marked_with_no_more_than_fit(
            from in 1.7e9_f64..1.8e9, span in 60.0_f64..6.0e7, most in 3_usize..12,
        ) {
            let axis = Axis::Times { clock: clock() };
            let ticks = axis.ticks(from, from + span, most);
            prop_assert!(ticks.len() <= most + 2, "{} marks", ticks.len());
            prop_assert!(ticks.windows(2).all(|pair| pair[0].at < pair[1].at));
        }
    }
}
