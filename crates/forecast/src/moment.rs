//! Instants as numbers of days, on which curves are reckoned.

use chrono::{DateTime, Utc};

/// Days since 1970, with their fraction.
pub(crate) fn days(at: DateTime<Utc>) -> f64 {
    at.timestamp() as f64 / 86_400.0
}

/// The instant of a number of days since 1970; the nearest there is.
pub(crate) fn instant(days: f64) -> DateTime<Utc> {
    let seconds = (days * 86_400.0).round();
    let far = if seconds > 0.0 {
        DateTime::<Utc>::MAX_UTC
    } else {
        DateTime::<Utc>::MIN_UTC
    };
    DateTime::from_timestamp(seconds as i64, 0).unwrap_or(far)
}
