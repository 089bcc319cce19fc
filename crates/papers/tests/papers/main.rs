//! Papers from the recorded Larkholm facts, and from messages of others.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

mod evidence;
mod file;
mod given;
mod messages;
mod outgoing;
mod sheets;
