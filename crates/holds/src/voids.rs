//! Which facts count as never having happened.

use std::collections::{BTreeMap, BTreeSet};

use authority::people::{TakenBack, UNDO_WITHIN, is_undone_in_time, taken_back};
use authority::workers::OFFICE;
use facts::{Event, Fact, FactId, PersonId, StationId, Voided, stored_struct};

use crate::Rights;

/// One voiding: the fact that voids, by whom, and why.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Voiding {
    /// The `fact.voided` fact.
    pub by: FactId,
    /// The fact it voids.
    pub target: FactId,
    /// Why, in a person's words.
    pub reason: String,
    /// The station that states it.
    pub station: StationId,
    /// Who voids, where known.
    pub person: Option<PersonId>,
}

stored_struct!(Voiding {
    by,
    target,
    reason,
    station,
    person,
});

impl Voiding {
    /// What a `fact.voided` fact says.
    #[must_use]
    pub fn of(fact: &Fact, voided: &Voided) -> Self {
        Self {
            by: fact.id,
            target: voided.fact,
            reason: voided.reason.clone(),
            station: fact.station,
            person: fact.person,
        }
    }

    /// Whether it is a manager's correction, made in the office.
    #[must_use]
    pub fn corrects(&self) -> bool {
        self.station.as_str() == OFFICE
    }
}

/// Who takes a fact back, by what it says. `S`: how a station is named.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Guard<S = StationId> {
    /// The station that stated it, for as long as its UNDO reaches, or a correction: nobody's
    /// safety hangs on it.
    Station(S),
    /// A correction.
    Correction,
    /// A correction by somebody who may release: it keeps wheels from leaving.
    Keeps,
    /// A correction; bringing it back needs the right to release: it lets wheels leave.
    Frees,
    /// A correction by somebody who may release, whichever way: it changes what keeps wheels.
    Changes,
}

facts::stored_enum!(Guard {
    0 = Station(station),
    1 = Correction,
    2 = Keeps,
    3 = Frees,
    4 = Changes,
});

// Beside a station that is kept anyway.
facts::stored_enum!(Guard<()> {
    0 = Station(station),
    1 = Correction,
    2 = Keeps,
    3 = Frees,
    4 = Changes,
});

impl Guard {
    /// Who takes a fact back.
    #[must_use]
    pub fn of(fact: &Fact) -> Self {
        Self::of_event(&fact.event, fact.station)
    }

    /// Who takes back a voiding of such a fact.
    #[must_use]
    pub const fn of_its_voiding(self) -> Self {
        match self {
            Self::Station(_) | Self::Correction => Self::Correction,
            Self::Keeps => Self::Frees,
            Self::Frees => Self::Keeps,
            Self::Changes => Self::Changes,
        }
    }

    /// Whether a voiding takes such a fact back, as long as nothing takes the voiding back.
    ///
    /// # Errors
    /// Why it does not, in words that go on from "it takes back a fact".
    pub fn yields_to(self, voiding: &Voiding, rights: &Rights) -> Result<(), String> {
        let may_release = || rights.may_release(voiding.person);
        match self {
            _ if !voiding.corrects() => match self {
                Self::Station(station) if station == voiding.station => {
                    let in_time = is_undone_in_time(voiding.target, voiding.by);
                    in_time.then_some(()).ok_or_else(|| format!(
                        "that station {station} recorded more than {} minutes before: so late a manager corrects it, on the wheel's or batch's page",
                        UNDO_WITHIN.num_minutes()
                    ))
                }
                Self::Station(station) => Err(format!(
                    "of station {station}: a station takes back only its own records. A manager corrects this one, on the wheel's or batch's page"
                )),
                _ => Err("that keeps somebody safe: only a manager's correction does, on the wheel's or batch's page".to_owned()),
            },
            Self::Keeps | Self::Changes if !may_release() => Err(format!(
                "that keeps wheels from leaving: it stands until somebody takes it back who may release here ({})",
                rights.words()
            )),
            _ => Ok(()),
        }
    }
}

impl<S> Guard<S> {
    /// Who takes back what a station stated.
    #[must_use]
    pub fn of_event(event: &Event, station: S) -> Self {
        match (taken_back(event), event) {
            (TakenBack::ByOwner, _) => Self::Station(station),
            (_, Event::WheelReleased(_) | Event::HoldLifted(_) | Event::HoldTraced(_)) => {
                Self::Frees
            }
            (_, Event::VatRecipeChanged(_)) => Self::Changes,
            (TakenBack::ByReleaser, _) => Self::Keeps,
            (TakenBack::ByManager, _) => Self::Correction,
        }
    }

    /// The same, with the station under another name.
    pub fn map<T>(self, name: impl FnOnce(S) -> T) -> Guard<T> {
        match self {
            Self::Station(station) => Guard::Station(name(station)),
            Self::Correction => Guard::Correction,
            Self::Keeps => Guard::Keeps,
            Self::Frees => Guard::Frees,
            Self::Changes => Guard::Changes,
        }
    }
}

