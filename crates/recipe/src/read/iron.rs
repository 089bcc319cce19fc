//! Ironing: which wheels stand for their batch, and when.

use quantity::Percent;
use serde::Deserialize;
use toml::Spanned;

use crate::{Ages, Iron, IronPlan, Located, Origin};

/// Blue in less of a core than this calls no batch ready (common practice, no source).
const LEAST_PCT: f64 = 10.0;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct IronTable {
    from_age_days: Spanned<i64>,
    wheels_per_batch: Spanned<IronPlan>,
    every_days: Spanned<i64>,
    ready_at_coverage_pct: Spanned<Percent>,
}

impl<'de> Deserialize<'de> for IronPlan {
    fn deserialize<D: serde::Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
        struct Plan;
        impl serde::de::Visitor<'_> for Plan {
            type Value = IronPlan;
            fn expecting(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
                f.write_str("a number of wheels, or \"iso-2859-1\"")
            }
            fn visit_i64<E: serde::de::Error>(self, wheels: i64) -> Result<IronPlan, E> {
                usize::try_from(wheels)
                    .ok()
                    .filter(|wheels| *wheels > 0)
                    .map(IronPlan::Wheels)
                    .ok_or_else(|| {
                        E::custom("at least 1 wheel of a batch must be ironed, or nobody knows that it is ready")
                    })
            }
            fn visit_str<E: serde::de::Error>(self, name: &str) -> Result<IronPlan, E> {
                match name {
                    "iso-2859-1" => Ok(IronPlan::Iso2859),
                    other => Err(E::invalid_value(serde::de::Unexpected::Str(other), &self)),
                }
            }
        }
        d.deserialize_any(Plan)
    }
}

/// `pierce`: when wheels are pierced, which comes before any core.
pub(super) fn iron(origin: &Origin<'_>, table: &IronTable, pierce: Ages) -> Result<Iron, Located> {
    let from_age_days = origin.days("from_age_days", &table.from_age_days, 1)?;
    if from_age_days < pierce.earliest {
        return Err(origin.error(
            table.from_age_days.span(),
            format!(
                "ironing starts before piercing (earliest {} days)",
                pierce.earliest
            ),
        ));
    }
    Ok(Iron {
        from_age_days,
        wheels_per_batch: *table.wheels_per_batch.get_ref(),
        every_days: origin.days("every_days", &table.every_days, 1)?,
        ready_at_coverage_pct: origin.percent(
            "ready_at_coverage_pct",
            &table.ready_at_coverage_pct,
            LEAST_PCT,
        )?,
    })
}
