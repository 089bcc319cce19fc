//! The floor in one process: stations over a socket and in browsers, handhelds with bad
//! clocks, outboxes, a broker that loses, doubles, delays, refuses and reorders, workers
//! killed at any step, people who undo and sign out. No socket, no sleep, no clock: all of it
//! is drawn from one seed, and the same seed plays the same again.
//!
//! [`play`] plays a seed and holds every invariant of DEVELOPERS.md against it.
//! [`Breakage`] breaks one part on purpose: the tests see that a seed finds it.
//!
//! Tests only: nothing else may depend on this crate.

// It is a test from end to end, and fails like one.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

pub mod broker;
mod checks;
pub mod dice;
mod disk;
mod edge;
mod ledger;
#[path = "../../holds/tests/obvious/mod.rs"]
mod never_happened;
mod obvious;
mod outbox;
mod people;
mod reader;
mod scheduler;
mod site;
mod tablet;
mod world;

use std::panic::{AssertUnwindSafe, catch_unwind};

use crate::world::World;

/// A part broken on purpose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Breakage {
    /// Nothing is broken.
    None,
    /// The outbox sends facts that are not safe on the disk yet.
    SendsBeforeSync,
    /// The outbox forgets one fact that nobody acknowledged.
    ForgetsOneUnanswered,
    /// The outbox keeps nothing that was sent, so that a broker's loss is nobody's gain.
    KeepsNothingSent,
    /// What is to be sent again is not synced, and a power cut makes it sent.
    SendsAgainUnsynced,
    /// The outbox takes what it finds when it opens for safe on the disk.
    OpensUnsynced,
    /// A follower that was away while the broker lost facts goes on by number alone.
    GoesOnByNumber,
    /// A refused fact holds up everything behind it.
    OneRefusedStopsAll,
    /// A station does not hear of holds set elsewhere.
    IgnoresHolds,
    /// A station lets wheels go without knowing what the broker has.
    AsksNobodyForHolds,
    /// The fold passes over a message that did not arrive.
    SkipsAPosition,
    /// The position is written before the state that it stands for.
    WritesPositionFirst,
    /// What people were told is not stored.
    ForgetsWhatItTold,
    /// Effects go out before the state that asks for them is stored.
    PublishesBeforeWriting,
    /// The gateway keeps no receipts.
    KeepsNoReceipts,
    /// A browser sends again what was refused.
    SendsRefusedAgain,
    /// What a handheld says of the time is believed as it comes.
    BelievesEveryClaim,
}

/// What a seed came to.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Played {
    /// What happened, when it was told.
    pub story: Vec<String>,
    /// Messages in the log at the end.
    pub messages: u64,
    /// Facts of which somebody heard that they are stored.
    pub promised: usize,
    /// Times that a worker was killed.
    pub killed: usize,
    /// Wheels that left.
    pub dispatched: usize,
    /// Messages to people.
    pub told: usize,
}

impl Played {
    /// Adds what another seed came to; its story is not kept.
    pub fn add(&mut self, other: &Self) {
        self.messages += other.messages;
        self.promised += other.promised;
        self.killed += other.killed;
        self.dispatched += other.dispatched;
        self.told += other.told;
    }
}

/// What went wrong.
#[derive(Debug, Clone)]
pub struct Failure {
    /// In words.
    pub words: String,
    /// What had happened until then, when the seed was told.
    pub story: Vec<String>,
}

impl Failure {
    fn new(words: impl Into<String>) -> Self {
        Self {
            words: words.into(),
            story: Vec::new(),
        }
    }
}

/// How closely a seed is watched.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Watch {
    /// What costs the whole history is looked at now and then, at each start of a worker and
    /// at the end.
    Often,
    /// Everything after every step, and the story is told.
    Always,
    /// What costs the whole history is looked at at the end only.
    AtTheEnd,
}

/// Plays a seed.
///
/// # Errors
/// [`Failure`]: what did not hold, or where the code under test has panicked.
pub fn play(seed: u64, breakage: Breakage, watch: Watch) -> Result<Played, Failure> {
    let mut world = World::new(seed, breakage, watch);
    let played = catch_unwind(AssertUnwindSafe(|| world.play()));
    let failed = match played {
        Ok(Ok(())) => {
            return Ok(Played {
                story: std::mem::take(&mut world.story),
                ..world.played()
            });
        }
        Ok(Err(failure)) => failure,
        Err(panic) => {
            let text = panic.downcast_ref::<String>().cloned();
            let text = text.or_else(|| panic.downcast_ref::<&str>().map(|&text| text.to_owned()));
            Failure::new(format!("a panic: {}", text.unwrap_or_default()))
        }
    };
    Err(Failure {
        story: std::mem::take(&mut world.story),
        ..failed
    })
}
