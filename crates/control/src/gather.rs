//! Portions and rules, from the folded floor.

use std::sync::Arc;

use facts::{BatchId, RecipeId};
use quantity::DairyDay;
use recipe::Recipe;
use ripening::{Floor, Wheel};

use crate::{Aim, Portion, Rules, Sample, Size, Spread, samples};

/// A vat's portions in order of time. What was voided is not among them.
#[must_use]
pub fn portions_of(floor: &Floor, batch: BatchId) -> Vec<Portion> {
    let mut portions = weighed(floor, batch);
    portions.sort_by_key(|portion| (portion.at, portion.wheel));
    portions
}

fn weighed(floor: &Floor, id: BatchId) -> Vec<Portion> {
    let Some(batch) = floor.batch(id) else {
        return Vec::new();
    };
    let portion = |wheel: &facts::WheelId| -> Option<Portion> {
        let known: &Wheel = floor.wheel(*wheel)?;
        let state = known.state();
        let born = state.born.filter(|_| state.batch == Some(id))?;
        Some(Portion {
            at: born.at,
            wheel: *wheel,
            batch: id,
            // Only the notes say who.
            person: floor.note_of(*wheel, born).and_then(|note| note.person),
            weight_g: state.portion?,
        })
    };
    batch.wheels.iter().filter_map(portion).collect()
}

/// The dairy day on which a vat was portioned.
#[must_use]
pub fn day_of_batch(floor: &Floor, batch: BatchId) -> Option<DairyDay> {
    let wheels = &floor.batch(batch)?.wheels;
    let made = |wheel: &facts::WheelId| {
        let state = floor.wheel(*wheel)?.state();
        state.made.filter(|_| state.batch == Some(batch))
    };
    wheels.iter().find_map(made)
}

/// All portions of a dairy day by one recipe and version, whatever their vat: what is off at
/// the scale does not end with a vat.
#[must_use]
pub fn line_of(floor: &Floor, recipe: RecipeId, version: u32, day: DairyDay) -> Vec<Portion> {
    let batches = batches_by(floor, recipe, version);
    let that_day = batches.filter(|batch| day_of_batch(floor, *batch) == Some(day));
    gathered(floor, that_day)
}

pub(crate) fn gathered(floor: &Floor, batches: impl Iterator<Item = BatchId>) -> Vec<Portion> {
    let mut portions: Vec<Portion> = batches.flat_map(|batch| weighed(floor, batch)).collect();
    portions.sort_by_key(|portion| (portion.at, portion.wheel));
    portions
}

fn batches_by(floor: &Floor, recipe: RecipeId, version: u32) -> impl Iterator<Item = BatchId> + '_ {
    let by = move |batch: &BatchId| {
        let goes_by: Option<&Arc<Recipe>> = floor.recipe_of(*batch);
        goes_by.is_some_and(|by| (by.id, by.version) == (recipe, version))
    };
    floor.batches().map(|(id, _)| *id).filter(by)
}

/// By what the portions of a dairy day are judged: the recipe's aim, and the spread of the
/// samples before that day.
#[must_use]
pub fn rules_for(floor: &Floor, recipe: &Recipe, day: DairyDay, size: Size) -> Rules {
    let aim = Aim::from(recipe.portion);
    let mut before: Vec<(DairyDay, BatchId)> = batches_by(floor, recipe.id, recipe.version)
        .filter_map(|batch| Some((day_of_batch(floor, batch)?, batch)))
        .filter(|(made, _)| *made < day)
        .collect();
    before.sort();
    let mut earlier: Vec<Sample> = Vec::new();
    while let Some((made, _)) = before.last().copied()
        && earlier.len() < Spread::MOST
    {
        // A whole day at a time: its vats may have been portioned side by side.
        let start = before.partition_point(|(other, _)| *other < made);
        let portions = gathered(floor, before.drain(start..).map(|(_, batch)| batch));
        let mut older = samples(&portions, size);
        older.append(&mut earlier);
        earlier = older;
    }
    Rules {
        aim,
        size,
        spread: Spread::of(&earlier, size, aim),
    }
}
