//! Orders: the dispatch desk's answers, passed on, and what people state about orders.

use axum::Json;
use axum::extract::rejection::QueryRejection;
use axum::extract::{Path, Query, State};
use axum::http::{HeaderValue, header};
use axum::response::{IntoResponse as _, Response};
use chrono::NaiveDate;
use dispatch::confirm::confirm as from_allocation;
use dispatch::office::Asked;
use dispatch::pick::PickList;
use dispatch::promise::Answer;
use dispatch::{Allocation, Order};
use dispatcher::{CHECK, Checked, LIST, ListQuery, OrderList, PickQuery};
use facts::{CustomerId, Event, Fact, Grade, OrderCancelled, OrderId, OrderPlaced, RecipeId};
use quantity::DairyDay;
use schemars::JsonSchema;
use serde::Deserialize;

use super::part::Limit;
use super::record::{ReasonBody, RecordedBody, recorded, words};
use crate::gateway::Gateway;
use crate::guard::{Body, Visitor};
use crate::parameters::unfit;
use crate::trouble::Trouble;

/// How sure a promise must be where nobody says, percent.
const SURE_PCT: u8 = 90;

/// What is asked of `promise`.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PromiseParameters {
    /// Who asks.
    pub customer: CustomerId,
    /// The cheese.
    pub recipe: RecipeId,
    /// The least grade accepted; A if left out.
    pub grade: Option<Grade>,
    /// How many wheels.
    pub wheels: u32,
    /// The day they should arrive by.
    #[serde(deserialize_with = "quantity::calendar::read::date")]
    pub by: NaiveDate,
    /// How sure it must be, percent; 90 if left out.
    pub sure_pct: Option<u8>,
}

/// What is asked of `picks`.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct PicksParameters {
    /// The day it leaves; today if left out.
    #[serde(default, deserialize_with = "quantity::calendar::read::date_or_none")]
    pub day: Option<NaiveDate>,
}

/// Orders in one answer where nobody says.
const LISTED: Limit = Limit(1_000);

/// What is asked of `orders`.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct OrdersParameters {
    /// Only orders after this number: the header `Link` names the next part.
    pub after: Option<OrderId>,
    /// So many orders, 1 to 1000, which is what comes if left out.
    pub limit: Option<Limit>,
}

/// Which arrival the customer was told of.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ConfirmBody {
    /// The day; the next that is open if left out.
    #[serde(default, deserialize_with = "quantity::calendar::read::date_or_none")]
    pub arrive_on: Option<NaiveDate>,
    /// Also when wheels are missing.
    #[serde(default)]
    pub partly: bool,
}

impl PromiseParameters {
    /// The question as the dispatch desk takes it.
    #[must_use]
    pub fn asked(&self) -> Asked {
        Asked {
            customer: self.customer,
            recipe: self.recipe,
            grade: self.grade.unwrap_or(Grade::A),
            wheels: self.wheels,
            by: self.by,
            sure_pct: self.sure_pct.unwrap_or(SURE_PCT).clamp(1, 100),
        }
    }
}

/// Records an order, once the dispatch desk finds nothing wrong with it. The same order
/// again records nothing.
///
/// # Errors
/// They may only look, something is wrong with the order, or the desk does not answer.
pub async fn place_order(
    gateway: &Gateway,
    visitor: &Visitor,
    order: OrderPlaced,
) -> Result<Vec<Fact>, Trouble> {
    let signed = visitor.recorder()?;
    let checked: Checked = gateway.ask(CHECK, &order).await?;
    if let Some(unknown) = checked.unknown {
        return Err(unknown.into());
    }
    if !checked.troubles.is_empty() {
        return Err(Trouble::bad(checked.troubles.join("; ")));
    }
    if checked.known {
        return Ok(Vec::new());
    }
    gateway.stations().state(signed, vec![order.into()]).await
}

/// Records that an order is cancelled.
///
/// # Errors
/// They may only look, there is no such order, or it is cancelled already.
pub async fn cancel_order(
    gateway: &Gateway,
    visitor: &Visitor,
    order: OrderId,
    reason: &str,
) -> Result<Vec<Fact>, Trouble> {
    let signed = visitor.recorder()?;
    let reason = words(reason, "a reason")?;
    let known = order_named(gateway, order).await?;
    let order = known.id;
    if known.cancelled.is_some() {
        return Err(Trouble::bad(format!("order {order} is cancelled already")));
    }
    let event = Event::from(OrderCancelled { order, reason });
    gateway.stations().state(signed, vec![event]).await
}

/// An order that was placed.
async fn order_named(gateway: &Gateway, order: OrderId) -> Result<Order, Trouble> {
    let mut list: OrderList = gateway.ask(LIST, &ListQuery::One(order)).await?;
    list.orders
        .pop()
        .ok_or_else(|| Trouble::missing(format!("there is no order {order}")))
}

