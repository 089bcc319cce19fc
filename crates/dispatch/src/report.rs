//! How it went: how old wheels were on arrival against what was right, how much of what was
//! ordered came, what is left over, and how much of what went wrong was the forecast's error.

use std::collections::{BTreeMap, BTreeSet};

use facts::{BatchId, CustomerId, Event, ExpectedOn, Fact, MarketId, WheelId};
use quantity::DairyDay;
use recipe::Recipe;
use ripening::{Floor, Guard, Moment, Target, Voids};
use serde::{Deserialize, Serialize};

use crate::customers::Customers;
use crate::demand::wheels_of;
use crate::office::Office;
use crate::orders::Order;
use crate::wanted::{Window, window};

/// Wheels are promised about so many days before they leave: the forecast of that day is
/// what is held against what came.
pub const PROMISED_AHEAD_DAYS: i64 = 21;

/// Every forecast of readiness that was told, folded.
#[derive(Debug, Clone, Default)]
pub struct Forecasts(BTreeMap<BatchId, BTreeMap<Moment, ExpectedOn>>);

impl Forecasts {
    /// Folds one fact; what is no forecast is passed over.
    pub fn apply(&mut self, fact: &Fact) {
        if let Event::ForecastTold(told) = &fact.event {
            let of_batch = self.0.entry(told.batch).or_default();
            of_batch.insert(Moment::of(fact), told.ready);
        }
    }

    /// What was expected of a batch on a dairy day.
    fn on(&self, batch: BatchId, day: DairyDay, floor: &Floor) -> Option<ExpectedOn> {
        let (clock, voids): (_, &Voids) = (&floor.practice().clock, floor.voids());
        let told = self.0.get(&batch)?.iter().rev();
        let mut told = told
            .filter(|(moment, _)| !voids.takes_back(Target::kept(moment.fact, Guard::Correction)));
        told.find(|(moment, _)| clock.day_of(moment.at) <= day)
            .map(|(_, ready)| *ready)
    }
}

/// How it went in a stretch of days.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Report {
    /// The first day of arrival that counts.
    pub from: DairyDay,
    /// The last.
    pub until: DairyDay,
    /// By market.
    pub markets: Vec<MarketReport>,
    /// What nobody was given in time.
    pub left: Leftovers,
    /// What went wrong, and why.
    pub misses: Misses,
}

/// How it went in one market.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MarketReport {
    /// The market.
    pub market: MarketId,
    /// Wheels ordered for arrivals in these days.
    pub ordered: usize,
    /// Wheels that left for them.
    pub sent: usize,
    /// Wheels that arrived by the day that was asked for, as far as their arrival was told.
    pub in_time: usize,
    /// Wheels that arrived, each with an age.
    pub arrived: usize,
    /// Of them, within their best weeks.
    pub in_window: usize,
    /// Younger than that.
    pub too_young: usize,
    /// Older.
    pub too_old: usize,
    /// Wheels that the customer refused.
    pub refused: usize,
    /// Ages on arrival, dairy days: one in ten younger, the middle one, one in ten older.
    pub ages_days: Option<(i64, i64, i64)>,
}

/// What nobody was given in time.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Leftovers {
    /// Wheels on the floor that no market takes in its best weeks any more.
    pub past_best: usize,
    /// What they weigh, g.
    pub past_best_g: u64,
    /// Wheels thrown away in these days.
    pub discarded: usize,
    /// What they weighed, g.
    pub discarded_g: u64,
}

/// What went wrong, in wheels, and why.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Misses {
    /// Arrived outside their best weeks.
    pub outside: usize,
    /// Of them, because the road took longer than it most likely does.
    pub outside_by_road: usize,
    /// Of them, because they were ready later than had been forecast three weeks before.
    pub outside_by_forecast: usize,
    /// Ordered, and not sent by the day of arrival.
    pub short: usize,
    /// Of them, as many as should have been ready by the forecast and were not.
    pub short_by_forecast: usize,
}

impl MarketReport {
    /// The share of what was ordered that left in time to count, 0 to 1.
    #[must_use]
    pub fn fill(&self) -> Option<f64> {
        share(self.sent.min(self.ordered), self.ordered)
    }

    /// The share of what arrived that was in its best weeks, 0 to 1.
    #[must_use]
    pub fn in_window_share(&self) -> Option<f64> {
        share(self.in_window, self.arrived)
    }
}

impl Misses {
    /// The share of all misses that the forecast's error explains, 0 to 1.
    #[must_use]
    pub fn forecast_share(&self) -> Option<f64> {
        share(
            self.outside_by_forecast + self.short_by_forecast,
            self.outside + self.short,
        )
    }
}

