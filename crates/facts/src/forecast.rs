//! What forecasts told: kept, so that everything that was planned by them can be explained,
//! and so that they can be held against what came.

use chrono::NaiveDate;
use quantity::Percent;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::{BatchId, RoomId, WheelId};

/// A day that is expected, with how sure that is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct ExpectedOn {
    /// The dairy day that is as likely too early as too late.
    #[cfg_attr(feature = "testing", proptest(strategy = "crate::order::any_date()"))]
    #[serde(deserialize_with = "quantity::calendar::read::date")]
    pub day: NaiveDate,
    /// One in ten comes before.
    #[cfg_attr(feature = "testing", proptest(strategy = "crate::order::any_date()"))]
    #[serde(deserialize_with = "quantity::calendar::read::date")]
    pub from: NaiveDate,
    /// One in ten comes after.
    #[cfg_attr(feature = "testing", proptest(strategy = "crate::order::any_date()"))]
    #[serde(deserialize_with = "quantity::calendar::read::date")]
    pub until: NaiveDate,
}

/// What was expected of a batch on the day this was told. Later ones replace earlier ones;
/// it moves no wheel and releases none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct ForecastTold {
    /// The batch.
    pub batch: BatchId,
    /// The rind cover that is asked for next, to leave the room or to be pierced.
    pub cover_pct: Option<Percent>,
    /// When the rind has it.
    pub covered: Option<ExpectedOn>,
    /// The room that most of its wheels leave next.
    pub leaves: Option<RoomId>,
    /// When they leave it.
    pub moved_on: Option<ExpectedOn>,
    /// When the blue of its middle wheel is as far as the recipe asks.
    pub ready: ExpectedOn,
    /// Looks at the rind that it rests on.
    pub rind_looks: u32,
    /// Cores that it rests on.
    pub cores: u32,
    /// Past batches that the usual course was learnt from; 0: the recipe's calendar only.
    pub learnt_from: u32,
    /// The wheels whose cores are expected to tell most, that first. None: no core would
    /// tell anything, or nobody asked.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub worth_ironing: Vec<WheelId>,
}
