//! The dispatch office: a floor and an order book folded from the same facts, what they come
//! to at a moment, and whether wheels may leave.

use std::collections::BTreeMap;
use std::sync::Arc;

use chrono::{DateTime, NaiveDate, Utc};
use facts::{
    BadCode, CustomerId, Event, Fact, Grade, MarketId, OrderId, OrderLine, RecipeId, RoomId,
    WheelId,
};
use names::UnknownName;
use quantity::DairyDay;
use recipe::RecipeBook;
use ripening::{Floor, Folding, Practice};
use serde::{Deserialize, Serialize};

use crate::allocate::Problem;
use crate::allocation::Yesterday;
use crate::customers::Customers;
use crate::known::recipe_named;
use crate::orders::OrderBook;
use crate::promise::{Answer, Ask, promise};
use crate::readiness::FloorForecast;
use crate::stock::{self, Cheese, GradeCounts, Kept, Place, Stock, readiness_on};
use crate::transit::Journeys;
use crate::verdict::{Reason, Verdict, may_leave};
use crate::wanted::{Amount, LineKey, Now, Wanted, open_lines, weight_limits};

/// How far ahead orders may be sent, days.
const SENT_AHEAD_DAYS: i64 = 60;

/// How far beyond its first arrival an order is looked for that has nothing open before: a
/// standing order comes again within this.
const LATER_DAYS: i64 = 366;

/// Everything that dispatch looks at.
pub struct Office {
    floor: Floor,
    book: OrderBook,
    /// As their file says.
    file: Customers,
    /// With what deliveries have taught of the roads.
    customers: Arc<Customers>,
    /// Something arrived since the roads were learned.
    arrived: bool,
    /// Rooms in walking order.
    walk: Vec<RoomId>,
}

/// What it comes to at a moment.
pub struct Look {
    /// The moment.
    pub now: Now,
    /// The last day that is looked at.
    pub until: DairyDay,
    /// Every wheel on the floor, in walking order.
    pub cheeses: Vec<Cheese>,
    /// Every open line.
    pub lines: Vec<Wanted>,
    /// What is wrong with orders that cannot be looked at.
    pub wrong: Vec<(OrderId, String)>,
    /// What there is to promise from.
    pub stock: Stock,
}

/// Whether a customer can have so many wheels by a day.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Asked {
    /// Who asks.
    pub customer: CustomerId,
    /// The cheese.
    pub recipe: RecipeId,
    /// The least grade accepted.
    pub grade: Grade,
    /// How many wheels.
    pub wheels: u32,
    /// The day they should arrive by.
    #[serde(deserialize_with = "quantity::calendar::read::date")]
    pub by: NaiveDate,
    /// How sure it must be, percent.
    pub sure_pct: u8,
}

/// An office before anyone knows what time it is: facts need no clock, and whatever is to be
/// answered does. There is no [`Office`] to be had of it before.
pub struct UntimedOffice {
    office: Office,
    timed: bool,
}

impl UntimedOffice {
    /// Over a floor as it was stored. `walk`: the rooms in walking order.
    #[must_use]
    pub fn over(floor: Folding, customers: Customers, walk: Vec<RoomId>) -> Self {
        Self {
            // Nobody sees it: there is no office before it is given the time.
            office: Office::over(floor.into_untimed(), customers, walk),
            timed: false,
        }
    }

    /// Folds a fact into the order book only: the floor has it already.
    pub fn book(&mut self, fact: &Fact) {
        self.office.enter(fact);
    }

    /// The floor, to write down what has changed of it and to give back what was put away.
    pub const fn floor_mut(&mut self) -> &mut Floor {
        &mut self.office.floor
    }

    /// Folds a fact.
    pub fn apply(&mut self, fact: &Fact) {
        self.office.apply(fact);
    }

    /// What time it is. From now on there is an office.
    pub fn refresh(&mut self, now: DateTime<Utc>) {
        self.timed = true;
        self.office.refresh(now);
    }

    /// The office as of the latest time; `None` before the first.
    #[must_use]
    pub const fn office(&self) -> Option<&Office> {
        if self.timed { Some(&self.office) } else { None }
    }
}

