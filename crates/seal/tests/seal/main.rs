//! Whatever is done to the records, it is found and named.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

mod attack;
mod format;
mod given;
mod marks;
