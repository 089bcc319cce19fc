//! What the facts say of each batch that a forecast can use.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use chrono::{DateTime, Utc};
use climate::{Limits, Offset, Path, Ranges, RoomAir, Whereabouts, inspect, readings};
use facts::{BatchId, Event, Fact, FactId, RoomId, SensorId, WheelId};
use quantity::{DairyClock, DairyDay, calendar};
use recipe::{Recipe, RecipeBook};

use crate::moment::days;
use crate::pace::Rooms;

/// How sensors are looked at.
#[derive(Debug, Clone, Default)]
pub struct Sensors {
    /// What calibrations found.
    pub offsets: BTreeMap<SensorId, Offset>,
    /// From when on a reading is doubted.
    pub limits: Limits,
}

/// A value and when it was seen, in days since 1970.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct At {
    /// Days since 1970.
    pub days: f64,
    /// The value, in the unit of what was seen.
    pub value: f64,
    /// The fact that says so.
    pub fact: FactId,
}

/// One look at the rind.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RindLook {
    /// When, and which share was covered, in percent.
    pub at: At,
    /// Which of the batch's classes it was one of.
    pub class: usize,
}

/// Wheels of a batch that went the same way at the same times.
#[derive(Debug, Clone, PartialEq)]
pub struct Class {
    /// Rooms.
    pub path: Path,
    /// When they left their hoops, days since 1970.
    pub unhooped: Option<f64>,
    /// When they were first pierced, days since 1970.
    pub pierced: Option<f64>,
    /// When they left the house or were thrown away, days since 1970.
    pub left: Option<f64>,
}

/// One wheel.
#[derive(Debug, Clone, PartialEq)]
pub struct Wheel {
    /// The wheel.
    pub id: WheelId,
    /// Which of its batch's classes it is in.
    pub class: usize,
    /// Curd weight and when it was weighed.
    pub portion: At,
    /// Cores: share of blue in percent.
    pub irons: Vec<At>,
    /// Later weights in grams.
    pub weights: Vec<At>,
}

/// One batch.
#[derive(Debug, Clone, PartialEq)]
pub struct Batch {
    /// The batch.
    pub id: BatchId,
    /// What it ripens by.
    pub recipe: Arc<Recipe>,
    /// Its make day.
    pub made: DairyDay,
    /// Its wheels, by serial.
    pub wheels: Vec<Wheel>,
    /// The ways that they went.
    pub classes: Vec<Class>,
    /// Looks at the rind, by time.
    pub rind: Vec<RindLook>,
}

/// Everything that forecasts are made from.
#[derive(Debug, Clone)]
pub struct History {
    /// The site's clock.
    pub clock: DairyClock,
    /// Batches by code.
    pub batches: BTreeMap<BatchId, Arc<Batch>>,
    /// How fast things went in each room.
    pub rooms: Rooms,
    /// Each room's air, hour by hour.
    pub air: BTreeMap<RoomId, RoomAir>,
    /// What each room should be like, where a recipe says so.
    pub ranges: BTreeMap<RoomId, Ranges>,
    /// Batches whose recipe is in no file.
    pub without_recipe: Vec<BatchId>,
}

/// What is gathered of a wheel while facts are read.
#[derive(Default)]
struct Gathered {
    portion: Option<(BatchId, At)>,
    unhooped: Option<f64>,
    pierced: Option<f64>,
    left: Option<f64>,
    irons: Vec<At>,
    weights: Vec<At>,
}

/// A look at the rind while facts are read: which wheels it was on.
struct RindFact<'f> {
    at: At,
    wheels: &'f [WheelId],
}

impl History {
    /// Gathers the facts that count, in their order (`holds::counting`), up to `now`.
    #[must_use]
    pub fn of(
        facts: &[&Fact],
        clock: DairyClock,
        recipes: &RecipeBook,
        sensors: &Sensors,
        now: DateTime<Utc>,
    ) -> Self {
        let order = by_then(facts, now);
        let air = readings(&order).into_iter().map(|(room, sources)| {
            let inspected = inspect(&sources, &sensors.offsets, &sensors.limits, now);
            (room, RoomAir::of(&inspected.good))
        });
        let (batches, without_recipe) = gathered(&order, &clock, recipes);
        let batches = batches.into_iter().map(|(id, batch)| (id, Arc::new(batch)));
        let air = air.collect();
        Self::put_together(clock, recipes, batches.collect(), air, without_recipe)
    }

