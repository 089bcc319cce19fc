//! The store across restarts, crashes and damage.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

mod damage;
#[path = "../../../ripening/tests/floor/drawn.rs"]
mod drawn;
mod effects;
mod layout;
mod reload;
mod restart;
mod story;
