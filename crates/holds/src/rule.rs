//! What a site itself says about holds: which recipe's wheels are born under which, and who
//! may release them.

use std::collections::{BTreeMap, BTreeSet};

use facts::{
    BatchId, Event, Fact, FactId, HoldId, LotId, PersonId, RecipeId, ReworkSource, StationId,
    stored_struct,
};
use recipe::RecipeBook;

use crate::scope::is_new;
use crate::{Guard, Moment, Source, Target, Voids};

/// Who may release a wheel from a hold, or lift a hold over a scope.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub enum Rights {
    /// Anyone with a badge: a site without a safety file.
    #[default]
    AnyBadge,
    /// Only these badges, as the dairy's safety file names them.
    Named(BTreeSet<PersonId>),
}

impl Rights {
    /// Whether a release by this badge counts. Nobody's never does.
    #[must_use]
    pub fn may_release(&self, person: Option<PersonId>) -> bool {
        match (self, person) {
            (_, None) => false,
            (Self::AnyBadge, Some(_)) => true,
            (Self::Named(badges), Some(person)) => badges.contains(&person),
        }
    }

    /// Who may, in words.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::AnyBadge => "anyone with a badge".to_owned(),
            Self::Named(badges) if badges.is_empty() => {
                "nobody: the safety file names no badge".to_owned()
            }
            Self::Named(badges) => {
                let badges: Vec<_> = badges.iter().map(PersonId::to_string).collect();
                format!("badge {}", badges.join(", "))
            }
        }
    }
}

/// A hold that a recipe puts on every wheel.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct BornUnder {
    /// The hold.
    pub hold: HoldId,
    /// What must be known before it is released.
    pub reason: String,
    /// The recipe that asks for it.
    pub recipe: RecipeId,
}

/// The holds that a wheel is born under, in two lists.
pub type Born<'a> = [&'a [BornUnder]; 2];

/// What a site says about holds.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Rule {
    versions: BTreeMap<(RecipeId, u32), Vec<BornUnder>>,
    /// The holds of any version.
    recipes: BTreeMap<RecipeId, Vec<BornUnder>>,
    /// The holds of any recipe.
    any: Vec<BornUnder>,
    rights: Rights,
}

impl Rule {
    /// By the site's recipes and whoever may release.
    #[must_use]
    pub fn new(recipes: &RecipeBook, rights: Rights) -> Self {
        let mut rule = Self {
            rights,
            ..Self::default()
        };
        for recipe in recipes.iter() {
            let holds = recipe.holds.iter().map(|hold| BornUnder {
                hold: hold.id,
                reason: hold.reason.clone(),
                recipe: recipe.id,
            });
            let version = rule.versions.entry((recipe.id, recipe.version));
            let version = version.or_default();
            let of_recipe = rule.recipes.entry(recipe.id).or_default();
            for born in holds {
                for list in [&mut *version, &mut *of_recipe, &mut rule.any] {
                    if !list.iter().any(|known| known.hold == born.hold) {
                        list.push(born.clone());
                    }
                }
            }
        }
        rule
    }

    /// The holds that wheels of a recipe are born under. Of a version that the site does not
    /// have: those of any version of it. Where the recipe is not known: those of any recipe.
    #[must_use]
    pub fn born_under(&self, recipe: Option<(RecipeId, u32)>) -> &[BornUnder] {
        let Some((id, version)) = recipe else {
            return &self.any;
        };
        let exact = self.versions.get(&(id, version));
        exact.or_else(|| self.recipes.get(&id)).unwrap_or(&self.any)
    }

    /// The holds that wheels of a batch are born under: those of the recipe that it goes by,
    /// and those from under which only somebody without the right to release has moved it.
    #[must_use]
    pub fn born(&self, course: Option<&Course>, voids: &Voids) -> Born<'_> {
        let Some(course) = course else {
            return [&self.any, &[]];
        };
        let (by, by_right) = (
            course.recipe(voids),
            course.recipe_by(voids, Some(&self.rights)),
        );
        let before = (by != by_right).then(|| self.born_under(by_right));
        [self.born_under(by), before.unwrap_or_default()]
    }

    /// Who may release.
    #[must_use]
    pub const fn rights(&self) -> &Rights {
        &self.rights
    }
}

/// By which recipe a batch goes, those it was started with unless it was moved to others on
/// purpose, and what went into it.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Course {
    legs: BTreeMap<Moment, Leg>,
    filled: BTreeMap<Moment, Filled>,
}

/// What a fact says went into a batch.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Filled {
    lots: Vec<LotId>,
    batch: Option<BatchId>,
    /// Who takes the fact back.
    guard: Guard,
}

stored_struct!(Course { legs, filled });
stored_struct!(Filled { lots, batch, guard });

/// A stretch of a batch's course.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Leg {
    recipe: RecipeId,
    version: u32,
    /// Whether it began here; else it was moved.
    start: bool,
    /// The station that says so.
    station: StationId,
    /// Who says so, where known.
    person: Option<PersonId>,
}

stored_struct!(Leg {
    recipe,
    version,
    start,
    station,
    person,
});

impl Leg {
    /// Who takes it back, as [`Guard::of`] has it of the fact.
    const fn guard(&self) -> Guard {
        if self.start {
            Guard::Station(self.station)
        } else {
            Guard::Changes
        }
    }

    fn counts(&self, order: &Moment, voids: &Voids) -> bool {
        !voids.takes_back(Target::kept(order.fact, self.guard()))
    }
}

