//! Piercing, once or twice.

use quantity::Percent;
use serde::Deserialize;
use toml::Spanned;

use super::days::AgesTable;
use crate::{Ages, Located, Origin, Pierce};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct PierceTable {
    age_days: Spanned<AgesTable>,
    least_cover_pct: Spanned<Percent>,
    again_after_days: Option<Spanned<AgesTable>>,
    #[serde(default = "yes")]
    needle_check: bool,
}

const fn yes() -> bool {
    true
}

/// `unhoop`: when wheels leave their hoops, which comes before any piercing.
pub(super) fn pierce(
    origin: &Origin<'_>,
    table: &PierceTable,
    unhoop: Ages,
) -> Result<Pierce, Located> {
    let age = origin.ages("pierce.age_days", &table.age_days)?;
    if age.earliest <= unhoop.latest {
        return Err(origin.error(
            table.age_days.span(),
            format!(
                "piercing may start at {} days, but wheels may be in the hoop until {}: start later",
                age.earliest, unhoop.latest
            ),
        ));
    }
    let again = match &table.again_after_days {
        None => None,
        Some(written) => {
            let again = origin.ages("again_after_days", written)?;
            if again.earliest == 0 {
                return Err(origin.error(
                    written.span(),
                    "a second piercing on the day of the first is the same one: start at 1 day or later",
                ));
            }
            Some(again)
        }
    };
    Ok(Pierce {
        age,
        least_cover_pct: match table.least_cover_pct.get_ref().get() {
            // Some are pierced before any mould shows.
            0.0 => *table.least_cover_pct.get_ref(),
            _ => origin.percent("least_cover_pct", &table.least_cover_pct, 5.0)?,
        },
        again,
        needle_check: table.needle_check,
    })
}
