//! One wheel: its life, what is known of it, and what it needs next.

use chrono::{DateTime, Utc};
use holds::Held;

use crate::alert::Told;
use crate::notes::NoteNo;
use crate::{Flag, NextAction, State, Urgency};

/// One wheel.
#[derive(Debug, Clone, Default)]
pub struct Wheel {
    /// Its notes, in order.
    pub(crate) life: Vec<NoteNo>,
    pub(crate) state: State,
    pub(crate) actions: Vec<NextAction>,
    /// What cannot be right about it, its recipe's word included.
    pub(crate) flags: Vec<Flag>,
    /// What holds it, as last derived.
    pub(crate) holds: Vec<Held>,
    /// The next instant at which an action's urgency changes by itself.
    pub(crate) changes_at: Option<DateTime<Utc>>,
    pub(crate) told: Vec<Told>,
    pub(crate) label: Label,
}

/// Whether a wheel's label should be printed.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) enum Label {
    #[default]
    NotWanted,
    Wanted,
    /// Wanted, and asked for since the start.
    AskedFor,
}

impl Wheel {
    /// How many facts speak of it; [`crate::Floor::life`] says what.
    #[must_use]
    pub const fn facts(&self) -> usize {
        self.life.len()
    }

    /// What is known of it.
    #[must_use]
    pub const fn state(&self) -> &State {
        &self.state
    }

    /// What it needs, in the rule table's order.
    #[must_use]
    pub fn actions(&self) -> &[NextAction] {
        &self.actions
    }

    /// What cannot be right about it: what its notes say by themselves, and what its
    /// recipe adds.
    #[must_use]
    pub fn flags(&self) -> &[Flag] {
        &self.flags
    }

    /// What it needs first: the most urgent, then the earliest due.
    #[must_use]
    pub fn next_action(&self, now: DateTime<Utc>) -> Option<&NextAction> {
        self.actions.iter().min_by_key(|a| {
            let urgency = a.window.urgency(now);
            (
                std::cmp::Reverse(urgency),
                a.because.blocked.is_some(),
                a.window.due,
            )
        })
    }

    /// Whether any action is late at `now`.
    #[must_use]
    pub fn is_late(&self, now: DateTime<Utc>) -> bool {
        self.actions
            .iter()
            .any(|a| a.because.blocked.is_none() && a.window.urgency(now) >= Urgency::Overdue)
    }
}
