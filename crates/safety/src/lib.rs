//! The dairy's own HACCP checks, heat treatment, sampling plans and verdicts.
//!
//! A [`Plan`] is what the dairy's safety file says: critical steps with limit, frequency
//! and action, sampling plans, the pairs of time and temperature that milk is judged by,
//! and who may end a hold. A [`Diary`] keeps the facts that speak of them; [`checks`] tells
//! which were done, missed or out of limits; [`judge`] gives the verdict on a sample.
//!
//! Nothing here releases food. A limit in an example is an example: the dairy's own plan,
//! its authority and its laboratory decide.

mod check;
mod count;
mod diary;
mod heat;
mod judge;
mod plan;
mod read;

pub use check::{About, Check, Standing, alerts, checks};
pub use count::{BadCount, Count, Found};
pub use diary::{Deviation, Diary};
pub use heat::{Heat, HeatJudged, LONGEST_GAP_S, Pair, Pairs};
pub use judge::{Judged, Unjudged, hold_for, judge};
pub use plan::{Control, Every, Limit, Limits, Plan, Reads, Sampling, Step};
