//! What is still wanted: every open line of every order, for each day it must arrive, with
//! the ways it can go.

use std::collections::BTreeMap;

use chrono::{NaiveDate, NaiveTime};
use facts::{
    CustomerId, Grade, LaneId, MarketId, Mixing, OrderId, OrderLine, Promised, RecipeId,
    WeightRange, WheelId,
};
use names::UnknownName;
use quantity::{DairyClock, DairyDay};
use recipe::{Recipe, RecipeBook};
use serde::{Deserialize, Serialize};

use crate::customers::{Arrivals, Customer, Customers, Lane};
use crate::known::recipe_named;
use crate::orders::{Order, OrderBook};

/// Days after which an arrival that never left is no longer open, but missed.
pub const OPEN_DAYS: i64 = 14;

/// How long before its arrival a shipment may leave.
const EARLIEST_DAYS: i64 = 60;

/// How many later days of leaving are looked at when wheels are not ready for the first.
const LATER: usize = 4;

/// How far from the weight that was ordered a line's wheels may end up, as a share. Whole
/// wheels cannot be nearer; common practice, no source.
pub const WEIGHT_TOLERANCE: f64 = 0.05;

/// The moment that is looked from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Now {
    /// The dairy day.
    pub today: DairyDay,
    /// Local time.
    pub time: NaiveTime,
}

/// One line of an order on one of its arrivals.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
pub struct LineKey {
    /// The day it must arrive on.
    pub arrive_on: DairyDay,
    /// The order.
    pub order: OrderId,
    /// The line of the order, from 1.
    pub line: u16,
}

impl std::fmt::Display for LineKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(
            f,
            "order {} line {} for {}",
            self.order, self.line, self.arrive_on
        )
    }
}

/// How much is wanted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Amount {
    /// So many wheels.
    Wheels(usize),
    /// So many grams, as near as whole wheels come.
    Grams(u32),
}

/// One way in which something can leave and arrive.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Shipment {
    /// The lane.
    pub lane: LaneId,
    /// The day it leaves.
    pub leave_on: DairyDay,
    /// When it may arrive.
    pub arrivals: Arrivals,
    /// How likely it arrives by the day that was asked for.
    pub on_time: f64,
}

impl Shipment {
    /// The same journey so many days later, by which it no longer matters when it should
    /// have arrived.
    #[must_use]
    pub(crate) fn later(&self, days: i64) -> Self {
        Self {
            lane: self.lane,
            leave_on: self.leave_on.plus(days),
            arrivals: self.arrivals.later(days),
            on_time: 1.0,
        }
    }
}

/// Ages on arrival that are right for a line, in whole dairy days.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub struct Window {
    /// At least this.
    pub least: i64,
    /// At most this.
    pub most: i64,
    /// Whether the order itself asks for it: then a wheel outside it breaks the promise.
    pub asked: bool,
    /// The age below which the law forbids the sale, if any.
    pub legal_least: Option<i64>,
}

impl Window {
    /// Whether an age is right.
    #[must_use]
    pub const fn holds(&self, age: i64) -> bool {
        self.least <= age && age <= self.most
    }
}

/// What a customer was told of a line.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// What was promised.
    pub promised: Promised,
    /// How it goes; `None` when it should have left already, or by a lane that the
    /// customers file no longer has: then it goes like the rest of the line.
    pub way: Option<Shipment>,
}

/// A line that is still open.
#[derive(Debug, Clone, PartialEq)]
pub struct Wanted {
    /// Which.
    pub key: LineKey,
    /// Who ordered.
    pub customer: CustomerId,
    /// Where it goes.
    pub market: MarketId,
    /// The cheese.
    pub recipe: RecipeId,
    /// The least grade accepted.
    pub grade: Grade,
    /// What is still to come.
    pub amount: Amount,
    /// What each wheel may weigh.
    pub each_g: Option<WeightRange>,
    /// Right ages on arrival.
    pub window: Window,
    /// Days that must be left before best-before on arrival.
    pub least_life_days: i64,
    /// How batches may be mixed.
    pub mixing: Option<Mixing>,
    /// What the customer was told, with how it goes; empty: nothing yet.
    pub told: Vec<Told>,
    /// Whether wheels that are short break a given word: the customer was told something.
    pub word_given: bool,
    /// The ways it can go: first the one that is taken, then later days of the same lane
    /// for wheels that are not ready for it.
    pub ways: Vec<Shipment>,
    /// Other lanes that lead there; they cost more, so they are only offered.
    pub dearer: Vec<Shipment>,
    /// What cannot be met whatever is promised.
    pub trouble: Option<String>,
}

