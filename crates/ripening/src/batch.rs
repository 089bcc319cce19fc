//! A batch: its make record and how far its wheels are.

use std::collections::btree_map::Entry;
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use facts::{
    Event, Fact, FactId, ForecastTold, LotId, PersonId, RecipeId, StationId, VatId, WheelId,
    stored_struct,
};
use holds::{Course, Guard, Target};
use quantity::Litres;
use recipe::Recipe;

use crate::stored::forecasts;
use crate::{Moment, Voids};

/// What the start of a batch says.
#[derive(Debug, Clone, PartialEq)]
pub struct Started {
    /// The vat.
    pub vat: VatId,
    /// The recipe.
    pub recipe: RecipeId,
    /// Its version.
    pub version: u32,
    /// Milk in the vat.
    pub milk: Litres,
    /// Its lots.
    pub milk_lots: Vec<LotId>,
}

/// A line of the make record.
#[derive(Debug, Clone, PartialEq)]
pub struct MakeLine {
    /// Where it was written.
    pub station: StationId,
    /// By whom.
    pub person: Option<PersonId>,
    /// What it says.
    pub words: String,
    /// What the start of the batch says, on that line.
    pub started: Option<Started>,
    /// Who takes its fact back.
    pub guard: Guard,
}

impl MakeLine {
    /// Its fact, and who takes it back.
    #[must_use]
    pub const fn target(&self, fact: FactId) -> Target {
        Target::kept(fact, self.guard)
    }
}

/// One vat's make.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Batch {
    /// The make record in order.
    pub lines: BTreeMap<Moment, MakeLine>,
    /// By which recipe it goes, and what went into it.
    pub(crate) course: Course,
    /// What was expected of it, the latest few.
    pub(crate) expected: BTreeMap<Moment, ForecastTold>,
    /// Every wheel ever portioned from it.
    pub wheels: BTreeSet<WheelId>,
    /// How far its wheels are.
    pub progress: Progress,
    /// The recipe it ripens by, as last settled by the floor.
    pub(crate) recipe: Option<Arc<Recipe>>,
    /// The recipe and version it was made by, where the site does not have them.
    pub(crate) missing: Option<(RecipeId, u32)>,
}

/// How far a batch's wheels are.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Progress {
    /// The wheels whose cores stand for the batch.
    pub to_iron: Vec<WheelId>,
    /// The core by which the last of them reached the recipe's blue coverage.
    pub ready: Option<Moment>,
    /// What is expected of the batch, as told last; nothing without a forecast.
    pub expected: Option<(Moment, ForecastTold)>,
}

/// Forecasts kept of each batch: enough to fall back on when the latest are voided.
const FORECASTS_KEPT: usize = 8;

impl Batch {
    /// Writes a fact into the make record, and what it says of the recipe and of what went into
    /// the batch. `false`: it was there already.
    pub fn write(&mut self, fact: &Fact) -> bool {
        let new = self.course.apply(fact);
        let Some(words) = words(&fact.event) else {
            return new;
        };
        let started = match &fact.event {
            Event::VatStarted(e) => Some(Started {
                vat: e.vat,
                recipe: e.recipe,
                version: e.recipe_version,
                milk: e.milk_l,
                milk_lots: e.milk_lots.clone(),
            }),
            _ => None,
        };
        let line = MakeLine {
            station: fact.station,
            person: fact.person,
            words,
            started,
            guard: Guard::of(fact),
        };
        // What was said first under a fact's name stays.
        match self.lines.entry(Moment::of(fact)) {
            Entry::Vacant(free) => {
                free.insert(line);
                true
            }
            Entry::Occupied(_) => false,
        }
    }

    /// Whether no fact speaks of it but those of its wheels.
    pub(crate) fn says_nothing(&self) -> bool {
        self.lines.is_empty() && self.expected.is_empty() && self.course.is_empty()
    }

