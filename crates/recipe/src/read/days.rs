//! Days, ages and ranges, as every table writes them.

use quantity::Percent;
use serde::Deserialize;
use toml::Spanned;

use crate::{Ages, Located, Origin, Range};

/// Longest age any rule may speak of: ten years.
pub(super) const LONGEST_DAYS: i64 = 3_660;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct AgesTable {
    earliest: i64,
    due: i64,
    latest: i64,
}

impl Origin<'_> {
    pub(super) fn days(&self, key: &str, value: &Spanned<i64>, least: i64) -> Result<i64, Located> {
        let days = *value.get_ref();
        if (least..=LONGEST_DAYS).contains(&days) {
            Ok(days)
        } else {
            let message = format!("{key} is {days}, but must be {least} to {LONGEST_DAYS} days");
            Err(self.error(value.span(), message))
        }
    }

    pub(super) fn ages(&self, key: &str, table: &Spanned<AgesTable>) -> Result<Ages, Located> {
        let AgesTable {
            earliest,
            due,
            latest,
        } = *table.get_ref();
        if 0 <= earliest && earliest <= due && due <= latest && latest <= LONGEST_DAYS {
            Ok(Ages {
                earliest,
                due,
                latest,
            })
        } else {
            let message = format!(
                "{key} must rise from earliest to due to latest, but says {earliest}, {due}, {latest}"
            );
            Err(self.error(table.span(), message))
        }
    }

    /// A share in percent, at least so much: one written as a fraction of 1 is far below.
    pub(super) fn percent(
        &self,
        key: &str,
        value: &Spanned<Percent>,
        least: f64,
    ) -> Result<Percent, Located> {
        let percent = *value.get_ref();
        if percent.get() >= least {
            return Ok(percent);
        }
        let message = format!(
            "{key} is {}, but must be {least} to 100: it is in percent, so write 85 for 85 %",
            percent.get()
        );
        Err(self.error(value.span(), message))
    }

    pub(super) fn range<T: PartialOrd + Copy + std::fmt::Display>(
        &self,
        key: &str,
        value: &Spanned<(T, T)>,
        within: (T, T),
    ) -> Result<Range<T>, Located> {
        let (least, most) = *value.get_ref();
        if within.0 <= least && least <= most && most <= within.1 {
            Ok(Range { least, most })
        } else {
            let message = format!(
                "{key} must be [least, most] within {} to {}, but says [{least}, {most}]",
                within.0, within.1
            );
            Err(self.error(value.span(), message))
        }
    }
}
