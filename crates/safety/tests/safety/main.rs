//! Checks, heat, sampling plans: against published tables, and against bad input.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

mod checks;
mod file;
mod given;
mod published;
mod values;