    /// From batches that were gathered one by one ([`gather`]) and from each room's air: the
    /// same as [`History::of`] all their facts.
    #[must_use]
    pub fn put_together(
        clock: DairyClock,
        recipes: &RecipeBook,
        batches: BTreeMap<BatchId, Arc<Batch>>,
        air: BTreeMap<RoomId, RoomAir>,
        without_recipe: Vec<BatchId>,
    ) -> Self {
        let ranges = ranges(recipes);
        Self {
            clock,
            batches,
            rooms: Rooms::of(&air, &ranges),
            air,
            ranges,
            without_recipe,
        }
    }

    /// The batch of a wheel, and its place among the batch's wheels.
    #[must_use]
    pub fn wheel(&self, id: WheelId) -> Option<(&Batch, usize)> {
        self.batches.values().find_map(|batch| {
            let place = batch.wheels.binary_search_by_key(&id, |wheel| wheel.id);
            place.ok().map(|place| (&**batch, place))
        })
    }
}

/// The batches that facts tell of up to `now`, and those whose recipe is in no file. `facts`
/// are those that count, in their order (`holds::counting`). A batch is gathered whole from the
/// facts that name it or a wheel that was ever portioned into it; of others no more can be said
/// then than that they were named.
#[must_use]
pub fn gather(
    facts: &[&Fact],
    clock: &DairyClock,
    recipes: &RecipeBook,
    now: DateTime<Utc>,
) -> (BTreeMap<BatchId, Batch>, Vec<BatchId>) {
    gathered(&by_then(facts, now), clock, recipes)
}

/// Facts up to an instant. Nothing can be reckoned from what lies centuries away.
fn by_then<'f>(facts: &[&'f Fact], now: DateTime<Utc>) -> Vec<&'f Fact> {
    let by_then =
        |fact: &&Fact| fact.occurred_at <= now && calendar::instant(fact.occurred_at).is_ok();
    facts.iter().copied().filter(by_then).collect()
}

fn gathered(
    order: &[&Fact],
    clock: &DairyClock,
    recipes: &RecipeBook,
) -> (BTreeMap<BatchId, Batch>, Vec<BatchId>) {
    let mut gathering = Gathering::default();
    for fact in order {
        gathering.take(fact);
    }
    gathering.batches(&Whereabouts::of(order), clock, recipes)
}

/// Rooms as recipes want them; of several recipes in one room, the newest read last.
fn ranges(recipes: &RecipeBook) -> BTreeMap<RoomId, Ranges> {
    let stages = recipes.iter().flat_map(|recipe| recipe.stages.iter());
    let range = |range: recipe::Range<f64>| (range.least, range.most);
    stages
        .map(|stage| {
            let ranges = Ranges {
                temperature_c: range(stage.temperature_c),
                humidity_pct: range(stage.humidity_pct),
            };
            (stage.room, ranges)
        })
        .collect()
}

#[derive(Default)]
struct Gathering<'f> {
    wheels: BTreeMap<WheelId, Gathered>,
    rinds: Vec<RindFact<'f>>,
    /// The recipe and version that a batch goes by, the last that was said.
    recipes: BTreeMap<BatchId, (facts::RecipeId, u32)>,
}

