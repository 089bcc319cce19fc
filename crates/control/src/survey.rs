//! Studies from the folded floor: of a vat, of everybody who portions.

use std::collections::{BTreeMap, BTreeSet};

use facts::{BatchId, PersonId, RecipeId};
use names::{Kind, Known, UnknownName};
use quantity::DairyDay;
use ripening::{Floor, answer};
use serde::{Deserialize, Serialize};

use crate::gather::{day_of_batch, gathered, line_of, portions_of, rules_for};
use crate::{Episode, Finish, Portion, Rules, Size, Study, Whose, judge};

/// A recipe and its version.
type Key = (RecipeId, u32);

/// Whose portions are studied.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Subject {
    /// One vat's, with its finished weights.
    Batch(BatchId),
    /// One person's.
    Person(PersonId),
    /// Every vat's and everybody's.
    Everybody,
}

/// Which portions are studied, and how.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct StudiesQuery {
    /// Whose.
    pub of: Subject,
    /// Dairy days up to today that are looked back, unless a vat is named.
    pub days: u16,
    /// How many portions make a sample.
    pub sample: Size,
    /// What a kilogram of curd is worth, in the dairy's money.
    pub price_per_kg: Option<f64>,
}

/// What was asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Studies {
    /// A vat's, and what became of its weights.
    Vat(Box<Study>, Option<Finish>),
    /// One person's, by recipe and version; none: nothing was portioned in those days.
    Person(Vec<Study>),
    /// Every vat's, then everybody's.
    Everybody(Vec<Study>, Vec<Study>),
}

/// Why there is no study.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoStudy {
    /// There is no such batch, or nobody of that badge ever portioned.
    #[error(transparent)]
    Unknown(#[from] UnknownName),
    /// It has no portions, or no recipe to hold them against.
    #[error("nothing was portioned from batch {0} yet, or its recipe is not in the site file")]
    NotPortioned(BatchId),
}

/// The first of so many dairy days up to today.
#[must_use]
pub fn first_day(floor: &Floor, days: u16) -> DairyDay {
    let today = floor.practice().clock.day_of(floor.now());
    today.plus(1 - i64::from(days))
}

/// Studies what was asked for. `people_there`: the badges that the site file names.
///
/// # Errors
/// [`NoStudy`].
pub fn studies(
    floor: &Floor,
    people_there: impl Iterator<Item = PersonId>,
    query: &StudiesQuery,
) -> Result<Studies, NoStudy> {
    let (size, price) = (query.sample, query.price_per_kg);
    let from = first_day(floor, query.days);
    match query.of {
        Subject::Batch(batch) => {
            let (batch, _) = answer::batch_named(floor, batch)?;
            let study = vat(floor, batch, size, price).ok_or(NoStudy::NotPortioned(batch))?;
            Ok(Studies::Vat(Box::new(study), Finish::of(floor, batch)))
        }
        Subject::Person(person) => {
            let mut of = people(floor, from, size, price);
            of.retain(|study| study.whose == Whose::Person(Some(person)));
            if of.is_empty() {
                known(floor, people_there, person)?;
            }
            Ok(Studies::Person(of))
        }
        Subject::Everybody => {
            let vats = vats_since(floor, from).into_iter();
            let vats = vats.filter_map(|batch| vat(floor, batch, size, price));
            Ok(Studies::Everybody(
                vats.collect(),
                people(floor, from, size, price),
            ))
        }
    }
}

/// Whether somebody of whom no portions are seen portioned before.
fn known(
    floor: &Floor,
    people_there: impl Iterator<Item = PersonId>,
    person: PersonId,
) -> Result<(), UnknownName> {
    let batches = floor.batches().map(|(id, _)| *id);
    let batches = batches.filter(|id| floor.recipe_of(*id).is_some());
    let portions = gathered(floor, batches);
    let badges = portions.iter().filter_map(|portion| portion.person);
    let people = Known::default().with(Kind::Person, badges);
    let people = people.with(Kind::Person, people_there);
    people.find(Kind::Person, person).map(|_| ())
}

/// The study of a vat; nothing when no portion of it is known, or no recipe for it.
#[must_use]
pub fn vat(floor: &Floor, batch: BatchId, size: Size, price_per_kg: Option<f64>) -> Option<Study> {
    let recipe = floor.recipe_of(batch)?;
    let day = day_of_batch(floor, batch)?;
    let rules = rules_for(floor, recipe, day, size);
    let key = (recipe.id, recipe.version);
    let told = judge(&rules, &line_of(floor, key.0, key.1, day));
    let portions = portions_of(floor, batch);
    let whose = Whose::Batch(batch);
    Some(Study::of(whose, key, rules, portions, &told, price_per_kg))
}

/// The vats portioned from a dairy day on, in order of time.
#[must_use]
pub fn vats_since(floor: &Floor, from: DairyDay) -> Vec<BatchId> {
    let made = floor
        .batches()
        .filter_map(|(id, _)| Some((day_of_batch(floor, *id)?, *id)));
    let mut vats: Vec<(DairyDay, BatchId)> = made.filter(|(day, _)| *day >= from).collect();
    vats.sort();
    vats.into_iter().map(|(_, batch)| batch).collect()
}

/// Studies of everybody who portioned from a dairy day on, by recipe and version, then by
/// badge; portions without a badge come first.
#[must_use]
pub fn people(floor: &Floor, from: DairyDay, size: Size, price_per_kg: Option<f64>) -> Vec<Study> {
    let mut days: BTreeMap<Key, BTreeSet<DairyDay>> = BTreeMap::new();
    for batch in vats_since(floor, from) {
        if let (Some(recipe), Some(day)) = (floor.recipe_of(batch), day_of_batch(floor, batch)) {
            let key = (recipe.id, recipe.version);
            days.entry(key).or_default().insert(day);
        }
    }
    let mut studies = Vec::new();
    for (key, days) in days {
        let mut by: BTreeMap<Option<PersonId>, Vec<Portion>> = BTreeMap::new();
        let mut told: Vec<Episode> = Vec::new();
        let mut latest: Option<Rules> = None;
        for day in days {
            let line = line_of(floor, key.0, key.1, day);
            let recipe = line.first().and_then(|p| floor.recipe_of(p.batch));
            let Some(recipe) = recipe else { continue };
            let rules = rules_for(floor, recipe, day, size);
            told.extend(judge(&rules, &line));
            for portion in line {
                by.entry(portion.person).or_default().push(portion);
            }
            latest = Some(rules);
        }
        let Some(rules) = latest else { continue };
        studies.extend(by.into_iter().map(|(person, portions)| {
            let whose = Whose::Person(person);
            Study::of(whose, key, rules, portions, &told, price_per_kg)
        }));
    }
    studies
}
