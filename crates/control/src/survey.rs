//! Studies from the folded floor: of a vat, of everybody who portions.

use std::collections::{BTreeMap, BTreeSet};

use facts::{BatchId, PersonId, RecipeId};
use quantity::DairyDay;
use ripening::Floor;

use crate::gather::{day_of_batch, line_of, portions_of, rules_for};
use crate::{Episode, Portion, Rules, Size, Study, Whose, judge};

/// A recipe and its version.
type Key = (RecipeId, u32);

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
