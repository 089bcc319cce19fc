//! The bus against a real broker on a free loopback port.

// The helpers beside the tests may fail like a test.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod asking;
mod attacks;
mod broker;
mod clock;
mod deploy;
mod floor_log;
mod jobs;
mod outbox;
mod permissions;
mod refused;
mod rejected;
mod support;