/// Records that the customer was told what comes.
///
/// # Errors
/// They may only look, or there is nothing to tell; the words say why.
pub async fn confirm_order(
    gateway: &Gateway,
    visitor: &Visitor,
    order: OrderId,
    body: &ConfirmBody,
) -> Result<Vec<Fact>, Trouble> {
    let signed = visitor.recorder()?;
    let order = order_named(gateway, order).await?.id;
    let allocation: Allocation = gateway.ask("allocation", &()).await?;
    let day = body.arrive_on.map(DairyDay::starting);
    let confirmed = from_allocation(&allocation, order, day, body.partly)
        .map_err(|not_yet| Trouble::bad(not_yet.to_string()))?;
    gateway
        .stations()
        .state(signed, vec![confirmed.into()])
        .await
}

fn order_of(text: &str) -> Result<OrderId, Trouble> {
    OrderId::new(text).map_err(|bad| Trouble::bad(bad.to_string()))
}

fn read<T>(query: Result<Query<T>, QueryRejection>) -> Result<T, Trouble> {
    let Query(query) = query.map_err(|bad| unfit(&bad))?;
    Ok(query)
}

/// `GET /api/v1/orders`
///
/// # Errors
/// Nobody is signed in, or the dispatch desk does not answer.
pub async fn list(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    query: Result<Query<OrdersParameters>, QueryRejection>,
) -> Result<Response, Trouble> {
    visitor.signed()?;
    let OrdersParameters { after, limit } = read(query)?;
    let limit = limit.unwrap_or(LISTED).get();
    let mut orders: Vec<Order> = gateway.ask("orders", &()).await?;
    orders.sort_by_key(|order| order.id);
    orders.retain(|order| after.is_none_or(|after| after < order.id));
    let more = orders.len() > limit;
    orders.truncate(limit);
    let next = orders.last().filter(|_| more).map(|last| last.id);
    let mut response = Json(orders).into_response();
    if let Some(next) = next {
        let next = format!("</api/v1/orders?after={next}&limit={limit}>; rel=\"next\"");
        if let Ok(next) = HeaderValue::from_str(&next) {
            response.headers_mut().insert(header::LINK, next);
        }
    }
    Ok(response)
}

/// `POST /api/v1/orders`
///
/// # Errors
/// See [`place_order`].
pub async fn place(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    Body(order): Body<OrderPlaced>,
) -> Result<Json<RecordedBody>, Trouble> {
    let facts = place_order(&gateway, &visitor, order).await?;
    Ok(recorded(&facts))
}

/// `POST /api/v1/orders/{order}/cancellation`
///
/// # Errors
/// See [`cancel_order`].
pub async fn cancel(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    Path(order): Path<String>,
    Body(body): Body<ReasonBody>,
) -> Result<Json<RecordedBody>, Trouble> {
    let facts = cancel_order(&gateway, &visitor, order_of(&order)?, &body.reason).await?;
    Ok(recorded(&facts))
}

/// `POST /api/v1/orders/{order}/confirmation`
///
/// # Errors
/// See [`confirm_order`].
pub async fn confirm(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    Path(order): Path<String>,
    Body(body): Body<ConfirmBody>,
) -> Result<Json<RecordedBody>, Trouble> {
    let facts = confirm_order(&gateway, &visitor, order_of(&order)?, &body).await?;
    Ok(recorded(&facts))
}

/// `GET /api/v1/allocation`
///
/// # Errors
/// Nobody is signed in, or the dispatch desk does not answer.
pub async fn allocation(
    State(gateway): State<Gateway>,
    visitor: Visitor,
) -> Result<Json<Allocation>, Trouble> {
    visitor.signed()?;
    gateway.ask("allocation", &()).await.map(Json)
}

/// `GET /api/v1/promise`
///
/// # Errors
/// Nobody is signed in, the question makes no sense, or the dispatch desk does not answer.
pub async fn promise(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    query: Result<Query<PromiseParameters>, QueryRejection>,
) -> Result<Json<Answer>, Trouble> {
    visitor.signed()?;
    let asked = read(query)?.asked();
    gateway.ask("promise", &asked).await.map(Json)
}

/// `GET /api/v1/picks`
///
/// # Errors
/// Nobody is signed in, the question makes no sense, or the dispatch desk does not answer.
pub async fn picks(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    query: Result<Query<PicksParameters>, QueryRejection>,
) -> Result<Json<PickList>, Trouble> {
    visitor.signed()?;
    let query = PickQuery {
        day: read(query)?.day,
    };
    gateway.ask("picks", &query).await.map(Json)
}
