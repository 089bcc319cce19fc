//! Stations over real sockets, with and without a real broker.

#![allow(clippy::unwrap_used, clippy::panic, clippy::expect_used)] // a test fails by panicking

mod broker;
mod floor;
mod latency;
mod scale;
mod scanning;
mod serial;
