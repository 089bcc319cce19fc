//! The notifier against real brokers and webhooks of every kind.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

mod stream;
mod watch;
mod webhook;
