//! What people have to hear of: kilograms of a make that nobody can explain, and batches
//! that dry unlike the others. Pure.

use std::collections::BTreeMap;

use bus::telling::{Telling, Told};
use facts::{BatchId, RecipeId};
use forecast::{Desk, DryingHabit};

use crate::line::{Line, Unexplained};
use crate::round::Pass;

/// Makes older than this are not told of any more: a site that begins to keep records is
/// not flooded with what lies behind.
const TELL_WITHIN_DAYS: i64 = 7;

/// What alerts about drying begin with.
const DRYING: &str = "drying-";

/// What alerts about kilograms begin with.
const YIELD: &str = "yield-";

/// Closed makes whose kilograms do not add up: those to tell of, then older ones.
pub(crate) fn unexplained(
    lines: &BTreeMap<BatchId, Line>,
    desk: &Desk,
) -> (Vec<Telling>, Vec<Telling>) {
    let from = desk.today().plus(-TELL_WITHIN_DAYS);
    let unexplained = lines.iter().filter_map(|(batch, line)| {
        let Unexplained { made, words } = line.unexplained.as_ref()?;
        let text = format!("batch {batch}: {words}");
        let telling = Telling::warning(format!("{YIELD}{batch}"), text);
        Some((*made >= from, telling))
    });
    let (fresh, old): (Vec<_>, Vec<_>) = unexplained.partition(|(fresh, _)| *fresh);
    let tellings = |some: Vec<(bool, Telling)>| some.into_iter().map(|(_, it)| it).collect();
    (tellings(fresh), tellings(old))
}

/// Batches in the house that dry too fast or too slowly.
pub(crate) fn drying(desk: &Desk, batches: &[BatchId]) -> Vec<Telling> {
    let mut habits: BTreeMap<RecipeId, Option<DryingHabit>> = BTreeMap::new();
    let forecaster = desk.forecaster();
    let told = batches.iter().filter_map(|id| {
        let recipe = desk.history.batches.get(id)?.recipe.id;
        let habit = habits.entry(recipe).or_insert_with(|| desk.drying(*id));
        let alarm = forecaster.weights(*id, habit.as_ref()?)?.alarm?;
        Some(Telling::warning(format!("{DRYING}{id}"), alarm.words))
    });
    told.collect()
}

/// What has to be told after a round, what is over first.
pub(crate) fn owed(told: &Told, pass: &Pass) -> Vec<Telling> {
    let (fresh, old) = &pass.unexplained;
    let unexplained = [fresh.as_slice(), old].concat();
    let mut owed = told.over(YIELD, &unexplained, |batch| {
        format!("batch {batch}: its kilograms add up now")
    });
    owed.extend(told.over(DRYING, &pass.drying, |batch| {
        format!("{batch} dries like the others again, or has left")
    }));
    owed.extend(fresh.iter().chain(&pass.drying).cloned());
    owed
}
