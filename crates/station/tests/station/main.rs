//! A station's rules, and its picture of the floor.

#![allow(clippy::unwrap_used, clippy::panic)] // a test fails by panicking

#[path = "../../../holds/tests/obvious/mod.rs"]
mod obvious;

mod floor;
mod leaving;
mod people;
mod placement;
mod scale;
mod session;
mod symbol;
