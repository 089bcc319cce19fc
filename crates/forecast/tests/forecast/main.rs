//! Forecasts: given facts, at this time, then these dates.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

mod drawing;
mod extremes;
mod forecaster;
mod given;
mod past;
mod posterior;
mod weights;
