//! What a plan must be.
#![allow(clippy::unwrap_used)] // helpers outside the tests themselves

mod crew;
mod extremes;
mod floors;
mod given;
mod making;
mod past;
