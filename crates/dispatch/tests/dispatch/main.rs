//! Promises, allocations and what leaves the dairy: given these wheels and orders, then
//! this.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

#[path = "../../../holds/tests/obvious/mod.rs"]
mod obvious;

mod allocating;
mod given;
mod held;
mod leaving;
mod orders;
mod promising;
mod properties;
mod roads;
mod telling;
mod voids;