impl<'f> Gathering<'f> {
    fn take(&mut self, fact: &'f Fact) {
        let at = |value: f64| At {
            days: days(fact.occurred_at),
            value,
            fact: fact.id,
        };
        let now = days(fact.occurred_at);
        match &fact.event {
            Event::VatStarted(e) => {
                self.recipes.insert(e.batch, (e.recipe, e.recipe_version));
            }
            Event::VatRecipeChanged(e) => {
                self.recipes.insert(e.batch, (e.recipe, e.recipe_version));
            }
            Event::WheelPortioned(e) => {
                let portion = (e.batch, at(f64::from(e.weight_g.get())));
                self.wheels
                    .entry(e.wheel)
                    .or_default()
                    .portion
                    .get_or_insert(portion);
            }
            Event::WheelUnhooped(e) => self.each(&e.wheels, |w| {
                w.unhooped.get_or_insert(now);
            }),
            Event::WheelPierced(e) => self.each(&e.wheels, |w| {
                w.pierced.get_or_insert(now);
            }),
            Event::WheelDispatched(e) => self.each(&e.wheels, |w| {
                w.left.get_or_insert(now);
            }),
            Event::WheelDiscarded(e) => self.each(&e.wheels, |w| {
                w.left.get_or_insert(now);
            }),
            Event::WheelReturned(e) => self.each(&e.wheels, |w| w.left = None),
            Event::WheelIroned(e) => {
                let core = at(e.blue_coverage_pct.get());
                self.each(&[e.wheel], |w| w.irons.push(core));
            }
            Event::WheelWeighed(e) => {
                let weight = at(f64::from(e.weight_g.get()));
                self.each(&[e.wheel], |w| w.weights.push(weight));
            }
            Event::RindObserved(e) => self.rinds.push(RindFact {
                at: at(e.cover_pct.get()),
                wheels: &e.wheels,
            }),
            _ => {}
        }
    }

    fn each(&mut self, wheels: &[WheelId], mut note: impl FnMut(&mut Gathered)) {
        for wheel in wheels {
            note(self.wheels.entry(*wheel).or_default());
        }
    }

    fn batches(
        self,
        whereabouts: &Whereabouts,
        clock: &DairyClock,
        recipes: &RecipeBook,
    ) -> (BTreeMap<BatchId, Batch>, Vec<BatchId>) {
        let mut batches: BTreeMap<BatchId, Batch> = BTreeMap::new();
        let mut without = Vec::new();
        let mut classes: HashMap<(BatchId, ClassKey), usize> = HashMap::new();
        for (id, gathered) in self.wheels {
            let Some((batch_id, portion)) = gathered.portion else {
                continue; // never portioned here: of no batch
            };
            let recipe = self
                .recipes
                .get(&batch_id)
                .and_then(|(recipe, version)| recipes.get(*recipe, *version));
            let Some(recipe) = recipe else {
                if without.last() != Some(&batch_id) {
                    without.push(batch_id);
                }
                continue;
            };
            let born = crate::moment::instant(portion.days);
            let batch = batches.entry(batch_id).or_insert_with(|| Batch {
                id: batch_id,
                recipe: recipe.clone(),
                made: clock.day_of(born),
                wheels: Vec::new(),
                classes: Vec::new(),
                rind: Vec::new(),
            });
            batch.made = batch.made.min(clock.day_of(born));
            let class = Class {
                path: whereabouts.path(id).clone(),
                unhooped: gathered.unhooped,
                pierced: gathered.pierced,
                left: gathered.left,
            };
            let number = *classes.entry((batch_id, class.key())).or_insert_with(|| {
                batch.classes.push(class);
                batch.classes.len() - 1
            });
            batch.wheels.push(Wheel {
                id,
                class: number,
                portion,
                irons: gathered.irons,
                weights: gathered.weights,
            });
        }
        let of: HashMap<WheelId, (BatchId, usize)> = batches
            .values()
            .flat_map(|batch| batch.wheels.iter().map(|w| (w.id, (batch.id, w.class))))
            .collect();
        for look in self.rinds {
            let mut told: Vec<BatchId> = Vec::new();
            for (batch, class) in look.wheels.iter().filter_map(|wheel| of.get(wheel)) {
                if told.contains(batch) {
                    continue; // one look at a stillage is one look at each batch on it
                }
                told.push(*batch);
                if let Some(batch) = batches.get_mut(batch) {
                    batch.rind.push(RindLook {
                        at: look.at,
                        class: *class,
                    });
                }
            }
        }
        without.sort_unstable();
        without.dedup();
        (batches, without)
    }
}

/// What makes two wheels of a batch the same to a forecast.
type ClassKey = (usize, Option<u64>, Option<u64>, Option<u64>);

impl Class {
    fn key(&self) -> ClassKey {
        // Ways that are alike are shared, so that their address tells them apart.
        let way = self.path.as_ptr() as usize;
        let bits = |days: Option<f64>| days.map(f64::to_bits);
        (
            way,
            bits(self.unhooped),
            bits(self.pierced),
            bits(self.left),
        )
    }
}
