//! Markets, and the grades that each takes.

use facts::{Grade, MarketId};
use serde::Deserialize;
use toml::Spanned;

use super::days::LONGEST_DAYS;
use crate::{Located, Market, Origin};

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct MarketTable {
    id: Spanned<MarketId>,
    transit_days: Spanned<i64>,
    arrive_age_days: Spanned<(i64, i64)>,
    legal_least_age_days: Option<Spanned<i64>>,
    grades: Option<Spanned<Vec<Grade>>>,
}

pub(super) fn markets(
    origin: &Origin<'_>,
    tables: &[Spanned<MarketTable>],
    best_before_days: i64,
) -> Result<Vec<Market>, Located> {
    let mut markets: Vec<Market> = Vec::new();
    for table in tables {
        let market = table.get_ref();
        let id = *market.id.get_ref();
        if markets.iter().any(|m| m.id == id) {
            let message = format!("market {id} stands here twice: each market once");
            return Err(origin.error(market.id.span(), message));
        }
        let read = Market {
            id,
            transit_days: origin.days("transit_days", &market.transit_days, 0)?,
            arrive_age_days: origin.range(
                "arrive_age_days",
                &market.arrive_age_days,
                (0, LONGEST_DAYS),
            )?,
            legal_least_age_days: market
                .legal_least_age_days
                .as_ref()
                .map(|days| origin.days("legal_least_age_days", days, 0))
                .transpose()?,
            grades: grades(origin, market.grades.as_ref())?,
        };
        if read.arrive_age_days.most > best_before_days {
            let message = format!(
                "market {id} takes wheels of up to {} days, but they are best before {best_before_days} days",
                read.arrive_age_days.most
            );
            return Err(origin.error(market.arrive_age_days.span(), message));
        }
        let ages = read.dispatch_ages();
        if ages.least > ages.most || ages.most < 0 {
            let message = format!(
                "market {id} has no day to ship on: a wheel would have to leave between {} and {} days old",
                ages.least, ages.most
            );
            return Err(origin.error(table.span(), message));
        }
        markets.push(read);
    }
    Ok(markets)
}

fn grades(
    origin: &Origin<'_>,
    listed: Option<&Spanned<Vec<Grade>>>,
) -> Result<Vec<Grade>, Located> {
    let Some(listed) = listed else {
        return Ok(Vec::new());
    };
    let grades = listed.get_ref();
    if grades.is_empty() || grades.contains(&Grade::Reject) {
        return Err(origin.error(
            listed.span(),
            "grades lists at least one of \"A\", \"B\" and \"C\"; leave it out to take all three",
        ));
    }
    Ok(grades.clone())
}
