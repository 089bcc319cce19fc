//! What people have to hear of: kilograms of a make that nobody can explain, and batches
//! that dry unlike the others. Pure.

use std::collections::{BTreeMap, BTreeSet};

use bus::telling::Telling;
use facts::{BatchId, Fact, RecipeId};
use forecast::{Desk, DryingHabit};
use makes::{balance, makes};

/// Makes older than this are not told of any more: a site that begins to keep records is
/// not flooded with what lies behind.
const TELL_WITHIN_DAYS: i64 = 7;

/// What alerts about drying begin with.
pub(crate) const DRYING: &str = "drying-";

/// Closed makes whose kilograms do not add up.
pub(crate) fn unexplained(facts: &[Fact], desk: &Desk) -> Vec<Telling> {
    let from = desk.today().plus(-TELL_WITHIN_DAYS);
    let made = makes(&facts::standing(facts), &desk.history.clock);
    let told = made.values().filter_map(|make| {
        let balance = balance(make);
        balance
            .unexplained_kg
            .filter(|_| make.closed && make.made >= from)?;
        let batch = make.batch;
        let text = format!("batch {batch}: {}", balance.words?);
        Some(Telling::warning(format!("yield-{batch}"), text))
    });
    told.collect()
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

/// Those that were told of and dry like the others again, or have left.
pub(crate) fn dry_as_usual<'a>(
    open: impl Iterator<Item = &'a str>,
    now: &[Telling],
) -> Vec<Telling> {
    let still: BTreeSet<&str> = now.iter().map(|telling| telling.alert.as_str()).collect();
    let over = open.filter(|name| !still.contains(name)).map(|name| {
        let batch = name.trim_start_matches(DRYING);
        Telling::cleared(
            name.to_owned(),
            format!("{batch} dries like the others again, or has left"),
        )
    });
    over.collect()
}