fn share(part: usize, all: usize) -> Option<f64> {
    (all > 0).then(|| part as f64 / all as f64)
}

/// One wheel's way to a customer.
struct Journey {
    batch: BatchId,
    left: DairyDay,
    arrived: DairyDay,
    age_days: i64,
    window: Window,
}

/// Looks back on arrivals from one day to another, both included.
#[must_use]
pub fn report(office: &Office, forecasts: &Forecasts, from: DairyDay, until: DairyDay) -> Report {
    let mut markets: BTreeMap<MarketId, (MarketReport, Vec<i64>)> = BTreeMap::new();
    let mut misses = Misses::default();
    let mut spent: BTreeSet<WheelId> = BTreeSet::new();
    let today = office.now().today;
    let look = Look {
        forecasts,
        customers: office.customers(),
        floor: office.floor(),
    };
    let orders = office.book().orders();
    for order in orders.filter(|order| order.cancelled.is_none()) {
        for arrive_on in order.arrivals(from.date(), until.date()) {
            let arrive_on = DairyDay::starting(arrive_on);
            let (market, ages) = markets
                .entry(order.market)
                .or_insert_with(|| (MarketReport::new(order.market), Vec::new()));
            let sent: Vec<(WheelId, DairyDay)> = look.sent_for(&order, arrive_on);
            let ordered = look.ordered(&order);
            market.ordered += ordered;
            market.sent += sent.len();
            for (wheel, left) in &sent {
                market.refused += usize::from(order.refused.contains_key(wheel));
                let Some(journey) = look.journey(&order, *wheel, *left) else {
                    continue;
                };
                market.arrived += 1;
                market.in_time += usize::from(journey.arrived <= arrive_on);
                ages.push(journey.age_days);
                if journey.window.holds(journey.age_days) {
                    market.in_window += 1;
                    continue;
                }
                let young = journey.age_days < journey.window.least;
                *(if young {
                    &mut market.too_young
                } else {
                    &mut market.too_old
                }) += 1;
                misses.outside += 1;
                match look.why_outside(&order, &journey) {
                    Some(Cause::Road) => misses.outside_by_road += 1,
                    Some(Cause::Forecast) => misses.outside_by_forecast += 1,
                    None => {}
                }
            }
            if arrive_on < today && sent.len() < ordered {
                let short = ordered - sent.len();
                misses.short += short;
                let late = look.forecast_ready_but_late(&order, arrive_on, &spent);
                let late: Vec<WheelId> = late.into_iter().take(short).collect();
                misses.short_by_forecast += late.len();
                spent.extend(late);
            }
        }
    }
    let markets = markets.into_values().map(|(mut market, mut ages)| {
        ages.sort_unstable();
        // The nearest rank.
        let at = |tenths: usize| {
            let rank = (ages.len() * tenths).div_ceil(10).max(1) - 1;
            ages.get(rank).copied()
        };
        market.ages_days = at(1).zip(at(5)).zip(at(9)).map(|((a, b), c)| (a, b, c));
        market
    });
    Report {
        from,
        until,
        markets: markets.collect(),
        left: left_over(office.floor(), today, from, until),
        misses,
    }
}

impl MarketReport {
    const fn new(market: MarketId) -> Self {
        Self {
            market,
            ordered: 0,
            sent: 0,
            in_time: 0,
            arrived: 0,
            in_window: 0,
            too_young: 0,
            too_old: 0,
            refused: 0,
            ages_days: None,
        }
    }
}

enum Cause {
    Road,
    Forecast,
}

struct Look<'o> {
    forecasts: &'o Forecasts,
    customers: &'o Customers,
    floor: &'o Floor,
}

