//! Looking at the floor: the scheduler's answers, passed on.

use axum::Json;
use axum::extract::{Path, Query, State};
use facts::{BatchId, RoomId, WheelId};
use ripening::answer::{BatchPicture, Due, DueQuery, FloorPicture, WheelLife, WheelRow};
use scheduler::{CensusQuery, DAY, Day, ROOMS, RoomsAhead, RoomsQuery, Standing};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::part::Limit;
use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::trouble::Trouble;

/// Lines of what is due in one answer where nobody says.
const LINES: Limit = Limit(500);

/// `GET /api/v1/standing`
///
/// # Errors
/// Nobody is signed in, or nobody answers.
pub async fn standing(
    State(gateway): State<Gateway>,
    visitor: Visitor,
) -> Result<Json<Standing>, Trouble> {
    visitor.signed()?;
    gateway.ask("standing", &()).await.map(Json)
}

/// `GET /api/v1/floor`
///
/// # Errors
/// Nobody is signed in, or nobody answers.
pub async fn floor(
    State(gateway): State<Gateway>,
    visitor: Visitor,
) -> Result<Json<FloorPicture>, Trouble> {
    visitor.signed()?;
    gateway.ask("floor", &()).await.map(Json)
}

/// What is asked of `due`.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DueParameters {
    /// Only this room.
    pub room: Option<RoomId>,
    /// What is due by this instant, instead of what may be done now.
    #[serde(
        default,
        deserialize_with = "quantity::calendar::read::instant_or_none"
    )]
    pub by: Option<chrono::DateTime<chrono::Utc>>,
    /// After so many lines: the `next` of the part before.
    pub after: Option<usize>,
    /// So many lines, 1 to 1000; 500 if left out.
    pub limit: Option<Limit>,
}

/// What is due, part by part.
#[derive(Debug, Serialize)]
pub struct DuePart {
    #[serde(flatten)]
    due: Due,
    /// How many lines there are.
    of: usize,
    /// What to ask for next, as `after`; none after the last line.
    #[serde(skip_serializing_if = "Option::is_none")]
    next: Option<usize>,
}

/// `GET /api/v1/due`
///
/// # Errors
/// Nobody is signed in, nobody answers, or the question makes no sense.
pub async fn due(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    query: Result<Query<DueParameters>, axum::extract::rejection::QueryRejection>,
) -> Result<Json<DuePart>, Trouble> {
    visitor.signed()?;
    let Query(query) = query.map_err(|bad| unfit(&bad))?;
    let (after, limit) = (
        query.after.unwrap_or_default(),
        query.limit.unwrap_or(LINES),
    );
    let query = DueQuery {
        room: query.room,
        by: query.by,
    };
    let mut due: Due = gateway.ask("due", &query).await?;
    let of = due.lines.len();
    due.lines = due
        .lines
        .into_iter()
        .skip(after)
        .take(limit.get())
        .collect();
    let next = Some(after.saturating_add(limit.get())).filter(|next| *next < of);
    Ok(Json(DuePart { due, of, next }))
}

/// What is asked of `wheels`.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct WheelsParameters {
    /// Only wheels after this one: a thousand come at a time.
    pub after: Option<WheelId>,
}

/// `GET /api/v1/wheels`
///
/// # Errors
/// Nobody is signed in, nobody answers, or the question makes no sense.
pub async fn wheels(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    query: Result<Query<WheelsParameters>, axum::extract::rejection::QueryRejection>,
) -> Result<Json<Vec<WheelRow>>, Trouble> {
    visitor.signed()?;
    let Query(query) = query.map_err(|bad| unfit(&bad))?;
    let query = CensusQuery { after: query.after };
    gateway.ask("census", &query).await.map(Json)
}

/// `GET /api/v1/wheels/{wheel}`
///
/// # Errors
/// Nobody is signed in, nobody answers, or no fact speaks of it.
pub async fn wheel(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    Path(wheel): Path<String>,
) -> Result<Json<WheelLife>, Trouble> {
    visitor.signed()?;
    let wheel = WheelId::new(&wheel).map_err(|bad| Trouble::bad(bad.to_string()))?;
    gateway.ask("wheel", &wheel).await.map(Json)
}

/// `GET /api/v1/batches/{batch}`
///
/// # Errors
/// Nobody is signed in, nobody answers, or no fact speaks of it.
pub async fn batch(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    Path(batch): Path<String>,
) -> Result<Json<BatchPicture>, Trouble> {
    visitor.signed()?;
    let batch = BatchId::new(&batch).map_err(|bad| Trouble::bad(bad.to_string()))?;
    gateway.ask("batch", &batch).await.map(Json)
}

/// The day's plan and what was missed.
#[derive(Debug, Serialize)]
pub struct PlanBody {
    /// The instant it was made for.
    pub now: chrono::DateTime<chrono::Utc>,
    /// The plan; none when the site file names no crew file.
    pub plan: Option<plan::Plan>,
    /// What was missed today.
    pub missed: plan::RollCall,
}

/// `GET /api/v1/plan`
///
/// # Errors
/// Nobody is signed in, or it was not finished.
pub async fn plan(
    State(gateway): State<Gateway>,
    visitor: Visitor,
) -> Result<Json<PlanBody>, Trouble> {
    visitor.signed()?;
    let Day {
        now, plan, missed, ..
    } = gateway.ask(DAY, &()).await?;
    Ok(Json(PlanBody { now, plan, missed }))
}

/// `GET /api/v1/rooms`
///
/// # Errors
/// Nobody is signed in, or it was not finished.
pub async fn rooms(
    State(gateway): State<Gateway>,
    visitor: Visitor,
) -> Result<Json<plan::Forecast>, Trouble> {
    visitor.signed()?;
    let ahead: RoomsAhead = gateway.ask(ROOMS, &RoomsQuery::default()).await?;
    Ok(Json(ahead.forecast))
}

/// `GET /api/v1/told`
///
/// # Errors
/// Nobody is signed in.
pub async fn told(
    State(gateway): State<Gateway>,
    visitor: Visitor,
) -> Result<Json<Vec<bus::telling::Message>>, Trouble> {
    visitor.signed()?;
    Ok(Json(gateway.told().open()))
}
