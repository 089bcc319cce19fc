//! Which batches are at hand, and how one is found that is not.

use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;

use chrono::{DateTime, Utc};
use facts::{BatchId, RecipeId, WheelId};
use forecast::{Batch, NEWEST};
use projection::{Records as _, Store, StoreError};
use quantity::DairyDay;
use site::Site;

use crate::line::{Gathered, Line};
use crate::shelf::{Shelf, key};

/// What stays at hand of what has left.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Keeps {
    /// A batch, for so long after its last wheel has left, days: within that time wheels come
    /// back.
    pub(crate) days: f64,
    /// So many of each recipe, the newest.
    pub(crate) newest: usize,
}

impl Keeps {
    /// What a site keeps at hand.
    pub(crate) const fn of(site: &Site) -> Self {
        Self {
            days: site.closed_after_days as f64,
            newest: NEWEST,
        }
    }
}

/// Those that have wheels in the house or had lately, and the newest of each recipe, from which
/// learning goes on.
pub(crate) fn at_hand(
    lines: &BTreeMap<BatchId, Line>,
    day_began: DateTime<Utc>,
    keeps: Keeps,
) -> BTreeSet<BatchId> {
    let gone_by = day_began.timestamp() as f64 / 86_400.0 - keeps.days;
    let mut at_hand = BTreeSet::new();
    let mut by_recipe: BTreeMap<RecipeId, Vec<(DairyDay, BatchId)>> = BTreeMap::new();
    for (id, line) in lines {
        let Some(recipe) = line.recipe else {
            continue;
        };
        by_recipe.entry(recipe).or_default().push((line.made, *id));
        if line.gone.is_none_or(|at| at > gone_by) {
            at_hand.insert(*id);
        }
    }
    for mut batches in by_recipe.into_values() {
        batches.sort_unstable_by(|a, b| b.cmp(a));
        at_hand.extend(batches.iter().take(keeps.newest).map(|(_, id)| *id));
    }
    at_hand
}

/// The batch that a person means and that is no longer at hand, gathered from the disk: its
/// code or a wheel's.
pub(crate) fn from_disk(
    store: &Arc<Store>,
    site: &Site,
    what: &str,
    now: DateTime<Utc>,
) -> Result<Option<Arc<Batch>>, StoreError> {
    let shelf = Shelf::new(store.clone());
    let wheel = what.parse::<WheelId>().ok();
    let of_wheel = wheel.map(|wheel| shelf.get::<Vec<BatchId>>(&key::wheel(wheel)));
    let of_wheel = of_wheel.transpose()?.flatten().unwrap_or_default();
    for id in what.parse().ok().into_iter().chain(of_wheel) {
        let facts = shelf.facts_of(id)?;
        let gathered = Gathered::of(id, &facts, site, now, None);
        let batch = gathered.and_then(|gathered| gathered.batch);
        let meant = |batch: &Arc<Batch>| {
            what.parse() == Ok(batch.id) || batch.wheels.iter().any(|w| Some(w.id) == wheel)
        };
        if let Some(batch) = batch.filter(meant) {
            return Ok(Some(batch));
        }
    }
    Ok(None)
}
