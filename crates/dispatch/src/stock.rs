//! Wheels that may be promised, and those that may not and why.

use std::collections::BTreeMap;
use std::sync::Arc;

use facts::{BatchId, Carrier, Grade, HoldId, OrderId, PositionId, RecipeId, RoomId, WheelId};
use quantity::{DairyDay, Grams};
use recipe::Recipe;
use ripening::{Floor, answer};
use serde::{Deserialize, Serialize};

use crate::readiness::{Forecast, Readiness};

/// One wheel, as dispatch looks at it.
#[derive(Debug, Clone, PartialEq)]
pub struct Cheese {
    /// The wheel.
    pub wheel: WheelId,
    /// Its batch.
    pub batch: BatchId,
    /// The recipe it ripens by.
    pub recipe: Arc<Recipe>,
    /// Its make day.
    pub made: DairyDay,
    /// Its grade, once it has one that counts.
    pub grade: Option<Grade>,
    /// What it weighs, as last weighed or as its recipe expects.
    pub weight_g: u32,
    /// Where it stands.
    pub place: Place,
    /// What keeps it from being promised.
    pub kept: Option<Kept>,
    /// A hold that its recipe puts on every wheel and that no person has released yet:
    /// it may be promised, but not leave.
    pub awaits: Option<HoldId>,
    /// The order it is reserved for.
    pub reserved: Option<OrderId>,
}

/// Where a wheel stands.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Place {
    /// The room.
    pub room: Option<RoomId>,
    /// The position in the room.
    pub position: Option<PositionId>,
    /// What it stands on.
    pub carrier: Option<Carrier>,
}

/// What keeps a wheel from being promised.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Kept {
    /// Under a hold.
    Held(HoldId),
    /// Under a hold of which nobody has said yet which wheels it keeps.
    HeldUntraced(HoldId),
    /// Pierced with needles that nobody had counted that day.
    NeedlesUncounted,
    /// It came back, and nobody has graded it since.
    CameBack,
    /// Graded as not for sale.
    Rejected,
}

impl Kept {
    /// In words.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Self::Held(hold) => format!("under hold {hold}"),
            Self::HeldUntraced(hold) => format!("under hold {}", holds::untraced_words(hold)),
            Self::NeedlesUncounted => "waiting to be looked through for metal".to_owned(),
            Self::CameBack => "back from a customer and not graded since".to_owned(),
            Self::Rejected => "graded as not for sale".to_owned(),
        }
    }
}

/// Where wheels of a lot come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Source {
    /// A batch on the floor.
    Batch(BatchId),
    /// A vat that is planned for a day.
    Planned(DairyDay),
}

impl std::fmt::Display for Source {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Batch(batch) => write!(f, "batch {batch}"),
            Self::Planned(day) => write!(f, "the vat planned for {day}"),
        }
    }
}

/// What makes wheels interchangeable: any one of a lot serves as well as any other.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct LotKey {
    /// Their recipe.
    pub recipe: RecipeId,
    /// Their batch.
    pub source: Source,
    /// Their grade, found or expected.
    pub grade: Grade,
    /// Whether that grade was found.
    pub graded: bool,
    /// Their weight class: how many of the limits that orders set they reach.
    pub class: u16,
    /// Whether they still wait for a release that every wheel of the recipe waits for.
    pub awaits: Option<HoldId>,
    /// The order they are reserved for.
    pub reserved: Option<OrderId>,
}

/// Interchangeable wheels.
#[derive(Debug, Clone, PartialEq)]
pub struct Lot {
    /// What they have in common.
    pub key: LotKey,
    /// Their recipe.
    pub recipe: Arc<Recipe>,
    /// Their make day.
    pub made: DairyDay,
    /// How many.
    pub count: usize,
    /// What one weighs on average, g.
    pub mean_g: u32,
    /// The lightest and the heaviest, g.
    pub weighs_g: (u32, u32),
    /// By when they are ready.
    pub readiness: Arc<Readiness>,
    /// The wheels, as places in the list they were grouped from, in walking order. Empty
    /// where nobody can say which: not graded yet, or not made.
    pub wheels: Vec<u32>,
}

/// Everything there is to promise from.
#[derive(Debug, Clone, Default)]
pub struct Stock {
    /// Lots, by key.
    pub lots: Vec<Lot>,
    /// Wheels that may not be promised, by recipe, source, grade and reason.
    pub kept: BTreeMap<(RecipeId, BatchId, Option<Grade>, Kept), usize>,
}