/// A fact, and who takes it back: nobody asks whether it is void without saying both.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Target {
    /// The fact.
    pub fact: FactId,
    /// Who takes it back.
    pub guard: Guard,
}

facts::stored_struct!(Target { fact, guard });

impl Target {
    /// Of a fact at hand.
    #[must_use]
    pub fn of(fact: &Fact) -> Self {
        Self::kept(fact.id, Guard::of(fact))
    }

    /// Of a fact that is not kept whole.
    #[must_use]
    pub const fn kept(fact: FactId, guard: Guard) -> Self {
        Self { fact, guard }
    }
}

/// All voidings. A voiding can itself be voided, by a correction; then its target counts again.
///
/// Which voidings count depends on the fact they name: whoever asks says who takes that one back
/// ([`Target`]). So the answer is the same in whatever order facts arrive.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Voids {
    rights: Rights,
    by_target: BTreeMap<FactId, BTreeSet<Voiding>>,
    by_voider: BTreeMap<FactId, FactId>,
}

impl Voids {
    /// None yet, at a site where these may release.
    #[must_use]
    pub fn under(rights: Rights) -> Self {
        Self {
            rights,
            ..Self::default()
        }
    }

    /// Adds a voiding. Returns every fact whose standing may have changed.
    pub fn add(&mut self, voiding: Voiding) -> Vec<FactId> {
        let mut affected = vec![voiding.target];
        self.by_voider.insert(voiding.by, voiding.target);
        self.by_target
            .entry(voiding.target)
            .or_default()
            .insert(voiding);
        while let Some(next) = affected.last().and_then(|fact| self.by_voider.get(fact)) {
            if affected.contains(next) {
                break;
            }
            affected.push(*next);
        }
        affected
    }

    /// Whether a fact counts as never having happened.
    #[must_use]
    pub fn has_voided(&self, fact: &Fact) -> bool {
        self.takes_back(Target::of(fact))
    }

    /// The same of a fact that is not kept whole.
    #[must_use]
    pub fn takes_back(&self, target: Target) -> bool {
        !self.by_target.is_empty() && self.voids(target, &mut Vec::new())
    }

    /// Why a fact is void, if it is.
    #[must_use]
    pub fn reason(&self, target: Target) -> Option<&str> {
        let voidings = self.by_target.get(&target.fact)?;
        let mut path = vec![target.fact];
        let counts = |voiding: &&Voiding| self.counts(target, voiding, &mut path);
        let mut voidings = voidings.iter().filter(counts);
        voidings.next().map(|voiding| voiding.reason.as_str())
    }

    /// Whether a voiding takes back a fact that is guarded so, leaving aside whether it is
    /// void itself.
    ///
    /// # Errors
    /// Why it does not, in words.
    pub fn judge(&self, voiding: &Voiding, guard: Guard) -> Result<(), String> {
        guard
            .yields_to(voiding, &self.rights)
            .map_err(|why| format!("it takes back fact {} {why}", voiding.target))
    }

    /// The fact that a voiding names.
    #[must_use]
    pub fn voided_by(&self, voiding: FactId) -> Option<FactId> {
        self.by_voider.get(&voiding).copied()
    }

    /// Every voiding, for storing.
    pub fn iter(&self) -> impl Iterator<Item = &Voiding> {
        self.by_target.values().flatten()
    }

    /// Who may release here.
    #[must_use]
    pub const fn rights(&self) -> &Rights {
        &self.rights
    }

    /// In a ring of voidings none takes effect.
    fn voids(&self, target: Target, path: &mut Vec<FactId>) -> bool {
        let Some(voidings) = self.by_target.get(&target.fact) else {
            return false;
        };
        if path.contains(&target.fact) {
            return true;
        }
        path.push(target.fact);
        let void = voidings.iter().any(|v| self.counts(target, v, path));
        path.pop();
        void
    }

    fn counts(&self, target: Target, voiding: &Voiding, path: &mut Vec<FactId>) -> bool {
        let itself = Target::kept(voiding.by, target.guard.of_its_voiding());
        target.guard.yields_to(voiding, &self.rights).is_ok() && !self.voids(itself, path)
    }
}

