//! The floor as its users meet it: given these facts, at this time, then these actions.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

#[path = "../../../holds/tests/obvious/mod.rs"]
mod obvious;

mod alerts;
mod claims;
mod closed;
mod drawn;
mod forecasts;
mod given;
mod names;
mod order;
mod recipes;
mod rooms;
mod rules;
mod timeline;
