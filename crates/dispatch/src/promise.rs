//! A customer asks: can you? Yes, from these batches and this sure; or the nearest that is.
//!
//! What is asked for comes after everything that was ordered: orders count as given word,
//! so none of them gets a wheel less.

use facts::{CustomerId, Grade, LaneId, MarketId, OrderId, OrderLine};
use quantity::DairyDay;
use recipe::Recipe;
use serde::{Deserialize, Serialize};

use crate::allocate::{Problem, Settled, allocate, solve};
use crate::allocation::Shortage;
use crate::customers::{Customer, Customers};
use crate::deal::{self, Share};
use crate::model::Memory;
use crate::stock::Source;
use crate::wanted::{self, Amount, LineKey, Wanted};

/// How many weeks after and before the day that was asked for are looked at.
const WEEKS: i64 = 8;

/// What is asked.
#[derive(Debug, Clone, PartialEq)]
pub struct Ask<'a> {
    /// The number it would get as an order; it only tells it from the others.
    pub order: OrderId,
    /// Who asks.
    pub customer: &'a Customer,
    /// The market it goes to.
    pub market: MarketId,
    /// What is asked for.
    pub line: OrderLine,
    /// The day it should arrive by.
    pub arrive_on: DairyDay,
    /// How sure it must be, 0 to 1.
    pub certainty: f64,
}

/// What can be promised for a day.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Offer {
    /// The day it arrives by.
    pub arrive_on: DairyDay,
    /// How many wheels.
    pub wheels: usize,
    /// How many are missing.
    pub short: usize,
    /// What they weigh, about, g.
    pub grams: u64,
    /// The probability that all of it comes, in time and as it was asked for; 0 to 1.
    pub certainty: f64,
    /// Where they come from.
    pub from: Vec<Part>,
}

/// Wheels of an offer that come from one batch.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Part {
    /// The batch.
    pub source: Source,
    /// Their grade.
    pub grade: Grade,
    /// Whether it was found, not only expected.
    pub graded: bool,
    /// How many.
    pub wheels: usize,
    /// The way they go.
    pub lane: LaneId,
    /// The day they leave.
    pub leave_on: DairyDay,
    /// Their likely age on arrival, in dairy days.
    pub age_days: i64,
    /// Days then left before best-before.
    pub life_days: i64,
    /// Probability of being ready by the day they leave, 0 to 1.
    pub ready: f64,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Answer {
    /// Who asked.
    pub customer: CustomerId,
    /// How many wheels were asked for.
    pub wheels: usize,
    /// The day they should arrive by.
    pub arrive_on: DairyDay,
    /// Whether all of it can be promised for that day, as sure as was asked for.
    pub yes: bool,
    /// What can be promised for that day.
    pub offer: Offer,
    /// Why it is not all, or not sure.
    pub why_not: Option<Shortage>,
    /// The nearest later day for all of it.
    pub later: Option<Offer>,
    /// The nearest earlier day for all of it.
    pub earlier: Option<Offer>,
    /// The most that is sure enough for the day itself, when that is less.
    pub fewer: Option<Offer>,
    /// In one sentence.
    pub words: String,
}

/// Answers. `problem` is today's allocation problem, without what is asked.
#[must_use]
pub fn promise(
    problem: &Problem<'_>,
    customers: &Customers,
    recipe: &Recipe,
    ask: &Ask<'_>,
) -> Answer {
    let mut asker = Asker::new(problem, customers, recipe, ask);
    let why_not = asker.why_not();
    let offer = asker.try_on(ask.arrive_on, asker.amount);
    let mut answer = Answer {
        customer: ask.customer.id,
        wheels: offer.wheels + offer.short,
        arrive_on: ask.arrive_on,
        yes: offer.is_sure(ask.certainty),
        why_not,
        offer,
        later: None,
        earlier: None,
        fewer: None,
        words: String::new(),
    };
    if !answer.yes {
        let days = |sign: i64| (1..=WEEKS * 7).map(move |n| ask.arrive_on.plus(sign * n));
        answer.later = asker.first_that_does(days(1));
        answer.earlier = asker.first_that_does(days(-1));
        answer.fewer = asker.most_that_is_sure(answer.wheels);
    }
    answer.words = words(&answer, ask);
    answer
}

struct Asker<'a> {
    problem: &'a Problem<'a>,
    customers: &'a Customers,
    recipe: &'a Recipe,
    ask: &'a Ask<'a>,
    amount: Amount,
    /// Every order, as given word, and the question at the end.
    lines: Vec<Wanted>,
    memory: Memory,
}

impl<'a> Asker<'a> {
    fn new(
        problem: &'a Problem<'a>,
        customers: &'a Customers,
        recipe: &'a Recipe,
        ask: &'a Ask<'a>,
    ) -> Self {
        let mut lines = problem.lines.to_vec();
        lines.iter_mut().for_each(|line| line.word_given = true);
        let wheels = usize::try_from(ask.line.wheels).unwrap_or(usize::MAX);
        Self {
            amount: match ask.line.weight_g {
                Some(grams) if wheels == 0 => Amount::Grams(grams.get()),
                _ => Amount::Wheels(wheels),
            },
            problem,
            customers,
            recipe,
            ask,
            lines,
            memory: Memory::default(),
        }
    }

