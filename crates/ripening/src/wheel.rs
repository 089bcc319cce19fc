//! One wheel: its life, what is known of it, and what it needs next.

use chrono::{DateTime, Utc};
use holds::Held;
use quantity::DairyDay;

use crate::alert::Told;
use crate::{Calendar, Chronicle, Flag, NextAction, Note, Noted, State, Urgency, Voids};

/// One wheel.
#[derive(Debug, Clone, Default)]
pub struct Wheel {
    pub(crate) chronicle: Chronicle,
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
    /// Its life.
    #[must_use]
    pub const fn chronicle(&self) -> &Chronicle {
        &self.chronicle
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

    /// Takes a note: folded at once when it is the latest, else by folding again.
    pub(crate) fn note(
        &mut self,
        (note, encoded): (&Note, &[u8]),
        day: DairyDay,
        calendar: &Calendar,
        voids: &Voids,
    ) -> Noted {
        let noted = self.chronicle.note(note, encoded);
        match noted {
            Noted::Appended if note.is_void(voids) => {}
            Noted::Appended => self.state.apply(note, day),
            Noted::Inserted => self.fold_again(calendar, voids),
            Noted::Duplicate => {}
        }
        noted
    }

    /// Folds every note that counts, from nothing.
    pub(crate) fn fold_again(&mut self, calendar: &Calendar, voids: &Voids) {
        self.fold(&self.chronicle.notes(), calendar, voids);
    }

    pub(crate) fn fold(&mut self, notes: &[Note], calendar: &Calendar, voids: &Voids) {
        let valid = notes.iter().filter(|note| !note.is_void(voids));
        self.state = State::of(valid, |at| calendar.day_of(at));
    }
}