    /// Takes what is expected of it. `false`: it was there already, or newer ones are.
    pub(crate) fn expect(&mut self, fact: &Fact) -> bool {
        let Event::ForecastTold(told) = &fact.event else {
            return false;
        };
        let moment = Moment::of(fact);
        let new = self.expected.insert(moment, told.clone()).is_none();
        // What is kept depends on the facts alone, not on the order they came in.
        while self.expected.len() > FORECASTS_KEPT {
            self.expected.pop_first();
        }
        new && self.expected.contains_key(&moment)
    }

    /// What is expected of it: told last and not voided.
    pub(crate) fn outlook(&self, voids: &Voids) -> Option<(Moment, ForecastTold)> {
        let told = self.expected.iter().rev();
        let target = |at: &Moment| Target::kept(at.fact, Guard::Correction);
        let mut standing = told.filter(|(at, _)| !voids.takes_back(target(at)));
        standing.next().map(|(m, told)| (*m, told.clone()))
    }

    /// The recipe and version it was made by, where the site does not have them: what is said
    /// of its wheels then goes by another version, or by none, and must say so.
    #[must_use]
    pub const fn missing_recipe(&self) -> Option<(RecipeId, u32)> {
        self.missing
    }

    /// Every fact that is known of it by name.
    pub(crate) fn facts(&self) -> impl Iterator<Item = FactId> + '_ {
        let moments = self.lines.keys().chain(self.expected.keys());
        moments.map(|moment| moment.fact).chain(self.course.facts())
    }

    /// Who takes a fact back, if it is kept here.
    pub(crate) fn guard_of(&self, fact: FactId) -> Option<Guard> {
        let lines = self.lines.iter().map(|(at, line)| (at, line.guard));
        let told = self.expected.keys().map(|at| (at, Guard::Correction));
        let mut all = lines.chain(told);
        let known = all.find(|(at, _)| at.fact == fact).map(|(_, guard)| guard);
        known.or_else(|| self.course.guard_of(fact))
    }

    /// How the batch began: the latest start that was not voided.
    #[must_use]
    pub fn started(&self, voids: &Voids) -> Option<&Started> {
        let lines = self.lines.iter().rev();
        lines
            .filter(|(m, line)| !voids.takes_back(line.target(m.fact)))
            .find_map(|(_, line)| line.started.as_ref())
    }

    /// The recipe and version it goes by: those it was started with, unless it was moved
    /// to others on purpose.
    #[must_use]
    pub fn recipe(&self, voids: &Voids) -> Option<(RecipeId, u32)> {
        self.course.recipe(voids)
    }
}

fn words(event: &Event) -> Option<String> {
    let noted = |what: &str, note: &Option<String>| match note {
        Some(note) => format!("{what}: {note}"),
        None => what.to_owned(),
    };
    Some(match event {
        Event::VatStarted(e) => format!(
            "{} of milk into vat {} for {} v{}",
            e.milk_l, e.vat, e.recipe, e.recipe_version
        ),
        Event::VatRecipeChanged(e) => format!(
            "goes on by {} v{}: {}",
            e.recipe, e.recipe_version, e.reason
        ),
        Event::VatDosed(e) => {
            let ingredient = format!("{:?}", e.ingredient).to_lowercase();
            format!("{ingredient} added: {} of lot {}", e.amount, e.lot)
        }
        Event::VatMeasured(e) => match e.reading {
            facts::Reading::Ph(ph) => format!("pH {}", ph.get()),
            facts::Reading::AcidityDornic(acid) => format!("acidity {acid} °D"),
            facts::Reading::TemperatureC(t) => format!("{t}"),
        },
        Event::VatCut(e) => noted("cut", &e.note),
        Event::VatMilled(e) => noted("milled", &e.note),
        Event::VatClosed(e) => noted("make closed", &e.note),
        Event::VatDrained(e) => match e.whey_l {
            Some(whey) => format!("whey drained: {whey}"),
            None => "whey drained".to_owned(),
        },
        _ => return None,
    })
}

stored_struct!(Started {
    vat,
    recipe,
    version,
    milk,
    milk_lots,
});

stored_struct!(MakeLine {
    station,
    person,
    words,
    started,
    guard,
});

stored_struct!(Batch { lines, course, expected via forecasts } skip { wheels, progress, recipe, missing });
