//! Prints the start of every dairy day of ten years, for zones and hours where clocks do
//! odd things, so that another library can be asked whether it agrees.
//!
//! The first line says which version of the time-zone database was compiled in. Then one
//! day a line: zone, local start of the dairy day, date, instant in UTC.

use std::io::Write as _;

use chrono::{Datelike as _, NaiveDate, NaiveTime, SecondsFormat};
use chrono_tz::Tz;
use quantity::{DairyClock, DairyDay};

const ZONES: [Tz; 12] = [
    Tz::UTC,
    Tz::Europe__London,
    Tz::Europe__Berlin,
    Tz::America__New_York,
    // Half an hour off the hour.
    Tz::America__St_Johns,
    // Its summer is half an hour, not one.
    Tz::Australia__Lord_Howe,
    // Gave summer time up in 2021.
    Tz::Pacific__Apia,
    // Goes back for Ramadan.
    Tz::Africa__Casablanca,
    Tz::Asia__Kathmandu,
    Tz::Pacific__Auckland,
    // These two skip midnight.
    Tz::Africa__Cairo,
    Tz::America__Santiago,
];

/// Local times, minutes after midnight: skipped in one zone or another, repeated in
/// another, and one that no zone touches.
const STARTS: [u32; 5] = [0, 60 + 45, 2 * 60 + 30, 3 * 60 + 15, 4 * 60];

const YEARS: std::ops::RangeInclusive<i32> = 2019..=2028;

fn main() -> std::io::Result<()> {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    writeln!(out, "tzdata {}", chrono_tz::IANA_TZDB_VERSION)?;
    for zone in ZONES {
        for start in STARTS {
            let time = NaiveTime::from_hms_opt(start / 60, start % 60, 0).unwrap_or_default();
            let clock = DairyClock::new(zone, time);
            let first = NaiveDate::from_ymd_opt(*YEARS.start(), 1, 1).unwrap_or_default();
            let days = first.iter_days().take_while(|d| YEARS.contains(&d.year()));
            for date in days {
                let at = clock.start_of(DairyDay::starting(date));
                let at = at.to_rfc3339_opts(SecondsFormat::Secs, true);
                writeln!(out, "{zone} {} {date} {at}", time.format("%H:%M"))?;
            }
        }
    }
    out.flush()
}