impl Wanted {
    /// Whether the customer was told what comes.
    #[must_use]
    pub fn is_told(&self) -> bool {
        !self.told.is_empty()
    }
}

/// Ages on arrival that are right: those that the line asks for, else its market's.
#[must_use]
pub fn window(
    line: &OrderLine,
    market: MarketId,
    recipe: &Recipe,
    customers: &Customers,
) -> Window {
    let theirs = recipe.market(market);
    let ages = match (line.age_days, theirs) {
        (Some(asked), _) => (i64::from(asked.least_days), i64::from(asked.most_days)),
        (None, Some(market)) => (market.arrive_age_days.least, market.arrive_age_days.most),
        (None, None) => (0, recipe.best_before_days),
    };
    let laws = [
        customers.market(market).legal_least_age_days,
        theirs.and_then(|market| market.legal_least_age_days),
    ];
    Window {
        least: ages.0,
        most: ages.1,
        asked: line.age_days.is_some(),
        legal_least: laws.into_iter().flatten().max(),
    }
}

/// Days that must be left before best-before: what the line asks for, else the market.
#[must_use]
pub fn least_life(line: &OrderLine, market: MarketId, customers: &Customers) -> i64 {
    let asked = line.least_life_days.map(i64::from);
    asked.unwrap_or_else(|| customers.market(market).least_life_days)
}

/// One way by a lane.
#[must_use]
pub fn by_lane(lane: &Lane, leave_on: DairyDay, arrive_on: DairyDay) -> Shipment {
    let arrivals = lane.arrivals(leave_on);
    Shipment {
        lane: lane.id,
        leave_on,
        on_time: arrivals.share(|day| day <= arrive_on),
        arrivals,
    }
}

/// Days on which a lane can still leave, from now until a day.
fn leavings(lane: &Lane, now: Now, until: DairyDay) -> impl Iterator<Item = DairyDay> {
    let missed = now.time > lane.cut_off;
    let first = now.today.plus(i64::from(missed));
    let from = first.max(until.plus(-EARLIEST_DAYS));
    let days = until.days_since(from).max(-1) + 1;
    (0..days)
        .map(move |n| from.plus(n))
        .filter(|day| lane.leaves_on(*day))
}

/// The ways to a customer for an arrival: those that are taken by themselves, and those
/// that are only offered. What is taken first is the latest shipment of the first lane
/// that is as sure to be in time as the customer asks; else the surest there is.
#[must_use]
pub fn ways(
    customers: &Customers,
    customer: &Customer,
    arrive_on: DairyDay,
    now: Now,
) -> (Vec<Shipment>, Vec<Shipment>) {
    let lanes: Vec<&Lane> = customers.lanes_of(customer).collect();
    let mut first: Option<Shipment> = None;
    for lane in &lanes {
        let days: Vec<DairyDay> = leavings(lane, now, arrive_on).collect();
        let sure = days.iter().rev().map(|day| by_lane(lane, *day, arrive_on));
        let mut surest: Option<Shipment> = None;
        for shipment in sure {
            if surest
                .as_ref()
                .is_none_or(|best| shipment.on_time > best.on_time)
            {
                surest = Some(shipment);
            }
            if surest
                .as_ref()
                .is_some_and(|best| best.on_time >= customer.on_time)
            {
                break;
            }
        }
        if let Some(surest) = surest
            && first
                .as_ref()
                .is_none_or(|best| surest.on_time > best.on_time)
        {
            first = Some(surest);
        }
        if first
            .as_ref()
            .is_some_and(|best| best.on_time >= customer.on_time)
        {
            break;
        }
    }
    // Too late for any lane: it leaves as soon as the usual one does.
    let too_late = || {
        let lane = lanes.first()?;
        let missed = now.time > lane.cut_off;
        let leave_on = lane.next_leaving(now.today.plus(i64::from(missed)))?;
        Some(by_lane(lane, leave_on, arrive_on))
    };
    let Some(first) = first.or_else(too_late) else {
        return (Vec::new(), Vec::new());
    };
    let mut taken = Vec::new();
    let mut dearer = Vec::new();
    for lane in &lanes {
        let (from, into) = if lane.id == first.lane {
            (first.leave_on.plus(1), &mut taken)
        } else {
            let missed = now.time > lane.cut_off && first.leave_on <= now.today;
            (first.leave_on.plus(i64::from(missed)), &mut dearer)
        };
        let days = (0..21)
            .map(|n| from.plus(n))
            .filter(|day| lane.leaves_on(*day));
        into.extend(days.take(LATER).map(|day| by_lane(lane, day, arrive_on)));
    }
    taken.insert(0, first);
    (taken, dearer)
}

