//! The bus against a real broker on a free loopback port.

mod asking;
mod broker;
mod clock;
mod deploy;
mod floor_log;
mod jobs;
mod outbox;
mod rejected;
mod support;