/// The facts that count, each once, in the order in which they happened; voidings that count
/// among them. The same whatever order, and how often, they are given in.
#[must_use]
pub fn counting<'f>(facts: impl IntoIterator<Item = &'f Fact>, rights: &Rights) -> Vec<&'f Fact> {
    let mut once = BTreeMap::new();
    let mut voids = Voids::under(rights.clone());
    for fact in facts {
        if let Event::Voided(voided) = &fact.event {
            voids.add(Voiding::of(fact, voided));
        }
        once.insert(fact.order(), fact);
    }
    once.retain(|_, fact| !voids.has_voided(fact));
    once.into_values().collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn id(n: u128) -> FactId {
        format!("0190b6b0-0000-7000-8000-{n:012x}").parse().unwrap()
    }

    fn station(name: &str) -> StationId {
        name.parse().unwrap()
    }

    fn voiding(by: u128, target: u128) -> Voiding {
        Voiding {
            by: id(by),
            target: id(target),
            reason: format!("{by} says so"),
            station: station(OFFICE),
            person: Some("01".parse().unwrap()),
        }
    }

    fn turned(n: u128) -> Target {
        Target::kept(id(n), Guard::Station(station("st-1")))
    }

    fn guarded(guard: Guard) -> Target {
        Target::kept(id(1), guard)
    }

    #[test]
    fn a_voided_voiding_lets_its_target_count_again() {
        let mut voids = Voids::default();
        voids.add(voiding(2, 1));
        assert!(voids.takes_back(turned(1)));
        assert_eq!(voids.reason(turned(1)), Some("2 says so"));
        assert_eq!(voids.add(voiding(3, 2)), [id(2), id(1)]);
        assert!(!voids.takes_back(turned(1)));
        assert_eq!(voids.reason(turned(1)), None);
    }

    #[test]
    fn a_station_takes_back_only_its_own_and_nothing_that_keeps_somebody_safe() {
        let by = |name: &str, by, target| Voiding {
            station: station(name),
            ..voiding(by, target)
        };
        let mut voids = Voids::default();
        voids.add(by("st-2", 2, 1));
        assert!(!voids.takes_back(turned(1)), "another station's");
        let said = voids.judge(&by("st-2", 2, 1), turned(1).guard).unwrap_err();
        assert!(
            said.contains("of station st-1: a station takes back only its own"),
            "{said}"
        );
        voids.add(by("st-1", 3, 1));
        assert!(voids.takes_back(turned(1)));
        for guard in [
            Guard::Correction,
            Guard::Keeps,
            Guard::Frees,
            Guard::Changes,
        ] {
            assert!(!voids.takes_back(guarded(guard)), "{guard:?}");
            assert_eq!(voids.reason(guarded(guard)), None);
        }
        voids.add(voiding(4, 1));
        voids.add(by("st-1", 5, 4));
        assert!(
            voids.takes_back(guarded(Guard::Correction)),
            "a station takes back no correction"
        );
        voids.add(voiding(6, 4));
        assert!(!voids.takes_back(guarded(Guard::Correction)));
    }

    #[test]
    fn a_station_takes_back_its_own_for_as_long_as_its_undo_reaches() {
        let says = |name: &str| -> FactId { name.parse().unwrap() };
        let stated = Target::kept(
            says("0190b6b0-0000-7000-8000-000000000001"),
            Guard::Station(station("st-1")),
        );
        for (by, takes_back) in [
            // The same minute, eleven minutes, a millisecond more, and weeks later.
            ("0190b6b0-0000-7000-8000-000000000002", true),
            ("0190b6ba-1220-7000-8000-000000000002", true),
            ("0190b6ba-1221-7000-8000-000000000002", false),
            ("0190fedc-0000-7000-8000-000000000002", false),
            // A clock that fell back, and a name that says no time.
            ("0190b6a0-0000-7000-8000-000000000002", false),
            ("0190b6b0-0000-4000-8000-000000000002", false),
        ] {
            let by = Voiding {
                station: station("st-1"),
                target: stated.fact,
                by: says(by),
                ..voiding(2, 1)
            };
            let mut voids = Voids::default();
            voids.add(by.clone());
            assert_eq!(voids.takes_back(stated), takes_back, "{by:?}");
            let said = voids.judge(&by, stated.guard).err();
            let late = "more than 10 minutes before: so late a manager corrects it";
            assert_eq!(said.is_none(), takes_back);
            assert!(said.is_none_or(|said| said.contains(late)));
            // A manager takes it back at any time.
            voids.add(Voiding {
                station: station(OFFICE),
                by: says("0190fedc-0000-7000-8000-000000000003"),
                ..by
            });
            assert!(voids.takes_back(stated));
        }
    }

    #[test]
    fn whatever_lets_a_wheel_go_needs_the_right_to_release() {
        let mut voids = Voids::under(Rights::Named([("01").parse().unwrap()].into()));
        let by = |person: &str, by, target| Voiding {
            person: person.parse().ok(),
            ..voiding(by, target)
        };
        let (hold, release) = (guarded(Guard::Keeps), guarded(Guard::Frees));
        voids.add(by("07", 2, 1));
        assert!(!voids.takes_back(hold), "07 may release nothing");
        assert!(voids.takes_back(release), "to hold again needs no right");
        // So is taking that back: the release would count again.
        voids.add(by("07", 3, 2));
        assert!(voids.takes_back(release));
        voids.add(by("01", 4, 2));
        assert!(!voids.takes_back(release));
        voids.add(by("01", 5, 1));
        assert!(voids.takes_back(hold));
        voids.add(by("07", 6, 5));
        assert!(!voids.takes_back(hold), "a hold again");
    }

    #[test]
    fn a_ring_of_voidings_ends() {
        let mut voids = Voids::default();
        voids.add(voiding(1, 2));
        voids.add(voiding(2, 1));
        for target in [turned(1), turned(2)] {
            let _ = (voids.takes_back(target), voids.reason(target));
        }
    }
}