/// A vat that is planned, and what it is expected to give.
#[derive(Debug, Clone)]
pub struct PlannedVat {
    /// Its make day.
    pub day: DairyDay,
    /// Its recipe.
    pub recipe: Arc<Recipe>,
    /// How many wheels.
    pub wheels: usize,
}

/// How often each grade was given, by recipe.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct GradeCounts(BTreeMap<RecipeId, BTreeMap<Grade, usize>>);

impl GradeCounts {
    /// Notes grades that were given.
    pub fn note(&mut self, recipe: RecipeId, grade: Grade, wheels: usize) {
        *self.0.entry(recipe).or_default().entry(grade).or_default() += wheels;
    }

    /// Every wheel of a floor that was graded lately: within as many days as wheels that have
    /// left are kept at hand.
    #[must_use]
    pub fn of_floor(floor: &Floor) -> Self {
        let mut counts = Self::default();
        let clock = &floor.practice().clock;
        let days = floor.practice().closed_after_days;
        let first = clock.day_of(floor.now()).plus(1 - days);
        for (id, wheel) in floor.wheels() {
            let grade = wheel.state().grade;
            let lately = grade.filter(|grade| clock.day_of(grade.moment.at) >= first);
            if let (Some(grade), Some(case)) = (lately, floor.case(*id)) {
                counts.note(case.recipe.id, grade.value, 1);
            }
        }
        counts
    }

    /// How many of so many wheels may be expected in each grade: by the shares so far,
    /// largest remainders first. Until one wheel of the recipe was graded, all in A.
    #[must_use]
    pub fn expected(&self, recipe: RecipeId, wheels: usize) -> Vec<(Grade, usize)> {
        let counts = self.0.get(&recipe);
        let all: usize = counts.map_or(0, |counts| counts.values().sum());
        let Some(counts) = counts.filter(|_| all > 0) else {
            return vec![(Grade::A, wheels)];
        };
        let mut shares: Vec<(Grade, usize, usize)> = counts
            .iter()
            .map(|(grade, seen)| (*grade, wheels * seen / all, wheels * seen % all))
            .collect();
        let given: usize = shares.iter().map(|(_, whole, _)| whole).sum();
        shares.sort_by_key(|(grade, _, rest)| (std::cmp::Reverse(*rest), *grade));
        for (_, whole, _) in shares.iter_mut().take(wheels - given) {
            *whole += 1;
        }
        shares.sort_by_key(|(grade, ..)| *grade);
        shares
            .into_iter()
            .map(|(grade, whole, _)| (grade, whole))
            .collect()
    }
}

/// Every wheel that stands on a floor, in walking order. `walk` lists the rooms.
#[must_use]
pub fn of_floor(floor: &Floor, walk: &[RoomId]) -> Vec<Cheese> {
    let today = floor.practice().clock.day_of(floor.now());
    let wheels = floor.wheels().map(|(id, _)| *id);
    let mut cheeses: Vec<Cheese> = wheels.filter_map(|id| of_wheel(floor, id, today)).collect();
    in_walking_order(&mut cheeses, walk);
    cheeses
}

/// One wheel; `None` when it does not stand on the floor.
#[must_use]
pub fn of_wheel(floor: &Floor, id: WheelId, today: DairyDay) -> Option<Cheese> {
    let state = floor.wheel(id)?.state();
    if !state.on_floor() {
        return None;
    }
    let case = floor.case(id)?;
    let recipe = floor.recipe_of(state.batch?)?.clone();
    let age = today.days_since(case.made);
    let came_back = state
        .returned
        .filter(|back| state.grade.is_none_or(|g| g.moment < *back));
    let held = floor.held(id);
    let routine = held.iter().find(|held| held.is_routine());
    let special = |untraced| {
        let mut held = held.iter().filter(|held| !held.is_routine());
        held.find(|held| held.untraced == untraced)
    };
    let kept = if let Some(held) = special(false) {
        Some(Kept::Held(held.hold))
    } else if let Some(held) = special(true) {
        Some(Kept::HeldUntraced(held.hold))
    } else if case.uncounted.is_some() {
        Some(Kept::NeedlesUncounted)
    } else if came_back.is_some() {
        Some(Kept::CameBack)
    } else if state
        .grade
        .is_some_and(|grade| grade.value == Grade::Reject)
    {
        Some(Kept::Rejected)
    } else {
        None
    };
    Some(Cheese {
        wheel: id,
        batch: state.batch?,
        made: case.made,
        grade: state
            .grade
            .filter(|_| came_back.is_none())
            .map(|grade| grade.value),
        weight_g: weight_now(&recipe, state.portion, state.weight.map(|w| w.value), age),
        place: Place {
            room: state.room.map(|room| room.value),
            position: state.position,
            carrier: answer::carrier(state),
        },
        kept,
        awaits: routine.map(|held| held.hold),
        reserved: state.allocated,
        recipe,
    })
}

