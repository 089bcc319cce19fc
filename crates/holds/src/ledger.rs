//! What facts say of the holds on one wheel, and which of them stand.

use chrono::{DateTime, Utc};
use facts::{BatchId, Event, Fact, HoldId, PersonId, WheelId, stored_enum, stored_struct};

use crate::reach::Subject;
use crate::{Born, BornUnder, Known, Laid, Moment, Placed, Rights};

/// What a note says of its hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Says {
    /// The wheel is under it from here on.
    Held,
    /// The wheel is released from it.
    Released,
}

/// One fact about a hold on a wheel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Note {
    /// When, and by which fact.
    pub moment: Moment,
    /// The hold.
    pub hold: HoldId,
    /// Who said it, where known.
    pub person: Option<PersonId>,
    /// What.
    pub says: Says,
}

stored_enum!(Says {
    0 = Held,
    1 = Released,
});

stored_struct!(Note {
    moment,
    hold,
    person,
    says,
});

impl Note {
    /// What a fact says of a hold on each of its wheels; `None` when it speaks of none.
    #[must_use]
    pub fn of(fact: &Fact) -> Option<Self> {
        let (hold, says) = match &fact.event {
            Event::WheelHeld(e) => (e.hold, Says::Held),
            Event::WheelReleased(e) => (e.hold, Says::Released),
            // Whoever ends a hold over a scope releases its wheels by the same act.
            Event::HoldLifted(e) => (e.hold, Says::Released),
            _ => return None,
        };
        Some(Self {
            moment: Moment::of(fact),
            hold,
            person: fact.person,
            says,
        })
    }

    /// Whether it ends its hold: a release by somebody with the right to it.
    #[must_use]
    pub fn ends(&self, rights: &Rights) -> bool {
        self.says == Says::Released && rights.may_release(self.person)
    }
}

/// One portioning of a wheel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Birth {
    /// When, and by which fact.
    pub moment: Moment,
    /// Of which batch.
    pub batch: BatchId,
}

/// What facts that count say of the holds on one wheel.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Ledger {
    births: Vec<Birth>,
    notes: Vec<Note>,
}

/// What lies over a wheel beside the facts about it.
#[derive(Debug, Clone, Copy)]
pub struct Over<'a> {
    /// The wheel.
    pub wheel: WheelId,
    /// Holds that its recipe puts on every wheel.
    pub born: Born<'a>,
    /// Holds over scopes, whether or not the wheel is in them.
    pub scopes: &'a [Laid<'a>],
    /// What is known of where it was and what it was made of.
    pub known: &'a dyn Known,
    /// Who may release.
    pub rights: &'a Rights,
}

/// What a hold comes from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum By<'a> {
    /// The recipe: no person has released the wheel from it yet.
    Recipe(&'a BornUnder),
    /// A hold over a scope.
    Scope(&'a Placed),
    /// A hold over a scope that nobody has traced to wheels yet: it keeps every wheel.
    Untraced(&'a Placed),
    /// A fact about the wheel: the first since the wheel was last free of it.
    Fact(&'a Note),
}

/// A hold that keeps a wheel.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Standing<'a> {
    /// The hold.
    pub hold: HoldId,
    /// What it comes from.
    pub by: By<'a>,
}

impl Standing<'_> {
    /// The fact that set it, and when; `None`: the wheel was born under it.
    #[must_use]
    pub const fn since(&self) -> Option<Moment> {
        match self.by {
            By::Recipe(_) => None,
            By::Scope(placed) | By::Untraced(placed) => Some(placed.moment),
            By::Fact(note) => Some(note.moment),
        }
    }

    /// Who set it, where known.
    #[must_use]
    pub const fn person(&self) -> Option<PersonId> {
        match self.by {
            By::Recipe(_) => None,
            By::Scope(placed) | By::Untraced(placed) => placed.person,
            By::Fact(note) => note.person,
        }
    }
}

/// A hold that keeps a wheel, in brief.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Held {
    /// The hold.
    pub hold: HoldId,
    /// The fact that set it, and when; `None`: the wheel was born under it.
    pub since: Option<Moment>,
    /// Whether it keeps the wheel only because nobody has said yet which wheels it keeps.
    pub untraced: bool,
}

impl Held {
    /// The hold, in words that go on from `it is under hold`.
    #[must_use]
    pub fn words(&self) -> String {
        if self.untraced {
            untraced_words(self.hold)
        } else {
            self.hold.to_string()
        }
    }

    /// Whether every wheel of its recipe is under it until somebody releases it: it is no
    /// news, and the wheel may be promised.
    #[must_use]
    pub const fn is_routine(&self) -> bool {
        self.since.is_none()
    }
}

/// A hold of which nobody has said yet which wheels it keeps, in words that go on from `it is
/// under hold`.
#[must_use]
pub fn untraced_words(hold: HoldId) -> String {
    format!(
        "{hold}, which is still being worked out: nothing may leave until the records say which wheels it keeps. If that lasts, ask whoever runs Wheelward whether its records worker runs"
    )
}

impl From<Standing<'_>> for Held {
    fn from(standing: Standing<'_>) -> Self {
        Self {
            hold: standing.hold,
            since: standing.since(),
            untraced: matches!(standing.by, By::Untraced(_)),
        }
    }
}