/// Every open line that arrives until a day, in the order of arrival, and what is wrong
/// with orders that cannot be looked at. `is_of` says what a wheel that left was.
#[must_use]
pub fn open_lines(
    book: &OrderBook,
    customers: &Customers,
    recipes: &RecipeBook,
    clock: &DairyClock,
    now: Now,
    until: DairyDay,
    is_of: impl Fn(WheelId) -> Option<(RecipeId, Option<Grade>, u32)>,
) -> (Vec<Wanted>, Vec<(OrderId, String)>) {
    let mut lines = Vec::new();
    let mut wrong = Vec::new();
    for order in book.orders().filter(|order| order.cancelled.is_none()) {
        for odd in &order.odd {
            wrong.push((order.id, odd.words().to_owned()));
        }
        let customer = match customers.who_ordered(&order.customer) {
            Ok((_, customer)) => customer,
            Err(unknown) => {
                wrong.push((order.id, no_customer(&unknown)));
                continue;
            }
        };
        // Of a market that nobody describes no law is known: nothing is planned for it.
        if let Err(unknown) = customers.market_named(recipes, order.market) {
            wrong.push((order.id, unknown.to_string()));
            continue;
        }
        let from = now.today.plus(-OPEN_DAYS).date();
        for arrive_on in order.arrivals(from, until.date()) {
            for (number, line, amount) in still_open(&order, arrive_on, clock, &is_of) {
                let recipe = match recipe_named(recipes, line.recipe) {
                    Ok(recipe) => recipe,
                    Err(unknown) => {
                        wrong.push((order.id, unknown.to_string()));
                        continue;
                    }
                };
                let key = LineKey {
                    arrive_on: DairyDay::starting(arrive_on),
                    order: order.id,
                    line: number,
                };
                let told = order.told.get(&arrive_on).into_iter().flatten();
                lines.push(want(
                    key,
                    line,
                    amount,
                    told.filter(|told| told.line == number).cloned().collect(),
                    (customer, order.market),
                    recipe,
                    customers,
                    now,
                ));
            }
        }
    }
    lines.sort_by_key(|line| line.key);
    (lines, wrong)
}

