//! The whole program across processes: a real broker, real crashes, real files.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

mod asking;
mod cli;
mod crashes;
mod cut_short;
mod demo;
mod disk_full;
mod doctor;
mod earlier;
mod effects;
mod healing;
mod malformed;
mod oddities;
mod offline;
mod orders;
mod orders_live;
mod other_broker;
mod outbox;
mod portions;
mod recipes;
mod recorded;
mod restore;
mod schema;
mod stopping;
mod whole;