/// Why nothing can be promised or denied.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoPromise {
    /// There is no such customer or recipe.
    #[error(transparent)]
    Unknown(#[from] UnknownName),
    /// The day is over.
    #[error("{0} is over: ask for a day from {1} on")]
    Over(NaiveDate, DairyDay),
    /// Nothing is asked for.
    #[error("0 wheels can always be had: ask for 1 or more")]
    NoWheels,
    /// The question has no number to go by.
    #[error(transparent)]
    Code(#[from] BadCode),
}

/// The number that a question goes by among the orders; no order is placed under it.
const ASKED: &str = "ASKED";

/// Wheels that someone wants to let leave together.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Leaving<'a> {
    /// For which order.
    pub order: Option<OrderId>,
    /// To which customer, where there is no order.
    pub customer: Option<CustomerId>,
    /// For which market, where there is no order.
    pub market: Option<MarketId>,
    /// Which.
    pub wheels: &'a [WheelId],
}

impl Office {
    /// Before any fact. `walk`: the rooms in walking order. Where nobody knows yet what time it
    /// is, an [`UntimedOffice`] takes the facts.
    #[must_use]
    pub fn new(
        practice: Practice,
        customers: Customers,
        walk: Vec<RoomId>,
        now: DateTime<Utc>,
    ) -> Self {
        Self::over(Floor::new(practice, now), customers, walk)
    }

    fn over(floor: Floor, customers: Customers, walk: Vec<RoomId>) -> Self {
        Self {
            floor,
            book: OrderBook::default(),
            customers: Arc::new(customers.clone()),
            file: customers,
            arrived: false,
            walk,
        }
    }

    /// Folds a fact.
    pub fn apply(&mut self, fact: &Fact) {
        self.floor.apply(fact);
        self.enter(fact);
    }

    fn enter(&mut self, fact: &Fact) {
        self.book.apply(fact);
        self.arrived |= matches!(fact.event, Event::WheelDelivered(_) | Event::Voided(_));
    }

    /// Lets time pass.
    pub fn refresh(&mut self, now: DateTime<Utc>) {
        self.floor.refresh(now);
        if std::mem::take(&mut self.arrived) {
            let clock = &self.floor.practice().clock;
            let journeys = Journeys::of(&self.book, &self.file, clock);
            self.customers = Arc::new(self.file.clone().learned(&journeys));
        }
    }

    /// The floor.
    #[must_use]
    pub const fn floor(&self) -> &Floor {
        &self.floor
    }

    /// Every order.
    #[must_use]
    pub const fn book(&self) -> &OrderBook {
        &self.book
    }

    /// Who buys, and how it gets there: the roads as deliveries have shown them to be.
    #[must_use]
    pub const fn customers(&self) -> &Arc<Customers> {
        &self.customers
    }

    /// The moment that the floor was refreshed to.
    #[must_use]
    pub fn now(&self) -> Now {
        let at = self.floor.now();
        let clock = &self.floor.practice().clock;
        Now {
            today: clock.day_of(at),
            time: clock.at_home(at).time(),
        }
    }

    fn open_lines(&self, until: DairyDay) -> (Vec<Wanted>, Vec<(OrderId, String)>) {
        let recipes = &self.floor.practice().recipes;
        let clock = &self.floor.practice().clock;
        let was = |wheel| self.what_it_was(wheel);
        let (book, customers) = (&self.book, &self.customers);
        open_lines(book, customers, recipes, clock, self.now(), until, was)
    }

    /// Everything as of the last refresh, looking so many days ahead. Batches are ready when
    /// their forecast says so, else when their recipe's calendar does.
    #[must_use]
    pub fn look(&self, days: i64) -> Look {
        let now = self.now();
        let until = now.today.plus(days);
        let mut cheeses = stock::of_floor(&self.floor, &self.walk);
        for cheese in &mut cheeses {
            cheese.reserved = self.reserved(cheese);
        }
        let (lines, wrong) = self.open_lines(until);
        let stock = Stock::group(
            &cheeses,
            &weight_limits(&lines),
            readiness_on(&self.floor, &FloorForecast(&self.floor)),
            &GradeCounts::of_floor(&self.floor),
        );
        Look {
            now,
            until,
            cheeses,
            lines,
            wrong,
            stock,
        }
    }

    /// What a wheel that left was: its recipe, its grade and its last weight, g.
    pub(crate) fn what_it_was(&self, wheel: WheelId) -> Option<(RecipeId, Option<Grade>, u32)> {
        let state = self.floor.wheel(wheel)?.state();
        let recipe = self.floor.recipe_of(state.batch?)?;
        let grade = state.grade.map(|grade| grade.value);
        let grams = state.weight.map_or(0, |weight| weight.value.get());
        Some((recipe.id, grade, grams))
    }

