//! What a trace must tell, against given facts, in any order, and against a slow model.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

#[path = "../../../holds/tests/obvious/mod.rs"]
mod obvious;

mod any;
mod balance;
mod contact;
mod given;
mod hold;
mod known;
mod order;
mod recall;
mod sample;
mod slow;
mod ways_out;
