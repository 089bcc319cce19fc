//! What cannot be right about an order, told before it goes on.

use std::ops::RangeInclusive;

use chrono::Days;
use facts::{MarketId, OrderId, OrderLine, OrderPlaced, WeightRange};
use quantity::DairyDay;
use recipe::{Recipe, RecipeBook};

use crate::customers::{Customer, Customers};
use crate::explain::kilograms;
use crate::known::recipe_named;
use crate::orders::{self, OrderBook};
use crate::wanted::{self, Now, WEIGHT_TOLERANCE};

/// The most wheels of one line, and the most weeks between arrivals: a typing error beyond.
const MOST_WHEELS: u32 = 20_000;
const MOST_WEEKS: u8 = 52;

/// What a wheel may lose of its curd's weight at most, where its recipe does not say what
/// it weighs when it is finished. Common practice, no source: about a quarter.
const MOST_LOSS: f64 = 0.3;

/// Everything that an order is checked against.
#[derive(Debug, Clone, Copy)]
pub struct Desk<'a> {
    /// The customers file.
    pub customers: &'a Customers,
    /// Every recipe.
    pub recipes: &'a RecipeBook,
    /// Every order so far.
    pub book: &'a OrderBook,
    /// The moment that is looked from.
    pub now: Now,
}

/// What cannot be right, and where.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Trouble {
    /// The line of the order, from 1; `None`: the order itself.
    pub line: Option<u16>,
    /// What of it, as the columns of an import are called.
    pub column: &'static str,
    /// What is wrong and what would be right.
    pub message: String,
}

impl std::fmt::Display for Trouble {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.line {
            Some(line) => write!(f, "line {line}, {}: {}", self.column, self.message),
            None => write!(f, "{}: {}", self.column, self.message),
        }
    }
}

/// How a new order stands to those that are there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Known {
    /// Its number is new.
    New,
    /// The same order was placed before.
    Same,
}

