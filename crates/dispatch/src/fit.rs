//! Whether wheels of a lot may go to a line by a way, and how well.

use chrono::Datelike as _;
use quantity::DairyDay;

use crate::stock::Lot;
use crate::wanted::{Shipment, Wanted};

/// Below this probability of being ready in time, wheels are not promised.
pub const LEAST_CHANCE: f64 = 0.5;

/// How well wheels of a lot suit a line by a way; probabilities of 0 to 1.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Fit {
    /// Of being ready by the day it leaves.
    pub ready: f64,
    /// Of arriving by the day that was asked for, once it has left.
    pub on_time: f64,
    /// Of arriving within the window of ages, once it has left.
    pub in_window: f64,
    /// Whether the order itself asks for the window.
    pub window_asked: bool,
}

impl Fit {
    /// The probability that the promise is kept.
    #[must_use]
    pub fn kept(&self) -> f64 {
        let window = if self.window_asked {
            self.in_window
        } else {
            1.0
        };
        self.ready * self.on_time * window
    }

    /// The probability of arriving outside the window.
    #[must_use]
    pub fn outside(&self) -> f64 {
        self.ready * (1.0 - self.in_window)
    }
}

/// Why wheels of a lot may not go to a line by a way.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Misfit {
    /// Another cheese.
    Recipe,
    /// Reserved for another order.
    Reserved,
    /// Of a lower grade than the line accepts.
    Grade,
    /// Of a grade that the market does not take.
    MarketGrade,
    /// Lighter or heavier than the line accepts.
    Weight,
    /// Younger on arrival than the law there allows; its age then.
    UnderLegalAge(i64),
    /// Too near best-before on arrival; days left then.
    TooLittleLife(i64),
    /// Likely outside the window of ages that the order asks for; its likely age then.
    OutsideWindow(i64),
    /// Likely not ready by the day it leaves; how likely it is.
    NotReady(f64),
    /// Still waits for a release that every wheel of its recipe waits for.
    NotReleased,
}

/// Judges wheels of a lot for a line by a way. What takes longest to say no is asked last.
///
/// # Errors
/// The first reason why they may not go.
pub fn fit(lot: &Lot, line: &Wanted, way: &Shipment, today: DairyDay) -> Result<Fit, Misfit> {
    if lot.key.recipe != line.recipe {
        return Err(Misfit::Recipe);
    }
    if lot
        .key
        .reserved
        .is_some_and(|order| order != line.key.order)
    {
        return Err(Misfit::Reserved);
    }
    if lot.key.grade > line.grade {
        return Err(Misfit::Grade);
    }
    if let Some(each) = line.each_g
        && (lot.weighs_g.0 < each.least_g.get() || lot.weighs_g.1 > each.most_g.get())
    {
        return Err(Misfit::Weight);
    }
    // Millions of pairs are judged: counting days this way is several times quicker.
    let made = i64::from(lot.made.date().num_days_from_ce());
    let age = |day: DairyDay| i64::from(day.date().num_days_from_ce()) - made;
    // The law holds for every wheel: the earliest arrival counts.
    let youngest = way.arrivals.first().map_or(0, age);
    if line
        .window
        .legal_least
        .is_some_and(|least| youngest < least)
    {
        return Err(Misfit::UnderLegalAge(youngest));
    }
    let likely = way.arrivals.likely().map_or(0, age);
    let life = lot.recipe.best_before_days - likely;
    if life < line.least_life_days {
        return Err(Misfit::TooLittleLife(life));
    }
    let in_window = way.arrivals.share(|day| line.window.holds(age(day)));
    if line.window.asked && in_window < LEAST_CHANCE {
        return Err(Misfit::OutsideWindow(likely));
    }
    let ready = lot.readiness.p_ready_by(way.leave_on);
    if ready < LEAST_CHANCE {
        return Err(Misfit::NotReady(ready));
    }
    if lot.key.awaits.is_some() && way.leave_on <= today {
        return Err(Misfit::NotReleased);
    }
    let theirs = lot.recipe.market(line.market);
    if theirs.is_some_and(|market| !market.takes(lot.key.grade)) {
        return Err(Misfit::MarketGrade);
    }
    Ok(Fit {
        ready,
        on_time: way.on_time,
        in_window,
        window_asked: line.window.asked,
    })
}

/// The way that wheels of a lot take to a line: the first that they are ready for. Comes
/// with its place among the line's ways.
///
/// # Errors
/// Why they may not go by the first way.
pub fn best_way(lot: &Lot, line: &Wanted, today: DairyDay) -> Result<(usize, Fit), Misfit> {
    // Not even ready for the last: there is no need to look at each.
    if let (Some(first), Some(last)) = (line.ways.first(), line.ways.last())
        && lot.key.recipe == line.recipe
        && lot.readiness.p_ready_by(last.leave_on) < LEAST_CHANCE
    {
        return fit(lot, line, first, today).map(|fit| (0, fit));
    }
    let mut why = None;
    for (place, way) in line.ways.iter().enumerate() {
        match fit(lot, line, way, today) {
            Ok(fit) => return Ok((place, fit)),
            Err(misfit) => {
                let first = *why.get_or_insert(misfit);
                // Waiting helps only wheels that are not ready, released or old enough yet.
                let may_pass = matches!(
                    misfit,
                    Misfit::NotReady(_) | Misfit::NotReleased | Misfit::UnderLegalAge(_)
                ) || matches!(misfit, Misfit::OutsideWindow(age) if age < line.window.least);
                if !may_pass {
                    return Err(first);
                }
            }
        }
    }
    Err(why.unwrap_or(Misfit::Recipe))
}
