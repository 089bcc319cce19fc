//! Customers' orders.

use chrono::NaiveDate;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{Grade, MarketId, OrderId, RecipeId};

/// One line of an order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct OrderLine {
    /// The cheese.
    pub recipe: RecipeId,
    /// The least grade accepted.
    pub grade: Grade,
    /// How many wheels.
    pub wheels: u32,
}

/// An order came in.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct OrderPlaced {
    /// The order.
    pub order: OrderId,
    /// Who ordered.
    pub customer: String,
    /// The market it goes to.
    pub market: MarketId,
    /// The day it must arrive.
    #[cfg_attr(feature = "testing", proptest(strategy = "any_date()"))]
    pub arrive_on: NaiveDate,
    /// What was ordered.
    pub lines: Vec<OrderLine>,
}

/// An order changed; the new lines and date replace the old.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct OrderChanged {
    /// The order.
    pub order: OrderId,
    /// The day it must arrive now.
    #[cfg_attr(feature = "testing", proptest(strategy = "any_date()"))]
    pub arrive_on: NaiveDate,
    /// What is ordered now.
    pub lines: Vec<OrderLine>,
}

/// An order was cancelled.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct OrderCancelled {
    /// The order.
    pub order: OrderId,
    /// Why.
    pub reason: String,
}

#[cfg(feature = "testing")]
fn any_date() -> impl proptest::strategy::Strategy<Value = NaiveDate> {
    use proptest::strategy::Strategy as _;
    (0..3_000_000i32).prop_filter_map("a date", NaiveDate::from_num_days_from_ce_opt)
}