impl Course {
    /// The batch and what a fact says of its recipe; `None` when it says nothing.
    fn leg(fact: &Fact) -> Option<Leg> {
        let (recipe, version, start) = match &fact.event {
            Event::VatStarted(e) => (e.recipe, e.recipe_version, true),
            Event::VatRecipeChanged(e) => (e.recipe, e.recipe_version, false),
            _ => return None,
        };
        Some(Leg {
            recipe,
            version,
            start,
            station: fact.station,
            person: fact.person,
        })
    }

    /// The batch whose course a fact speaks of.
    #[must_use]
    pub const fn of(event: &Event) -> Option<BatchId> {
        Some(match event {
            Event::VatStarted(e) => e.batch,
            Event::VatRecipeChanged(e) => e.batch,
            Event::VatFilled(e) => e.batch,
            Event::VatDosed(e) => e.batch,
            Event::VatReworked(e) => e.batch,
            _ => return None,
        })
    }

    /// What a fact says went into the batch.
    fn filled(fact: &Fact) -> Option<Filled> {
        let (lots, batch) = match &fact.event {
            Event::VatStarted(e) => (e.milk_lots.clone(), None),
            Event::VatFilled(e) => (vec![e.lot], None),
            Event::VatDosed(e) => (vec![e.lot], None),
            Event::VatReworked(e) => match e.from {
                ReworkSource::Batch(batch) => (Vec::new(), Some(batch)),
                // Kept, though only the records follow it.
                ReworkSource::Wheel(_) => (Vec::new(), None),
            },
            _ => return None,
        };
        let guard = Guard::of(fact);
        Some(Filled { lots, batch, guard })
    }

    /// Takes a fact about the batch in. `false`: it says nothing of its recipe or of what went
    /// into it, or was there.
    pub fn apply(&mut self, fact: &Fact) -> bool {
        let moment = Moment::of(fact);
        let leg = Self::leg(fact).map(|leg| is_new(self.legs.entry(moment), leg));
        let filled = Self::filled(fact).map(|of| is_new(self.filled.entry(moment), of));
        leg == Some(true) || filled == Some(true)
    }

    /// What went into the batch, by facts that count.
    pub fn sources(&self, voids: &Voids) -> impl Iterator<Item = (Moment, Source)> {
        let counts = self
            .filled
            .iter()
            .filter(|(order, filled)| !voids.takes_back(Target::kept(order.fact, filled.guard)));
        counts.flat_map(|(order, filled)| {
            let lots = filled.lots.iter().copied().map(Source::Lot);
            let sources = lots.chain(filled.batch.map(Source::Batch));
            sources.map(|source| (*order, source))
        })
    }

    /// Every batch of which some went into this one, by any fact, voided ones too.
    pub fn reworked_from(&self) -> impl Iterator<Item = BatchId> + '_ {
        self.filled.values().filter_map(|filled| filled.batch)
    }

    /// Every lot that went into the batch, by any fact, voided ones too.
    pub fn lots(&self) -> impl Iterator<Item = LotId> + '_ {
        self.filled
            .values()
            .flat_map(|filled| filled.lots.iter().copied())
    }

    /// Whether any fact, voided ones too, says that some of a batch went into this one.
    #[must_use]
    pub fn is_from(&self, batch: BatchId) -> bool {
        self.filled
            .values()
            .any(|filled| filled.batch == Some(batch))
    }

    /// Whether nothing is known of it.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.legs.is_empty() && self.filled.is_empty()
    }

    /// Every fact that is kept here, some of them twice.
    pub fn facts(&self) -> impl Iterator<Item = FactId> + '_ {
        let orders = self.legs.keys().chain(self.filled.keys());
        orders.map(|order| order.fact)
    }

    /// Who takes a fact back, if it is kept here.
    #[must_use]
    pub fn guard_of(&self, fact: FactId) -> Option<Guard> {
        let legs = self.legs.iter().map(|(order, leg)| (order, leg.guard()));
        let filled = self.filled.iter();
        let mut all = legs.chain(filled.map(|(order, filled)| (order, filled.guard)));
        all.find(|(order, _)| order.fact == fact)
            .map(|(_, guard)| guard)
    }

    /// The recipe and version that the batch goes by.
    #[must_use]
    pub fn recipe(&self, voids: &Voids) -> Option<(RecipeId, u32)> {
        self.recipe_by(voids, None)
    }

    /// The same, where only moves by somebody with the right to release count, if that is
    /// asked for.
    fn recipe_by(&self, voids: &Voids, rights: Option<&Rights>) -> Option<(RecipeId, u32)> {
        let may = |leg: &Leg| rights.is_none_or(|rights| rights.may_release(leg.person));
        let moved = self.legs.iter().rev();
        let moved = moved.filter(|(_, leg)| !leg.start && may(leg));
        // Started twice, it is what it was first: a second start takes no wheel from under the
        // holds that it was born under.
        let started = self.legs.iter().filter(|(_, leg)| leg.start);
        let mut legs = moved.chain(started);
        let counts = legs.find(|(order, leg)| leg.counts(order, voids));
        counts.map(|(_, leg)| (leg.recipe, leg.version))
    }

    /// Whether a start of the batch is known.
    #[must_use]
    pub fn is_started(&self, voids: &Voids) -> bool {
        let mut legs = self.legs.iter();
        legs.any(|(order, leg)| leg.start && leg.counts(order, voids))
    }
}
