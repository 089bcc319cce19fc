//! Forecasts: the forecaster's answers, passed on.

use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query as InQuery, State};
use facts::RoomId;
use forecast::{Query, WarmerBy};
use schemars::JsonSchema;
use serde::Deserialize;
use serde_json::Value;

use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::trouble::Trouble;

/// What if. All left out: as things are.
#[derive(Debug, Default, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WhatIfParameters {
    /// A room that might be warmer from now on.
    pub warmer: Option<RoomId>,
    /// By so many °C, −20 to 20; below 0 it is colder.
    pub by_c: Option<f64>,
    /// For so many days, 0 to 400; for good if left out.
    pub days: Option<f64>,
    /// Piercing put off by so many days, −200 to 200.
    pub pierce_later_days: Option<f64>,
}

impl WhatIfParameters {
    fn query(&self, what: Option<String>) -> Result<Query, Trouble> {
        let warmer = match (self.warmer, self.by_c) {
            (None, None) => None,
            (Some(room), Some(by_c)) => Some(WarmerBy {
                room,
                by_c,
                days: self.days,
            }),
            _ => {
                return Err(Trouble::bad(
                    "warmer names a room and by_c says by how many °C: give both, or neither",
                ));
            }
        };
        Ok(Query {
            what,
            warmer: warmer.into_iter().collect(),
            pierce_later_days: self.pierce_later_days.unwrap_or_default(),
            ..Query::default()
        })
    }
}

/// `GET /api/v1/forecasts`
///
/// # Errors
/// Nobody is signed in, the forecaster does not answer, or the question makes no sense.
pub async fn all(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    what_if: Result<InQuery<WhatIfParameters>, QueryRejection>,
) -> Result<Json<Value>, Trouble> {
    answer(&gateway, &visitor, None, what_if).await
}

/// `GET /api/v1/forecasts/{what}`: of a batch or a wheel.
///
/// # Errors
/// As for [`all`], or nothing is known of it.
pub async fn one(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    Path(what): Path<String>,
    what_if: Result<InQuery<WhatIfParameters>, QueryRejection>,
) -> Result<Json<Value>, Trouble> {
    answer(&gateway, &visitor, Some(what), what_if).await
}

async fn answer(
    gateway: &Gateway,
    visitor: &Visitor,
    what: Option<String>,
    what_if: Result<InQuery<WhatIfParameters>, QueryRejection>,
) -> Result<Json<Value>, Trouble> {
    visitor.signed()?;
    let InQuery(what_if) = what_if.map_err(|bad| unfit(&bad))?;
    let query = what_if.query(what)?;
    gateway.ask("forecast", &query).await.map(Json)
}