impl Look<'_> {
    fn day_of(&self, moment: Moment) -> DairyDay {
        self.floor.practice().clock.day_of(moment.at)
    }

    /// What left for an arrival, with the day it left on.
    fn sent_for(&self, order: &Order, arrive_on: DairyDay) -> Vec<(WheelId, DairyDay)> {
        let clock = &self.floor.practice().clock;
        order.sent_for(arrive_on.date(), clock).collect()
    }

    /// How many wheels an order asks for each time.
    fn ordered(&self, order: &Order) -> usize {
        let recipes = &self.floor.practice().recipes;
        wheels_of(order, recipes).map(|(_, wheels)| wheels).sum()
    }

    fn recipe(&self, wheel: WheelId) -> Option<(BatchId, &Recipe)> {
        let batch = self.floor.wheel(wheel)?.state().batch?;
        Some((batch, self.floor.recipe_of(batch)?))
    }

    fn journey(&self, order: &Order, wheel: WheelId, left: DairyDay) -> Option<Journey> {
        let arrived = self.day_of(*order.arrived.get(&wheel)?);
        let (batch, recipe) = self.recipe(wheel)?;
        let made = self.floor.case(wheel)?.made;
        let line = order.lines.iter().find(|line| line.recipe == recipe.id)?;
        Some(Journey {
            batch,
            left,
            arrived,
            age_days: arrived.days_since(made),
            window: window(line, order.market, recipe, self.customers),
        })
    }

    fn why_outside(&self, order: &Order, journey: &Journey) -> Option<Cause> {
        let customer = CustomerId::new(&order.customer).ok()?;
        let customer = self.customers.customers.get(&customer)?;
        let lane = self.customers.lanes_of(customer).next()?;
        let likely = lane.arrivals(journey.left).likely()?;
        let longer = journey.arrived.days_since(likely).max(0);
        if journey.window.holds(journey.age_days - longer) {
            return Some(Cause::Road);
        }
        let ready = self.ready_on(journey.batch)?;
        let told = self.told_ahead_of(journey.left, journey.batch)?;
        let later = ready.days_since(told).max(0);
        journey
            .window
            .holds(journey.age_days - later)
            .then_some(Cause::Forecast)
    }

    fn ready_on(&self, batch: BatchId) -> Option<DairyDay> {
        let ready = self.floor.batch(batch)?.progress.ready?;
        Some(self.day_of(ready))
    }

    /// The day on which a batch was expected to be ready, when it was promised.
    fn told_ahead_of(&self, leaves: DairyDay, batch: BatchId) -> Option<DairyDay> {
        let promised = leaves.plus(-PROMISED_AHEAD_DAYS);
        let told = self.forecasts.on(batch, promised, self.floor)?;
        Some(DairyDay::starting(told.day))
    }

    /// Wheels that by the forecast should have been ready for an arrival, and were not.
    fn forecast_ready_but_late(
        &self,
        order: &Order,
        arrive_on: DairyDay,
        spent: &BTreeSet<WheelId>,
    ) -> Vec<WheelId> {
        let customer = CustomerId::new(&order.customer).ok();
        let customer = customer.and_then(|id| self.customers.customers.get(&id));
        let lane = customer.and_then(|customer| self.customers.lanes_of(customer).next());
        // The last day on which it could leave and most likely be there.
        let leaves = (0..=PROMISED_AHEAD_DAYS)
            .map(|days| arrive_on.plus(-days))
            .find(|day| {
                lane.is_none_or(|lane| {
                    let likely = lane.arrivals(*day).likely();
                    lane.leaves_on(*day) && likely.is_some_and(|there| there <= arrive_on)
                })
            })
            .unwrap_or(arrive_on);
        let mut late = Vec::new();
        for (id, batch) in self.floor.batches() {
            let expected = self.told_ahead_of(leaves, *id);
            let expected = expected.is_some_and(|day| day <= leaves);
            let was = self.ready_on(*id).is_some_and(|day| day <= leaves);
            if !expected || was {
                continue;
            }
            for wheel in &batch.wheels {
                let fits = self.recipe(*wheel).is_some_and(|(_, recipe)| {
                    order.lines.iter().any(|line| line.recipe == recipe.id)
                });
                if fits && !spent.contains(wheel) {
                    late.push(*wheel);
                }
            }
        }
        late
    }
}

fn left_over(floor: &Floor, today: DairyDay, from: DairyDay, until: DairyDay) -> Leftovers {
    let clock = &floor.practice().clock;
    let mut left = Leftovers::default();
    for (id, wheel) in floor.wheels() {
        let state = wheel.state();
        let grams = state
            .weight
            .map_or(0, |weight| u64::from(weight.value.get()));
        if let Some(discarded) = state.discarded {
            if (from..=until).contains(&clock.day_of(discarded.at)) {
                left.discarded += 1;
                left.discarded_g += grams;
            }
            continue;
        }
        let Some(case) = floor.case(*id).filter(|_| state.on_floor()) else {
            continue;
        };
        let ages = match state.grade {
            Some(grade) => case.recipe.dispatch_ages_for(grade.value),
            None => Some(case.recipe.dispatch_ages()),
        };
        let last = ages.map(|ages| case.made.plus(ages.most));
        if last.is_some_and(|last| last < today) {
            left.past_best += 1;
            left.past_best_g += grams;
        }
    }
    left
}