/// A line with the ways it can go.
#[must_use]
#[allow(clippy::too_many_arguments)] // everything that a line is judged by
pub fn want(
    key: LineKey,
    line: &OrderLine,
    amount: Amount,
    told: Vec<Promised>,
    (customer, market): (&Customer, MarketId),
    recipe: &Recipe,
    customers: &Customers,
    now: Now,
) -> Wanted {
    let (ways, dearer) = ways(customers, customer, key.arrive_on, now);
    let told = told.into_iter().map(|promised| {
        let leave_on = DairyDay::starting(promised.leave_on);
        let lane = customers.lanes.get(&promised.lane);
        let lane = lane.filter(|_| leave_on >= now.today);
        Told {
            way: lane.map(|lane| by_lane(lane, leave_on, key.arrive_on)),
            promised,
        }
    });
    let told: Vec<Told> = told.collect();
    let trouble = match ways.first() {
        None => Some(format!(
            "no lane leaves for {} in the next weeks: look at their lanes and closed days",
            customer.name
        )),
        Some(way) if way.on_time <= 0.0 => Some(format!(
            "too late for {}: the next shipment leaves on {} and arrives on {}",
            key.arrive_on,
            way.leave_on,
            way.arrivals.likely().unwrap_or(way.leave_on)
        )),
        Some(way) if way.on_time < customer.on_time => Some(format!(
            "no shipment is {} % sure to arrive by {}: leaving on {} is {:.0} % sure",
            (customer.on_time * 100.0).round(),
            key.arrive_on,
            way.leave_on,
            way.on_time * 100.0
        )),
        Some(_) => None,
    };
    Wanted {
        key,
        customer: customer.id,
        market,
        recipe: line.recipe,
        grade: line.grade,
        amount,
        each_g: line.each_g,
        window: window(line, market, recipe, customers),
        least_life_days: least_life(line, market, customers),
        mixing: line.mixing,
        word_given: !told.is_empty(),
        told,
        ways,
        dearer,
        trouble,
    }
}

pub(crate) fn no_customer(unknown: &UnknownName) -> String {
    format!("{unknown} A new one needs a [[customer]] in the customers file")
}

/// What of an order's lines is still to come on an arrival. Wheels that left count for
/// the first line they fit.
fn still_open<'o>(
    order: &'o Order,
    arrive_on: NaiveDate,
    clock: &DairyClock,
    is_of: &impl Fn(WheelId) -> Option<(RecipeId, Option<Grade>, u32)>,
) -> Vec<(u16, &'o OrderLine, Amount)> {
    let mut open: Vec<(u16, &OrderLine, Amount)> = (1..)
        .zip(&order.lines)
        .map(|(number, line)| {
            let amount = match line.weight_g {
                Some(grams) if line.wheels == 0 => Amount::Grams(grams.get()),
                _ => Amount::Wheels(usize::try_from(line.wheels).unwrap_or(usize::MAX)),
            };
            (number, line, amount)
        })
        .collect();
    for (wheel, _) in order.sent_for(arrive_on, clock) {
        let Some((recipe, grade, grams)) = is_of(wheel) else {
            continue;
        };
        let fits = open.iter_mut().find(|(_, line, amount)| {
            let some = match amount {
                Amount::Wheels(wheels) => *wheels > 0,
                Amount::Grams(grams) => *grams > 0,
            };
            some && line.recipe == recipe && grade.is_none_or(|grade| grade <= line.grade)
        });
        if let Some((_, _, amount)) = fits {
            *amount = match *amount {
                Amount::Wheels(wheels) => Amount::Wheels(wheels - 1),
                Amount::Grams(wanted) => Amount::Grams(wanted.saturating_sub(grams)),
            };
        }
    }
    open.retain(|(_, line, amount)| match amount {
        Amount::Wheels(wheels) => *wheels > 0,
        Amount::Grams(grams) => {
            let ordered = line.weight_g.map_or(0, quantity::Grams::get);
            f64::from(*grams) > f64::from(ordered) * WEIGHT_TOLERANCE
        }
    });
    open
}

/// Weights that orders set as limits, by recipe: what [`crate::Stock::group`] tells wheels
/// apart by.
#[must_use]
pub fn weight_limits(lines: &[Wanted]) -> BTreeMap<RecipeId, Vec<u32>> {
    let mut limits: BTreeMap<RecipeId, Vec<u32>> = BTreeMap::new();
    for line in lines {
        if let Some(each) = line.each_g {
            let of = limits.entry(line.recipe).or_default();
            of.extend([each.least_g.get(), each.most_g.get().saturating_add(1)]);
        }
    }
    for of in limits.values_mut() {
        of.sort_unstable();
        of.dedup();
    }
    limits
}
