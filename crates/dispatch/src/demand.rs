//! What is expected to be ordered, week by week: what is ordered already, and what last
//! year or the last weeks let one expect.
//!
//! The methods are simple on purpose, so that a person can check them with a pencil. Where
//! last year's weeks are known, a week is expected to be like last year's (the mean of it
//! and the weeks beside it), times how the last eight weeks compare with the same eight a
//! year before: a seasonal naive forecast with growth (Hyndman, Athanasopoulos,
//! *Forecasting: Principles and Practice*, 3rd ed. 2021, section 5.2). Else it is expected
//! to be like the mean of the last eight weeks.

use std::collections::BTreeMap;

use chrono::Datelike as _;
use facts::{MarketId, RecipeId, WheelId};
use quantity::{DairyClock, DairyDay};
use recipe::RecipeBook;
use serde::{Deserialize, Serialize};

use crate::orders::{Order, OrderBook};

/// Weeks that the level of demand is taken from.
pub const LEVEL_WEEKS: i64 = 8;

/// How far ahead demand is looked at, in weeks: what is made in twelve weeks arrives within.
pub const AHEAD_WEEKS: i64 = 30;

/// A week of the year before.
const YEAR_WEEKS: i64 = 52;

/// What a week is expected to ask for.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct WeekDemand {
    /// The Monday of the week of arrival.
    pub monday: DairyDay,
    /// The cheese.
    pub recipe: RecipeId,
    /// The market.
    pub market: MarketId,
    /// Wheels that are ordered already, standing orders included.
    pub ordered: usize,
    /// Of those, the ones that have left.
    #[serde(default)]
    pub sent: usize,
    /// Wheels that may be expected from what was ordered before.
    pub expected: usize,
}

impl WeekDemand {
    /// What is reckoned with: orders are certain, so at least they, without what has left.
    #[must_use]
    pub fn wheels(&self) -> usize {
        self.ordered.max(self.expected).saturating_sub(self.sent)
    }
}

/// Wheels by week (its Monday), cheese and market.
type Weeks = BTreeMap<(RecipeId, MarketId), BTreeMap<DairyDay, usize>>;

/// The Monday of a day's week.
#[must_use]
pub fn monday(day: DairyDay) -> DairyDay {
    day.plus(-i64::from(day.date().weekday().num_days_from_monday()))
}

/// What the coming weeks are expected to ask for, from this week on. `is_of` says what a wheel
/// that left was.
#[must_use]
pub fn demand(
    book: &OrderBook,
    recipes: &RecipeBook,
    (clock, today): (&DairyClock, DairyDay),
    is_of: impl Fn(WheelId) -> Option<RecipeId>,
) -> Vec<WeekDemand> {
    let this_week = monday(today);
    let from = this_week.plus(-7 * (YEAR_WEEKS + LEVEL_WEEKS + 1));
    let until = this_week.plus(7 * AHEAD_WEEKS - 1);
    let (mut weeks, mut sent) = (Weeks::new(), Weeks::new());
    let mut first: Option<DairyDay> = None;
    for order in book.orders().filter(|order| order.cancelled.is_none()) {
        for arrive_on in order.arrivals(from.date(), until.date()) {
            let week = monday(DairyDay::starting(arrive_on));
            first = Some(first.map_or(week, |first| first.min(week)));
            for (recipe, wheels) in wheels_of(&order, recipes) {
                let of = weeks.entry((recipe, order.market)).or_default();
                *of.entry(week).or_default() += wheels;
            }
            if week < this_week {
                continue;
            }
            for (wheel, _) in order.sent_for(arrive_on, clock) {
                if let Some(recipe) = is_of(wheel) {
                    let of = sent.entry((recipe, order.market)).or_default();
                    *of.entry(week).or_default() += 1;
                }
            }
        }
    }
    let first = first.unwrap_or(this_week);
    let mut demand = Vec::new();
    for ((recipe, market), wheels) in weeks {
        for n in 0..AHEAD_WEEKS {
            let monday = this_week.plus(7 * n);
            demand.push(WeekDemand {
                monday,
                recipe,
                market,
                ordered: wheels.get(&monday).copied().unwrap_or(0),
                sent: (sent.get(&(recipe, market)))
                    .and_then(|weeks| weeks.get(&monday))
                    .copied()
                    .unwrap_or(0),
                expected: expected(&wheels, first, this_week, monday).round() as usize,
            });
        }
    }
    demand.sort_by_key(|week| (week.monday, week.recipe, week.market));
    demand
}

