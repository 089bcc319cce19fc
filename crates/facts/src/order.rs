//! Customers' orders: what was wanted, what was promised, what went into which case.

use chrono::NaiveDate;
use quantity::Grams;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{BatchId, Grade, LaneId, MarketId, OrderId, RecipeId, Sscc, WheelId};

/// One line of an order.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct OrderLine {
    /// The cheese.
    pub recipe: RecipeId,
    /// The least grade accepted.
    pub grade: Grade,
    /// How many wheels; 0 when the line is ordered by weight.
    pub wheels: u32,
    /// Net weight wanted in all, when the line is ordered by weight.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub weight_g: Option<Grams>,
    /// What each wheel may weigh; any weight if it says nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub each_g: Option<WeightRange>,
    /// Age wanted on arrival; the market's own window if it says nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub age_days: Option<AgeRange>,
    /// Days that must be left before best-before on arrival.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub least_life_days: Option<u16>,
    /// How batches may be mixed; in any way if it says nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mixing: Option<Mixing>,
}

/// What a wheel may weigh.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct WeightRange {
    /// At least this.
    pub least_g: Grams,
    /// At most this.
    pub most_g: Grams,
}

/// How old a wheel may be, in whole dairy days.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct AgeRange {
    /// At least this.
    pub least_days: u16,
    /// At most this.
    pub most_days: u16,
}

/// How the batches of a line may be mixed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct Mixing {
    /// No more batches than this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub most_batches: Option<u16>,
    /// No fewer wheels of any one batch than this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub least_per_batch: Option<u16>,
}

/// An order that comes again on the same weekday.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct Standing {
    /// Weeks from one arrival to the next, from 1.
    pub every_weeks: u8,
    /// The last day it may arrive on; for ever if it says nothing.
    #[serde(
        default,
        skip_serializing_if = "Option::is_none",
        deserialize_with = "quantity::calendar::read::date_or_none"
    )]
    #[cfg_attr(feature = "testing", proptest(strategy = "any_date_or_none()"))]
    pub until: Option<NaiveDate>,
    /// Arrivals that are left out.
    #[serde(
        default,
        skip_serializing_if = "Vec::is_empty",
        deserialize_with = "quantity::calendar::read::dates"
    )]
    #[cfg_attr(feature = "testing", proptest(strategy = "any_dates()"))]
    pub except: Vec<NaiveDate>,
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
    /// The day it must arrive; of a standing order, the first.
    #[cfg_attr(feature = "testing", proptest(strategy = "any_date()"))]
    #[serde(deserialize_with = "quantity::calendar::read::date")]
    pub arrive_on: NaiveDate,
    /// What was ordered.
    pub lines: Vec<OrderLine>,
    /// Whether it comes again, and until when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub standing: Option<Standing>,
}

/// An order changed; the new lines, date and standing replace the old.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct OrderChanged {
    /// The order.
    pub order: OrderId,
    /// The day it must arrive now; of a standing order, the first.
    #[cfg_attr(feature = "testing", proptest(strategy = "any_date()"))]
    #[serde(deserialize_with = "quantity::calendar::read::date")]
    pub arrive_on: NaiveDate,
    /// What is ordered now.
    pub lines: Vec<OrderLine>,
    /// Whether it comes again, and until when.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub standing: Option<Standing>,
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

/// The customer was told what comes, from which batches and when: from now on that is
/// kept to. A later one for the same arrival replaces it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct OrderConfirmed {
    /// The order.
    pub order: OrderId,
    /// Which arrival of it.
    #[cfg_attr(feature = "testing", proptest(strategy = "any_date()"))]
    #[serde(deserialize_with = "quantity::calendar::read::date")]
    pub arrive_on: NaiveDate,
    /// What was promised.
    pub promised: Vec<Promised>,
}

/// Wheels of one batch that were promised to one line.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct Promised {
    /// The line of the order, from 1.
    pub line: u16,
    /// The batch.
    pub batch: BatchId,
    /// Its grade, found or expected.
    pub grade: Grade,
    /// How many wheels.
    pub wheels: u32,
    /// The day they leave the dairy.
    #[cfg_attr(feature = "testing", proptest(strategy = "any_date()"))]
    #[serde(deserialize_with = "quantity::calendar::read::date")]
    pub leave_on: NaiveDate,
    /// The way they go.
    pub lane: LaneId,
}

/// Another wheel was taken than the pick list named.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct OrderSubstituted {
    /// The order.
    pub order: OrderId,
    /// The line of the order, from 1.
    pub line: u16,
    /// The wheel that was named.
    pub instead_of: WheelId,
    /// The wheel that was taken.
    pub took: WheelId,
    /// Why.
    pub reason: String,
}

/// Wheels of an order went into a case.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct OrderPacked {
    /// The order.
    pub order: OrderId,
    /// The case.
    pub case: Sscc,
    /// What is in it.
    pub wheels: Vec<WheelId>,
    /// The pallet it stands on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pallet: Option<Sscc>,
}

/// The customer did not take wheels that arrived.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct OrderRefused {
    /// The order.
    pub order: OrderId,
    /// The wheels that were refused.
    pub wheels: Vec<WheelId>,
    /// Why.
    pub reason: String,
}

#[cfg(feature = "testing")]
pub(crate) fn any_date() -> impl proptest::strategy::Strategy<Value = NaiveDate> {
    use proptest::strategy::Strategy as _;
    crate::hold::any_instant().prop_map(|at| at.date_naive())
}

#[cfg(feature = "testing")]
pub(crate) fn any_date_or_none() -> impl proptest::strategy::Strategy<Value = Option<NaiveDate>> {
    proptest::option::of(any_date())
}

#[cfg(feature = "testing")]
fn any_dates() -> impl proptest::strategy::Strategy<Value = Vec<NaiveDate>> {
    proptest::collection::vec(any_date(), 0..4)
}