    /// A wheel that left, as it was.
    #[must_use]
    pub fn cheese_that_left(&self, id: WheelId) -> Option<Cheese> {
        let state = self.floor.wheel(id)?.state();
        let batch = state.batch?;
        Some(Cheese {
            wheel: id,
            batch,
            recipe: self.floor.recipe_of(batch)?.clone(),
            made: self.floor.case(id)?.made,
            grade: state.grade.map(|grade| grade.value),
            weight_g: state.weight.map_or(0, |weight| weight.value.get()),
            place: Place::default(),
            kept: None,
            awaits: None,
            reserved: None,
        })
    }

    /// Why wheels must stay, in words that name them; empty: nothing is known against their
    /// leaving now. It lifts no hold.
    #[must_use]
    pub fn stays(&self, leaving: &Leaving<'_>) -> Vec<String> {
        match leaving.order {
            Some(order) => self.stays_from_order(order, leaving.wheels),
            None => self.stays_from_sale(leaving),
        }
    }

    fn stays_from_order(&self, id: OrderId, wheels: &[WheelId]) -> Vec<String> {
        let order = match self.book.named(id) {
            Ok(order) => order,
            Err(unknown) => {
                let next = "Scan the order on the pick list, or ask the office";
                return vec![unknown.then(next)];
            }
        };
        if let Some(reason) = &order.cancelled {
            return vec![format!("order {id} was cancelled ({reason}): nothing goes")];
        }
        let until = self.now().today.plus(SENT_AHEAD_DAYS);
        let (mut lines, wrong) = self.open_lines(until);
        lines.retain(|line| line.key.order == id);
        if let Some((_, words)) = wrong.iter().find(|(order, _)| *order == id) {
            return vec![format!("order {id}: {words}")];
        }
        // What arrives first goes first; later arrivals of a standing order wait.
        let first = lines.first().map(|line| line.key.arrive_on);
        lines.retain(|line| Some(line.key.arrive_on) == first);
        if lines.is_empty() {
            return vec![self.why_nothing_goes(&order, until)];
        }
        let mut room: BTreeMap<LineKey, usize> = BTreeMap::new();
        for line in &lines {
            let most = match line.amount {
                Amount::Wheels(wheels) => wheels,
                Amount::Grams(_) => usize::MAX,
            };
            room.insert(line.key, most);
        }
        let stays = wheels.iter().filter_map(|wheel| {
            let Some(cheese) = self.cheese(*wheel) else {
                return Some(Reason::Unknown(*wheel).words());
            };
            let mut no: Option<Vec<Reason>> = None;
            let mut full = None;
            for line in &lines {
                let known = &self.customers.customers;
                let lanes = known.get(&line.customer).into_iter();
                for lane in lanes.flat_map(|customer| self.customers.lanes_of(customer)) {
                    match may_leave(&cheese, line, lane, self.now().today) {
                        Verdict::Go { .. } => match room.get_mut(&line.key) {
                            Some(left) if *left > 0 => {
                                *left -= 1;
                                return None;
                            }
                            _ => full = Some(line.key),
                        },
                        Verdict::Stop(reasons) => {
                            if no.as_ref().is_none_or(|no| reasons.len() < no.len()) {
                                no = Some(reasons);
                            }
                        }
                    }
                }
            }
            if let Some(line) = full {
                return Some(format!("{wheel}: {line} has enough wheels: put it back"));
            }
            let words: Vec<String> = no.unwrap_or_default().iter().map(Reason::words).collect();
            Some(format!("{wheel}: {}", words.join("; ")))
        });
        stays.collect()
    }

    /// Why no wheel goes with an order of which nothing is open up to a day.
    fn why_nothing_goes(&self, order: &crate::Order, until: DairyDay) -> String {
        let id = order.id;
        let first = DairyDay::starting(order.arrive_on);
        let further = first.max(until).plus(LATER_DAYS);
        let (lines, _) = self.open_lines(further);
        let later = lines.iter().filter(|line| line.key.order == id);
        match later.map(|line| line.key.arrive_on).min() {
            Some(day) => format!(
                "order {id} is not looked at yet: it next arrives on {day}, beyond the next {SENT_AHEAD_DAYS} days. Nothing goes with it before"
            ),
            None => {
                format!("order {id} has everything that it asks for: nothing more goes with it")
            }
        }
    }

