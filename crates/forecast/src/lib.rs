//! When a wheel moves on, when it is ready, and how sure that is.
//!
//! [`History`] gathers facts; [`habits`] learns from past batches how a recipe's batches
//! usually go, beginning at the recipe's calendar ([`Habit`]); a [`Forecaster`] then says of
//! each batch and wheel what to expect, as of an instant. Mould grows on effective time
//! ([`mould`]): a warm week counts for more than a cold one. What was seen is weighed with a
//! likelihood that one wild value cannot capture ([`seen`]), for each batch and each ironed
//! wheel ([`Posterior`]).
//!
//! Forecasts advise. They release nothing: whether cheese is safe and may leave is for the
//! dairy's own HACCP plan and the people who answer for it.

mod curves;
mod desk;
pub mod draw;
pub mod drying;
mod estimate;
mod figure;
mod forecaster;
mod growth;
mod habit;
mod hindsight;
mod history;
mod lattice;
mod learn;
pub mod least_squares;
mod moment;
pub mod mould;
mod observed;
mod outlook;
mod pace;
mod posterior;
mod scenario;
pub mod score;
pub mod seen;
mod told;
mod way;
mod weights;
mod when;
mod work;
mod worth_ironing;

pub use curves::{CurvePoint, Curves};
pub use desk::{About, Answer, Desk, NoForecast, One, Query, Short, WarmerBy, WhatIf};
pub use figure::{Chart, Drawn};
pub use forecaster::{BatchWeights, DryingCurve, Forecaster, Habits, habits};
pub use growth::Growth;
pub use habit::{Habit, calendar_ready_age_days};
pub use history::{At, Batch, Class, History, RindLook, Sensors, Wheel, gather};
pub use lattice::{COARSE, FINE, Fineness, Lattice, Link, Look};
pub use learn::{NEWEST, Past, learn};
pub use observed::{Flag, Oddity};
pub use outlook::{
    BatchForecast, Dates, Expected, Move, Outlook, WheelGroup, WorthIroning, readiness,
};
pub use pace::{Air, Process, Rooms};
pub use posterior::Posterior;
pub use scenario::{Change, Scenario, Warmer};
pub use told::{Told, ToldWheels};
pub use weights::{DryingAlarm, DryingHabit, DryingPoint, Weight};
pub use when::When;