    /// The problem with the question put for a day.
    fn put(&mut self, arrive_on: DairyDay, amount: Amount) -> Problem<'_> {
        self.lines.truncate(self.problem.lines.len());
        let key = LineKey {
            arrive_on,
            order: self.ask.order,
            line: 1,
        };
        self.lines.push(wanted::want(
            key,
            &self.ask.line,
            amount,
            Vec::new(),
            (self.ask.customer, self.ask.market),
            self.recipe,
            self.customers,
            self.problem.now,
        ));
        Problem {
            lines: &self.lines,
            until: self.problem.until.max(arrive_on),
            ..*self.problem
        }
    }

    /// Why it is not all.
    fn why_not(&mut self) -> Option<Shortage> {
        let (day, amount) = (self.ask.arrive_on, self.amount);
        let allocation = allocate(&self.put(day, amount), &mut Memory::default());
        allocation.lines.into_iter().next_back()?.shortage
    }

    fn try_on(&mut self, arrive_on: DairyDay, amount: Amount) -> Offer {
        let mut memory = std::mem::take(&mut self.memory);
        let problem = self.put(arrive_on, amount);
        let settled = solve(&problem, &mut memory);
        let offer = Offer::of(&problem, &settled, arrive_on);
        self.memory = memory;
        offer
    }

    /// The first of some days for which all of it can be promised, sure enough.
    fn first_that_does(&mut self, days: impl Iterator<Item = DairyDay>) -> Option<Offer> {
        let (today, certainty, amount) = (self.problem.now.today, self.ask.certainty, self.amount);
        for day in days.take_while(|day| *day >= today) {
            let mut lanes = self.customers.lanes_of(self.ask.customer);
            if lanes.any(|lane| lane.delivers_on(day)) {
                let offer = self.try_on(day, amount);
                if offer.is_sure(certainty) {
                    return Some(offer);
                }
            }
        }
        None
    }

    /// The most wheels that are sure enough on the day itself, by halving.
    fn most_that_is_sure(&mut self, all: usize) -> Option<Offer> {
        let (day, certainty) = (self.ask.arrive_on, self.ask.certainty);
        let (mut sure, mut unsure) = (0, all);
        let mut best = None;
        while unsure - sure > 1 {
            let half = sure.midpoint(unsure);
            let offer = self.try_on(day, Amount::Wheels(half));
            if offer.is_sure(certainty) {
                sure = half;
                best = Some(offer);
            } else {
                unsure = half;
            }
        }
        best
    }
}

impl Offer {
    /// What the last line of a problem was given.
    fn of(problem: &Problem<'_>, settled: &Settled, arrive_on: DairyDay) -> Self {
        let line = problem.lines.len() - 1;
        let mut shares: Vec<&Share> = settled
            .shares
            .iter()
            .filter(|share| share.line == line)
            .collect();
        let lots = &problem.stock.lots;
        shares.sort_by_key(|share| {
            (
                share.way.leave_on,
                lots[share.lot].made,
                lots[share.lot].key,
            )
        });
        let from = shares.iter().map(|share| {
            let lot = &lots[share.lot];
            let arrives = share.way.arrivals.likely().unwrap_or(share.way.leave_on);
            let age_days = arrives.days_since(lot.made);
            Part {
                source: lot.key.source,
                grade: lot.key.grade,
                graded: lot.key.graded,
                wheels: share.wheels(),
                lane: share.way.lane,
                leave_on: share.way.leave_on,
                age_days,
                life_days: lot.recipe.best_before_days - age_days,
                ready: share.fit.ready,
            }
        });
        let grams = shares
            .iter()
            .map(|share| u64::from(lots[share.lot].mean_g) * share.wheels() as u64);
        let fits = shares
            .iter()
            .map(|share| (lots[share.lot].key.source, &share.way, share.fit));
        let short = settled.short.get(line).copied().unwrap_or(0);
        Self {
            arrive_on,
            wheels: shares.iter().map(|share| share.wheels()).sum(),
            short: usize::try_from(short).unwrap_or_default(),
            grams: grams.sum(),
            certainty: deal::certainty(fits),
            from: from.collect(),
        }
    }

    /// Whether it is all that was asked for, and so sure.
    #[must_use]
    pub fn is_sure(&self, certainty: f64) -> bool {
        self.short == 0 && self.wheels > 0 && self.certainty >= certainty
    }

    /// `24 from batch 311 (grade A) and 36 from batch 312 (grade A expected)`
    fn parts_in_words(&self) -> String {
        let parts = self.from.iter().map(|part| {
            let expected = if part.graded { "" } else { " expected" };
            format!(
                "{} from {} (grade {}{expected})",
                part.wheels, part.source, part.grade
            )
        });
        parts.collect::<Vec<_>>().join(" and ")
    }
}

fn words(answer: &Answer, ask: &Ask<'_>) -> String {
    let percent = |share: f64| format!("{:.0} %", (share * 100.0).floor());
    let offer = &answer.offer;
    if answer.yes {
        return format!(
            "yes: {}, {} sure for {}",
            offer.parts_in_words(),
            percent(offer.certainty),
            offer.arrive_on
        );
    }
    let mut words = if offer.short > 0 {
        format!(
            "not all of it for {}: {} of {}",
            answer.arrive_on, offer.wheels, answer.wheels
        )
    } else {
        format!(
            "not sure enough for {}: {}, {} are asked for",
            answer.arrive_on,
            percent(offer.certainty),
            percent(ask.certainty)
        )
    };
    let mut nearest: Vec<String> = Vec::new();
    if let Some(fewer) = &answer.fewer {
        nearest.push(format!(
            "{} for that day ({} sure)",
            fewer.wheels,
            percent(fewer.certainty)
        ));
    }
    for other in [&answer.earlier, &answer.later].into_iter().flatten() {
        nearest.push(format!(
            "all {} for {} ({} sure)",
            other.wheels,
            other.arrive_on,
            percent(other.certainty)
        ));
    }
    if nearest.is_empty() {
        words.push_str(&format!("; nothing near within {WEEKS} weeks"));
    } else {
        words.push_str(&format!("; nearest: {}", nearest.join(", or ")));
    }
    words
}