    /// A sale without an order, at the dairy's door or on a market.
    fn stays_from_sale(&self, leaving: &Leaving<'_>) -> Vec<String> {
        let Leaving {
            customer, wheels, ..
        } = *leaving;
        let customer = customer.map(|id| self.customers.customer(id));
        let theirs = match customer {
            Some(Err(unknown)) => return vec![unknown.to_string()],
            Some(Ok((_, customer))) => Some(customer.market),
            None => None,
        };
        let market = leaving.market.or(theirs);
        let today = self.now().today;
        let recipes = &self.floor.practice().recipes;
        if let Some(Err(unknown)) = market.map(|id| self.customers.market_named(recipes, id)) {
            return vec![unknown.to_string()];
        }
        let stays = wheels.iter().filter_map(|wheel| {
            let Some(cheese) = self.cheese(*wheel) else {
                return Some(Reason::Unknown(*wheel).words());
            };
            let mut reasons: Vec<Reason> = cheese.kept.map(Reason::Kept).into_iter().collect();
            if !matches!(cheese.kept, Some(Kept::Held(_) | Kept::HeldUntraced(_))) {
                reasons.extend(cheese.awaits.map(Reason::NotReleased));
            }
            match cheese.grade {
                None => reasons.push(Reason::NotGraded),
                Some(Grade::Reject) => reasons.push(Reason::GradeTooLow(Grade::Reject)),
                Some(_) => {}
            }
            reasons.extend(cheese.reserved.map(Reason::Reserved));
            let age = today.days_since(cheese.made);
            let theirs = market.and_then(|market| cheese.recipe.market(market));
            let laws = [
                market.and_then(|market| self.customers.market(market).legal_least_age_days),
                theirs.and_then(|market| market.legal_least_age_days),
            ];
            let least = laws.into_iter().flatten().max();
            reasons.extend(
                least
                    .filter(|least| age < *least)
                    .map(|least| Reason::UnderAge(age, least)),
            );
            let left = cheese.recipe.best_before_days - age;
            if left < 0 {
                reasons.push(Reason::OverAge(left, 0));
            }
            let words: Vec<String> = reasons.iter().map(Reason::words).collect();
            (!words.is_empty()).then(|| format!("{wheel}: {}", words.join("; ")))
        });
        stays.collect()
    }

    fn cheese(&self, wheel: WheelId) -> Option<Cheese> {
        let mut cheese = stock::of_wheel(&self.floor, wheel, self.now().today)?;
        cheese.reserved = self.reserved(&cheese);
        Some(cheese)
    }

    /// The order that a wheel is reserved for: one that was cancelled holds nothing back.
    fn reserved(&self, cheese: &Cheese) -> Option<OrderId> {
        let order = cheese.reserved?;
        (!self.book.is_cancelled(order)).then_some(order)
    }
}

impl Look {
    /// The allocation problem.
    #[must_use]
    pub fn problem<'a>(&'a self, yesterday: &'a Yesterday) -> Problem<'a> {
        Problem {
            now: self.now,
            until: self.until,
            cheeses: &self.cheeses,
            stock: &self.stock,
            lines: &self.lines,
            yesterday,
        }
    }

    /// Whether so many wheels can arrive by a day, or what can instead.
    ///
    /// # Errors
    /// [`NoPromise`] says what cannot be asked.
    pub fn promise(
        &self,
        customers: &Customers,
        recipes: &RecipeBook,
        yesterday: &Yesterday,
        asked: &Asked,
    ) -> Result<Answer, NoPromise> {
        let (_, customer) = customers.customer(asked.customer)?;
        let recipe = recipe_named(recipes, asked.recipe)?;
        let arrive_on = DairyDay::starting(asked.by);
        let today = self.now.today;
        if arrive_on < today {
            return Err(NoPromise::Over(asked.by, today));
        }
        if asked.wheels == 0 {
            return Err(NoPromise::NoWheels);
        }
        let ask = Ask {
            order: OrderId::new(ASKED)?,
            customer,
            market: customer.market,
            line: OrderLine {
                recipe: asked.recipe,
                grade: asked.grade,
                wheels: asked.wheels,
                weight_g: None,
                each_g: None,
                age_days: None,
                least_life_days: None,
                mixing: None,
            },
            arrive_on,
            certainty: f64::from(asked.sure_pct) / 100.0,
        };
        let problem = self.problem(yesterday);
        Ok(promise(&problem, customers, recipe, &ask))
    }
}
