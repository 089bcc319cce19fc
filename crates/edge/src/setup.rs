//! What a station knows of its site.

use std::collections::BTreeMap;

use facts::{MarketId, RecipeId};
use site::{Site, Station};
use station::Setup;

/// What a station knows of its site.
#[must_use]
pub fn setup(site: &Site, station: &Station) -> Setup {
    let mut recipes: BTreeMap<RecipeId, u32> = BTreeMap::new();
    for recipe in site.recipes.iter() {
        let newest = recipes.entry(recipe.id).or_default();
        *newest = recipe.version.max(*newest);
    }
    let tools = site.tools();
    Setup {
        clock: site.clock,
        machines: tools.machines,
        irons: tools.irons,
        recipes,
        holds: site.hold_rule(),
        rooms: site
            .rooms
            .iter()
            .map(|room| (room.id, room.positions))
            .collect(),
        people: site.people.clone(),
        youngest: youngest(site),
        dispatch_desk: site.dispatch.is_some(),
        scale: station.scale.as_ref().map(|scale| station::Scale {
            tool: scale.tool,
            plate: scale.plate,
            daily_check: scale.daily_check,
            hoops: scale.hoops.clone(),
        }),
    }
}

/// By the newest version of each recipe, from which age the law of each market lets it leave.
fn youngest(site: &Site) -> BTreeMap<RecipeId, BTreeMap<MarketId, i64>> {
    let mut youngest = BTreeMap::new();
    let mut newest: BTreeMap<RecipeId, u32> = BTreeMap::new();
    for recipe in site.recipes.iter() {
        let version = newest.entry(recipe.id).or_default();
        if recipe.version < *version {
            continue;
        }
        *version = recipe.version;
        let markets = recipe.markets.iter().map(|market| {
            let least = market.legal_least_age_days.unwrap_or(0);
            (market.id, (least - market.transit_days).max(0))
        });
        youngest.insert(recipe.id, markets.collect());
    }
    youngest
}