/// A wheel that was only weighed as curd is taken to weigh what its recipe expects by now.
fn weight_now(recipe: &Recipe, portion: Option<Grams>, last: Option<Grams>, age: i64) -> u32 {
    match (portion, last) {
        (Some(portion), Some(last)) if portion == last => recipe
            .expected_weight_g(portion, age)
            .map_or(portion.get(), |grams| grams.round().clamp(0.0, 2e6) as u32),
        (_, Some(last)) => last.get(),
        (portion, None) => portion.map_or(0, Grams::get),
    }
}

/// Puts wheels in the order in which someone walks past them.
pub fn in_walking_order(cheeses: &mut [Cheese], walk: &[RoomId]) {
    let turn = |room: Option<RoomId>| {
        let place = room.and_then(|room| walk.iter().position(|id| *id == room));
        place.unwrap_or(walk.len())
    };
    cheeses.sort_by(|a, b| {
        let key = |c: &Cheese| (turn(c.place.room), c.place, c.wheel);
        key(a).cmp(&key(b))
    });
}

impl Stock {
    /// Groups wheels into lots. `limits_g` are the weights that orders set as limits,
    /// by recipe: wheels on the same side of all of them are of one class.
    #[must_use]
    pub fn group(
        cheeses: &[Cheese],
        limits_g: &BTreeMap<RecipeId, Vec<u32>>,
        readiness: impl Fn(&Cheese) -> Readiness,
        grades: &GradeCounts,
    ) -> Self {
        let mut stock = Self::default();
        let mut lots: BTreeMap<LotKey, Lot> = BTreeMap::new();
        let mut batches: BTreeMap<BatchId, Arc<Readiness>> = BTreeMap::new();
        // Wheels of a batch without a grade yet, by what else tells them apart.
        let mut ungraded: BTreeMap<LotKey, Vec<u32>> = BTreeMap::new();
        for (place, cheese) in (0..).zip(cheeses) {
            if let Some(kept) = cheese.kept {
                let key = (cheese.recipe.id, cheese.batch, cheese.grade, kept);
                *stock.kept.entry(key).or_default() += 1;
                continue;
            }
            let limits = limits_g
                .get(&cheese.recipe.id)
                .map_or(&[][..], Vec::as_slice);
            let key = LotKey {
                recipe: cheese.recipe.id,
                source: Source::Batch(cheese.batch),
                grade: cheese.grade.unwrap_or(Grade::A),
                graded: cheese.grade.is_some(),
                class: class_of(limits, cheese.weight_g),
                awaits: cheese.awaits,
                reserved: cheese.reserved,
            };
            if cheese.grade.is_none() {
                ungraded.entry(key).or_default().push(place);
                continue;
            }
            let lot = lots.entry(key).or_insert_with(|| Lot {
                key,
                recipe: cheese.recipe.clone(),
                made: cheese.made,
                count: 0,
                mean_g: 0,
                weighs_g: (u32::MAX, 0),
                readiness: Arc::new(Readiness::now()),
                wheels: Vec::new(),
            });
            lot.wheels.push(place);
        }
        let at = |place: &u32| &cheeses[*place as usize];
        for lot in lots.values_mut() {
            lot.weigh(lot.wheels.clone().iter().map(|place| at(place).weight_g));
        }
        for (key, wheels) in ungraded {
            let Some(first) = wheels.first().map(at) else {
                continue;
            };
            let readiness = batches
                .entry(first.batch)
                .or_insert_with(|| Arc::new(readiness(first)))
                .clone();
            for (grade, count) in grades.expected(key.recipe, wheels.len()) {
                if count == 0 || grade == Grade::Reject {
                    continue;
                }
                let key = LotKey { grade, ..key };
                let mut lot = Lot {
                    key,
                    recipe: first.recipe.clone(),
                    made: first.made,
                    count: 0,
                    mean_g: 0,
                    weighs_g: (u32::MAX, 0),
                    readiness: readiness.clone(),
                    wheels: Vec::new(),
                };
                lot.weigh(wheels.iter().map(|place| at(place).weight_g));
                lot.count = count;
                lots.insert(key, lot);
            }
        }
        stock.lots = lots.into_values().collect();
        stock
    }