impl Ledger {
    /// Writes what a fact says of the wheel in its place, once.
    pub fn write(&mut self, fact: &Fact) {
        if let Event::WheelPortioned(born) = &fact.event {
            let moment = Moment::of(fact);
            self.born(moment, born.batch);
        }
        if let Some(note) = Note::of(fact) {
            self.note(note);
        }
    }

    /// Writes a portioning in its place, once.
    pub fn born(&mut self, moment: Moment, batch: BatchId) {
        if let Err(place) = self.births.binary_search_by_key(&moment, |b| b.moment) {
            self.births.insert(place, Birth { moment, batch });
        }
    }

    /// Writes a note in its place, once.
    pub fn note(&mut self, note: Note) {
        if let Err(place) = self.notes.binary_search_by_key(&note.moment, |n| n.moment) {
            self.notes.insert(place, note);
        }
    }

    /// The batch whose recipe the wheel is held by. `None`: nobody knows which, because no
    /// portioning is known or several contradict each other.
    #[must_use]
    pub fn batch(&self) -> Option<BatchId> {
        let (first, rest) = self.births.split_first()?;
        let agree = rest.iter().all(|birth| birth.batch == first.batch);
        agree.then_some(first.batch)
    }

    /// Every portioning, in order: more than one means that two wheels carry one number.
    #[must_use]
    pub fn births(&self) -> &[Birth] {
        &self.births
    }

    /// Every note, in order.
    #[must_use]
    pub fn notes(&self) -> &[Note] {
        &self.notes
    }

    /// Every hold that keeps the wheel, by all that is known; each once, in the order of
    /// their codes.
    #[must_use]
    pub fn holds<'a>(&'a self, over: Over<'a>) -> Vec<Standing<'a>> {
        self.standing(over, |_| true)
    }

    /// Every hold that kept the wheel at an instant.
    #[must_use]
    pub fn holds_at<'a>(&'a self, over: Over<'a>, at: DateTime<Utc>) -> Vec<Standing<'a>> {
        self.standing(over, |moment| moment.at <= at)
    }

    /// Every hold that kept the wheel just before a fact.
    #[must_use]
    pub fn holds_before<'a>(&'a self, over: Over<'a>, fact: Moment) -> Vec<Standing<'a>> {
        self.standing(over, |moment| moment < fact)
    }

    /// The holds that stand by what was said by then.
    fn standing<'a>(
        &'a self,
        over: Over<'a>,
        by_then: impl Fn(Moment) -> bool,
    ) -> Vec<Standing<'a>> {
        // What was said is in order, so what was said by then comes first.
        let notes = &self.notes[..self.notes.partition_point(|note| by_then(note.moment))];
        let births = &self.births[..self.births.partition_point(|born| by_then(born.moment))];
        let released = |hold: HoldId| {
            let mut last = notes.iter().rev();
            last.find(|note| note.hold == hold && note.ends(over.rights))
        };
        let mut found: Vec<Standing<'a>> = Vec::new();
        let mut add = |hold: HoldId, by: By<'a>| {
            if let Err(place) = found.binary_search_by_key(&hold, |standing| standing.hold) {
                found.insert(place, Standing { hold, by });
            }
        };
        // What tells most comes first: stations state the recipe's own holds as facts too.
        for born in over.born.into_iter().flatten() {
            if released(born.hold).is_none() {
                add(born.hold, By::Recipe(born));
            }
        }
        let subject = Subject {
            wheel: over.wheel,
            births,
            known: over.known,
        };
        for laid in over.scopes {
            let placed = laid.placed;
            if by_then(placed.moment)
                && !laid.lifted.is_some_and(&by_then)
                && laid.lies_over(
                    &subject,
                    &by_then,
                    // A release ends what brought the wheel in before it, and nothing that
                    // brings it in later.
                    released(placed.hold)
                        .map(|release| release.moment)
                        .filter(|release| *release > placed.moment),
                )
            {
                add(placed.hold, By::Scope(placed));
            }
        }
        for note in notes.iter().filter(|note| note.says == Says::Held) {
            if released(note.hold).is_none_or(|release| release.moment < note.moment) {
                add(note.hold, By::Fact(note));
            }
        }
        // Of a hold that has been traced since, or lifted, it is known whom it kept before; but
        // not of a wheel that was portioned after that.
        let last_birth = self.births.last().map(|born| born.moment);
        let untraced = |laid: &&Laid<'_>| {
            laid.is_untraced() || last_birth.is_some_and(|birth| laid.is_traced_before(birth))
        };
        for laid in over.scopes.iter().filter(untraced) {
            let placed = laid.placed;
            if by_then(placed.moment)
                && released(placed.hold).is_none_or(|release| release.moment < placed.moment)
            {
                add(placed.hold, By::Untraced(placed));
            }
        }
        found
    }

    /// Releases from a hold that did not keep the wheel.
    pub fn needless<'a>(&'a self, over: Over<'a>) -> impl Iterator<Item = &'a Note> {
        let ends = self.notes.iter().filter(move |note| note.ends(over.rights));
        ends.filter(move |note| {
            let mut before = self.holds_before(over, note.moment).into_iter();
            !before.any(|standing| standing.hold == note.hold)
        })
    }

    /// Whether anybody has held the wheel, or released it with the right to do so, since.
    #[must_use]
    pub fn spoken_of_since(&self, since: Moment, rights: &Rights) -> bool {
        let mut later = self.notes.iter().rev();
        later.any(|n| n.moment > since && (n.says == Says::Held || n.ends(rights)))
    }
}