/// What a week may be expected to ask for, wheels. `first`: the first week of which orders
/// are known at all.
fn expected(
    wheels: &BTreeMap<DairyDay, usize>,
    first: DairyDay,
    this_week: DairyDay,
    monday: DairyDay,
) -> f64 {
    let mean = |from: DairyDay, weeks: i64| {
        let sum: usize = (0..weeks)
            .filter_map(|n| wheels.get(&from.plus(7 * n)))
            .sum();
        sum as f64 / weeks as f64
    };
    let known = this_week.days_since(first) / 7;
    let weeks = known.min(LEVEL_WEEKS);
    if weeks == 0 {
        return 0.0;
    }
    let level_from = this_week.plus(-7 * weeks);
    let level = mean(level_from, weeks);
    let year = -7 * YEAR_WEEKS;
    if known <= YEAR_WEEKS + LEVEL_WEEKS {
        return level;
    }
    let then = mean(level_from.plus(year), weeks);
    if then <= 0.0 {
        return level;
    }
    mean(monday.plus(year - 7), 3) * level / then
}

/// Wheels that an order asks for each time; kilograms by what a finished wheel weighs.
pub(crate) fn wheels_of<'o>(
    order: &'o Order,
    recipes: &'o RecipeBook,
) -> impl Iterator<Item = (RecipeId, usize)> + 'o {
    order.lines.iter().map(|line| {
        let wheels = match line.weight_g {
            Some(grams) if line.wheels == 0 => {
                let each = recipes.newest(line.recipe).map_or(1, |recipe| {
                    let finish = recipe.finish.map(|finish| finish.weight_g);
                    finish.unwrap_or(recipe.portion.weight_g).get()
                });
                (f64::from(grams.get()) / f64::from(each.max(1))).round() as usize
            }
            _ => usize::try_from(line.wheels).unwrap_or(usize::MAX),
        };
        (line.recipe, wheels)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> DairyDay {
        DairyDay::starting(text.parse().unwrap())
    }

    #[test]
    fn without_a_year_behind_it_a_week_is_like_the_last_eight() {
        let this = day("2026-03-02");
        let weeks: BTreeMap<_, _> = (1..=20).map(|n| (this.plus(-7 * n), 30)).collect();
        let first = this.plus(-7 * 20);
        assert_eq!(expected(&weeks, first, this, this.plus(35)), 30.0);
        // Of four known weeks, the four.
        let first = this.plus(-7 * 4);
        let few: BTreeMap<_, _> = [(1, 8), (2, 12), (3, 10), (4, 10)]
            .map(|(n, wheels)| (this.plus(-7 * n), wheels))
            .into();
        assert_eq!(expected(&few, first, this, this), 10.0);
        assert_eq!(expected(&few, this, this, this), 0.0);
    }

    /// By hand: 20 a week in the same eight weeks a year ago and 30 now is growth of 1.5; the
    /// week ahead and its neighbours were 40, 60 and 50 a year ago, 50 on average: 75.
    #[test]
    fn with_a_year_behind_it_a_week_is_like_last_years_with_growth() {
        let this = day("2026-03-02");
        let mut weeks: BTreeMap<_, _> = (1..=8).map(|n| (this.plus(-7 * n), 30)).collect();
        weeks.extend((1..=8).map(|n| (this.plus(-7 * (52 + n)), 20)));
        let ahead = this.plus(7 * 10);
        for (n, wheels) in [(-1, 40), (0, 60), (1, 50)] {
            weeks.insert(ahead.plus(7 * (n - 52)), wheels);
        }
        let first = this.plus(-7 * 70);
        assert_eq!(expected(&weeks, first, this, ahead), 75.0);
    }

    #[test]
    fn a_week_begins_on_monday() {
        assert_eq!(monday(day("2026-03-08")), day("2026-03-02"));
        assert_eq!(monday(day("2026-03-02")), day("2026-03-02"));
    }
}