    /// Adds what planned vats are expected to give.
    #[must_use]
    pub fn with_planned(
        mut self,
        vats: &[PlannedVat],
        limits_g: &BTreeMap<RecipeId, Vec<u32>>,
        today: DairyDay,
        grades: &GradeCounts,
    ) -> Self {
        for vat in vats.iter().filter(|vat| vat.day >= today) {
            let recipe = &vat.recipe;
            let finished = recipe
                .finish
                .map_or(recipe.portion.weight_g, |finish| finish.weight_g)
                .get();
            let limits = limits_g.get(&recipe.id).map_or(&[][..], Vec::as_slice);
            let readiness = Arc::new(Readiness::by_calendar(recipe, vat.day, None, today));
            for (grade, count) in grades.expected(recipe.id, vat.wheels) {
                if count == 0 || grade == Grade::Reject {
                    continue;
                }
                let key = LotKey {
                    recipe: recipe.id,
                    source: Source::Planned(vat.day),
                    grade,
                    graded: false,
                    class: class_of(limits, finished),
                    awaits: None,
                    reserved: None,
                };
                if let Some(lot) = self.lots.iter_mut().find(|lot| lot.key == key) {
                    lot.count += count;
                } else {
                    self.lots.push(Lot {
                        key,
                        recipe: recipe.clone(),
                        made: vat.day,
                        count,
                        mean_g: finished,
                        weighs_g: (finished, finished),
                        readiness: readiness.clone(),
                        wheels: Vec::new(),
                    });
                }
            }
        }
        self.lots.sort_by_key(|lot| lot.key);
        self
    }
}

impl Lot {
    fn weigh(&mut self, weights: impl Iterator<Item = u32>) {
        let (mut sum, mut count) = (0_u64, 0_usize);
        for grams in weights {
            sum += u64::from(grams);
            count += 1;
            self.weighs_g = (self.weighs_g.0.min(grams), self.weighs_g.1.max(grams));
        }
        self.count = count;
        let mean = sum / u64::try_from(count.max(1)).unwrap_or(1);
        self.mean_g = u32::try_from(mean).unwrap_or(u32::MAX);
    }
}

fn class_of(limits: &[u32], grams: u32) -> u16 {
    u16::try_from(limits.partition_point(|limit| *limit <= grams)).unwrap_or(u16::MAX)
}

/// Readiness by a forecast, else by the recipe's calendar on a floor.
pub fn readiness_on<'a>(
    floor: &'a Floor,
    forecast: &'a dyn Forecast,
) -> impl Fn(&Cheese) -> Readiness + 'a {
    move |cheese| {
        let forecast = forecast.readiness(cheese.batch);
        forecast.unwrap_or_else(|| {
            Readiness::of_floor(floor, cheese.batch, cheese.made, &cheese.recipe)
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn expected_grades_add_up_and_follow_the_shares() {
        let recipe = "blue".parse().unwrap();
        let mut counts = GradeCounts::default();
        assert_eq!(counts.expected(recipe, 7), [(Grade::A, 7)]);
        counts.note(recipe, Grade::A, 70);
        counts.note(recipe, Grade::B, 25);
        counts.note(recipe, Grade::Reject, 5);
        let expected = counts.expected(recipe, 60);
        assert_eq!(
            expected,
            [(Grade::A, 42), (Grade::B, 15), (Grade::Reject, 3)]
        );
        let expected = counts.expected(recipe, 1);
        assert_eq!(expected, [(Grade::A, 1), (Grade::B, 0), (Grade::Reject, 0)]);
    }

    #[test]
    fn a_weight_on_a_limit_is_above_it() {
        assert_eq!(class_of(&[3_000, 4_001], 2_999), 0);
        assert_eq!(class_of(&[3_000, 4_001], 3_000), 1);
        assert_eq!(class_of(&[3_000, 4_001], 4_001), 2);
    }
}
