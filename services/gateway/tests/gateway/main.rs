//! The gateway against a real broker and a real scheduler, as browsers and programs use it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

mod bad_input;
mod house;
mod large;
mod openapi;
mod orders;
mod pages;
mod people;
mod recall;
mod refused;
mod scan;
mod unknown;
mod ways;
mod who;
