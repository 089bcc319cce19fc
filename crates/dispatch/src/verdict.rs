//! May this wheel leave, for this line, by this lane, today? What the dispatch station
//! asks for every wheel before it goes.
//!
//! It only ever says no for more reasons than others have: it lifts no hold, and a wheel
//! that may leave by it still needs the online check of holds.

use facts::{Grade, HoldId, MarketId, OrderId, RecipeId, WheelId};
use quantity::DairyDay;
use serde::{Deserialize, Serialize};

use crate::customers::Lane;
use crate::explain::kilograms;
use crate::stock::{Cheese, Kept};
use crate::wanted::Wanted;

/// Whether a wheel may leave.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// Nothing is known against it.
    Go {
        /// What the person may want to know all the same.
        note: Option<String>,
    },
    /// It must stay, for each of these reasons.
    Stop(Vec<Reason>),
}

/// Why a wheel must stay.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Reason {
    /// No fact speaks of a wheel with this serial that stands here.
    Unknown(WheelId),
    /// Something keeps it from being sold.
    Kept(Kept),
    /// A hold that every wheel of its recipe is born under was not released.
    NotReleased(HoldId),
    /// Nobody has graded it.
    NotGraded,
    /// Its grade is lower than what was ordered.
    GradeTooLow(Grade),
    /// The market does not take its grade.
    MarketGrade(Grade, MarketId),
    /// Another cheese was ordered.
    OtherRecipe(RecipeId),
    /// It is reserved for another order.
    Reserved(OrderId),
    /// Its weight was not ordered, g.
    Weight(u32),
    /// Younger on the earliest arrival than the law there allows: its age then, and the
    /// least.
    UnderAge(i64, i64),
    /// Too near best-before on arrival: days left then, and the least.
    OverAge(i64, i64),
    /// Outside the ages that were ordered: its age on arrival, and what was ordered.
    OutsideWindow(i64, (i64, i64)),
}

impl Reason {
    /// In words, with what to do.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Unknown(wheel) => {
                format!(
                    "no wheel {wheel} stands here by the records: set it aside and ask the office"
                )
            }
            Self::Kept(kept) => format!("{}: set it aside", kept.words()),
            Self::NotReleased(hold) => {
                format!("not released from {hold}: a named person must release it first")
            }
            Self::NotGraded => "not graded: grade it first".to_owned(),
            Self::GradeTooLow(grade) => format!("grade {grade} is lower than ordered"),
            Self::MarketGrade(grade, market) => {
                format!("market {market} does not take grade {grade}")
            }
            Self::OtherRecipe(recipe) => format!("it is {recipe}, which was not ordered"),
            Self::Reserved(order) => format!("reserved for order {order}"),
            Self::Weight(grams) => format!("weighs {}, which was not ordered", kilograms(*grams)),
            Self::UnderAge(age, least) => {
                format!("{age} days old on arrival: the law there asks for {least}")
            }
            Self::OverAge(left, least) => {
                format!("{left} days left before best-before on arrival: {least} are needed")
            }
            Self::OutsideWindow(age, (least, most)) => {
                format!("{age} days old on arrival: {least} to {most} were ordered")
            }
        }
    }
}

impl Verdict {
    /// The verdict on a serial that no wheel here has.
    #[must_use]
    pub fn unknown(wheel: WheelId) -> Self {
        Self::Stop(vec![Reason::Unknown(wheel)])
    }

    /// Whether it may leave.
    #[must_use]
    pub const fn is_go(&self) -> bool {
        matches!(self, Self::Go { .. })
    }

    /// In words.
    #[must_use]
    pub fn words(&self) -> String {
        match self {
            Self::Go { note: None } => "may leave".to_owned(),
            Self::Go { note: Some(note) } => format!("may leave; {note}"),
            Self::Stop(reasons) => {
                let reasons: Vec<String> = reasons.iter().map(Reason::words).collect();
                format!("STOP: {}", reasons.join("; "))
            }
        }
    }
}

/// Whether a wheel may leave for a line by a lane, today or with the lane's next shipment.
#[must_use]
pub fn may_leave(cheese: &Cheese, line: &Wanted, lane: &Lane, today: DairyDay) -> Verdict {
    let mut reasons = Vec::new();
    reasons.extend(cheese.kept.map(Reason::Kept));
    if !matches!(cheese.kept, Some(Kept::Held(_) | Kept::HeldUntraced(_))) {
        reasons.extend(cheese.awaits.map(Reason::NotReleased));
    }
    if cheese.recipe.id != line.recipe {
        reasons.push(Reason::OtherRecipe(cheese.recipe.id));
    }
    let reserved = cheese.reserved.filter(|order| *order != line.key.order);
    reasons.extend(reserved.map(Reason::Reserved));
    match cheese.grade {
        None => reasons.push(Reason::NotGraded),
        Some(grade) if grade > line.grade => reasons.push(Reason::GradeTooLow(grade)),
        Some(grade) => {
            let theirs = cheese.recipe.market(line.market);
            if theirs.is_some_and(|market| !market.takes(grade)) {
                reasons.push(Reason::MarketGrade(grade, line.market));
            }
        }
    }
    let weight = cheese.weight_g;
    if line
        .each_g
        .is_some_and(|each| weight < each.least_g.get() || weight > each.most_g.get())
    {
        reasons.push(Reason::Weight(weight));
    }
    let arrivals = lane.arrivals(lane.next_leaving(today).unwrap_or(today));
    let age = |day: DairyDay| day.days_since(cheese.made);
    let youngest = arrivals.first().map_or_else(|| age(today), age);
    let likely = arrivals.likely().map_or_else(|| age(today), age);
    if let Some(least) = line.window.legal_least.filter(|least| youngest < *least) {
        reasons.push(Reason::UnderAge(youngest, least));
    }
    let life = cheese.recipe.best_before_days - likely;
    if life < line.least_life_days.max(0) {
        reasons.push(Reason::OverAge(life, line.least_life_days.max(0)));
    }
    let within = line.window.holds(likely);
    if line.window.asked && !within {
        let ordered = (line.window.least, line.window.most);
        reasons.push(Reason::OutsideWindow(likely, ordered));
    }
    if reasons.is_empty() {
        let note = (!within).then(|| {
            format!(
                "{likely} days old on arrival, best at {} to {}",
                line.window.least, line.window.most
            )
        });
        Verdict::Go { note }
    } else {
        Verdict::Stop(reasons)
    }
}