impl Desk<'_> {
    /// Checks an order that is to be placed. An order that was placed before, word for word,
    /// is in order and need not be placed again.
    ///
    /// # Errors
    /// Everything that is wrong with it.
    pub fn check(&self, order: &OrderPlaced) -> Result<Known, Vec<Trouble>> {
        if let Some(first) = self.book.placed(order.order) {
            if first == order {
                return Ok(Known::Same);
            }
            return Err(vec![self.other_content(order.order)]);
        }
        let mut troubles = Vec::new();
        let customer = self.customers.who_ordered(&order.customer);
        if let Ok((_, customer)) = customer
            && customer.market != order.market
        {
            let message = format!(
                "{} is in market {}, not {}",
                customer.name, customer.market, order.market
            );
            troubles.push(of_order("customer", message));
        }
        if let Err(unknown) = &customer {
            troubles.push(of_order("customer", wanted::no_customer(unknown)));
        }
        let customer = customer.ok().map(|(_, customer)| customer);
        if order.lines.is_empty() {
            let message = "no lines: say what is ordered".to_owned();
            troubles.push(of_order("recipe", message));
        }
        self.check_day(order, customer, &mut troubles);
        for (number, line) in (1..).zip(&order.lines) {
            let mut trouble = |column, message| {
                troubles.push(Trouble {
                    line: Some(number),
                    column,
                    message,
                });
            };
            self.check_line(line, order.market, &mut trouble);
        }
        if troubles.is_empty() {
            Ok(Known::New)
        } else {
            Err(troubles)
        }
    }

    /// Checks what an order is to be changed to. An order that says so already need not be
    /// changed.
    ///
    /// # Errors
    /// Everything that is wrong with it.
    pub fn check_change(&self, order: &OrderPlaced) -> Result<Known, Vec<Trouble>> {
        let known = self.book.named(order.order);
        let known = known.map_err(|unknown| vec![of_order("order", unknown.to_string())])?;
        if known.cancelled.is_some() {
            let message = format!(
                "order {} was cancelled: place it anew under another number",
                order.order
            );
            return Err(vec![of_order("order", message)]);
        }
        if !known.customer.eq_ignore_ascii_case(&order.customer) {
            let message = format!(
                "order {} is {}'s: cancel it, and place one under another number",
                order.order, known.customer
            );
            return Err(vec![of_order("customer", message)]);
        }
        let (day, lines) = (known.arrive_on, &known.lines);
        if day == order.arrive_on && *lines == order.lines && known.standing == order.standing {
            return Ok(Known::Same);
        }
        let without = Desk {
            book: &OrderBook::default(),
            ..*self
        };
        without.check(order)
    }

    fn other_content(&self, id: OrderId) -> Trouble {
        let cancelled = self.book.order(id).and_then(|order| order.cancelled);
        let message = match cancelled {
            Some(_) => format!("order {id} was placed and cancelled: use another number"),
            None => format!(
                "order {id} is there with other content: change it with `wheelward orders change`, or use another number"
            ),
        };
        of_order("order", message)
    }

    fn check_day(
        &self,
        order: &OrderPlaced,
        customer: Option<&Customer>,
        troubles: &mut Vec<Trouble>,
    ) {
        let today = self.now.today.date();
        let mut first = order.arrive_on;
        if let Some(standing) = &order.standing {
            if !(1..=MOST_WEEKS).contains(&standing.every_weeks) {
                let message = format!("a standing order comes every 1 to {MOST_WEEKS} weeks");
                troubles.push(of_order("every_weeks", message));
            }
            if standing.until.is_some_and(|until| until < order.arrive_on) {
                let message = "it ends before it first arrives".to_owned();
                troubles.push(of_order("until", message));
            }
            let far = today.checked_add_days(Days::new(400)).unwrap_or(today);
            let next = orders::arrivals(first, Some(standing), today, far);
            first = next.first().copied().unwrap_or(first);
        }
        if first < today {
            let message = format!("{first} is past, today is {today}: write a later day");
            troubles.push(of_order("arrive_on", message));
            return;
        }
        let Some(customer) = customer else {
            return;
        };
        let (ways, _) = wanted::ways(
            self.customers,
            customer,
            DairyDay::starting(first),
            self.now,
        );
        let message = match ways.first() {
            None => format!("no lane leaves for {} in the next weeks", customer.name),
            Some(way) if way.on_time <= 0.0 => {
                let earliest = way.arrivals.likely().unwrap_or(way.leave_on);
                format!(
                    "no shipment arrives by {}: the next leaves on {} by {} and arrives on {}",
                    DairyDay::starting(first),
                    way.leave_on,
                    way.lane,
                    earliest
                )
            }
            Some(_) => return,
        };
        troubles.push(of_order("arrive_on", message));
    }

    fn check_line(
        &self,
        line: &OrderLine,
        market: MarketId,
        trouble: &mut impl FnMut(&'static str, String),
    ) {
        let recipe = match recipe_named(self.recipes, line.recipe) {
            Ok(recipe) => recipe,
            Err(unknown) => return trouble("recipe", unknown.to_string()),
        };
        match (line.wheels, line.weight_g) {
            (0, None) => trouble("wheels", "0 wheels: write at least 1, or kg".to_owned()),
            (0, Some(_)) => {}
            (wheels, None) if wheels > MOST_WHEELS => {
                trouble(
                    "wheels",
                    format!("{wheels} wheels on one line: at most {MOST_WHEELS}"),
                );
            }
            (_, None) => {}
            (_, Some(_)) => trouble("kg", "both wheels and kg: write one of them".to_owned()),
        }
        if let Some(theirs) = recipe.market(market)
            && !theirs.takes(line.grade)
        {
            trouble(
                "grade",
                format!("market {market} does not take grade {}", line.grade),
            );
        }
        if line.grade == facts::Grade::Reject {
            trouble(
                "grade",
                "grade reject is not for sale: write A, B or C".to_owned(),
            );
        }
        check_weights(line, recipe, trouble);
        self.check_ages(line, market, recipe, trouble);
        if let Some(mixing) = line.mixing {
            if mixing.most_batches == Some(0) {
                trouble("most_batches", "at least 1 batch is needed".to_owned());
            }
            let few = mixing
                .least_per_batch
                .filter(|least| u32::from(*least) > line.wheels && line.wheels > 0);
            if let Some(least) = few {
                let message = format!(
                    "{least} of a batch are more than the {} wheels ordered",
                    line.wheels
                );
                trouble("least_per_batch", message);
            }
        }
    }

    fn check_ages(
        &self,
        line: &OrderLine,
        market: MarketId,
        recipe: &Recipe,
        trouble: &mut impl FnMut(&'static str, String),
    ) {
        let window = wanted::window(line, market, recipe, self.customers);
        if window.least > window.most {
            let message = format!(
                "{} to {} days is no range: the least first",
                window.least, window.most
            );
            return trouble("age_least_days", message);
        }
        if let Some(law) = window.legal_least
            && window.most < law
        {
            let message = format!(
                "wheels of {} to {} days are asked for, but the law in {market} asks for {law} days at least",
                window.least, window.most
            );
            return trouble("age_most_days", message);
        }
        let cored = recipe.iron.from_age_days;
        if window.most < cored {
            let message = format!(
                "wheels of {} to {} days are asked for, but {} is first cored at {cored} days",
                window.least, window.most, recipe.id
            );
            return trouble("age_most_days", message);
        }
        let life = wanted::least_life(line, market, self.customers);
        let oldest = recipe.best_before_days - life;
        let least = window.least.max(window.legal_least.unwrap_or(0)).max(cored);
        if oldest < least {
            let message = format!(
                "{life} days must be left of {}, so a wheel may be {oldest} days old at most, but it should be {least} at least",
                recipe.best_before_days
            );
            trouble("least_life_days", message);
        }
    }
}

fn of_order(column: &'static str, message: String) -> Trouble {
    Trouble {
        line: None,
        column,
        message,
    }
}

/// What a finished wheel of a recipe may weigh, g.
fn wheel_weights(recipe: &Recipe) -> RangeInclusive<u32> {
    match recipe.finish {
        Some(finish) => {
            let (weight, off) = (finish.weight_g.get(), finish.tolerance_g.get());
            weight.saturating_sub(off)..=weight.saturating_add(off)
        }
        None => {
            let (weight, off) = (
                recipe.portion.weight_g.get(),
                recipe.portion.tolerance_g.get(),
            );
            let least = f64::from(weight.saturating_sub(off)) * (1.0 - MOST_LOSS);
            least as u32..=weight.saturating_add(off)
        }
    }
}

fn check_weights(
    line: &OrderLine,
    recipe: &Recipe,
    trouble: &mut impl FnMut(&'static str, String),
) {
    let made = wheel_weights(recipe);
    let mut each = made.clone();
    if let Some(WeightRange { least_g, most_g }) = line.each_g {
        if least_g > most_g {
            let message = format!("{least_g} to {most_g} is no range: the least first");
            return trouble("each_least_kg", message);
        }
        each = least_g.get().max(*made.start())..=most_g.get().min(*made.end());
        if each.is_empty() {
            let message = format!(
                "no wheel of {} weighs {least_g} to {most_g}: they weigh {} to {}",
                recipe.id,
                kilograms(*made.start()),
                kilograms(*made.end())
            );
            return trouble("each_least_kg", message);
        }
    }
    let Some(grams) = line.weight_g.filter(|_| line.wheels == 0) else {
        return;
    };
    let target = f64::from(grams.get());
    let (least, most) = (f64::from(*each.start()), f64::from(*each.end()));
    let reaches = |wheels: f64| {
        wheels * least <= target * (1.0 + WEIGHT_TOLERANCE)
            && wheels * most >= target * (1.0 - WEIGHT_TOLERANCE)
    };
    let most_wheels = (target / least.max(1.0) * (1.0 + WEIGHT_TOLERANCE)).floor();
    if most_wheels < 1.0 || !reaches(most_wheels) {
        let wheels = |n: f64| {
            format!(
                "{n:.0} wheels weigh {} to {}",
                kilograms((n * least) as u32),
                kilograms((n * most) as u32)
            )
        };
        let near = if most_wheels < 1.0 {
            wheels(1.0)
        } else {
            format!("{}, {}", wheels(most_wheels), wheels(most_wheels + 1.0))
        };
        let message = format!(
            "whole wheels do not come to {grams}, give or take {:.0} %: {near}",
            WEIGHT_TOLERANCE * 100.0
        );
        trouble("kg", message);
    }
}
