//! What a customer is told, from an allocation: from then on it is kept to.

use facts::{OrderConfirmed, OrderId, Promised};
use quantity::DairyDay;

use crate::allocation::Allocation;
use crate::stock::Source;

/// Why nothing can be told yet.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotYet {
    /// Nothing of the order is still open on that day.
    #[error("order {order} has nothing open that arrives on {day}{}", others(.open))]
    NotOpen {
        /// The order.
        order: OrderId,
        /// The day.
        day: DairyDay,
        /// Days on which it has something open.
        open: Vec<DairyDay>,
    },
    /// Nothing of the order is open at all.
    #[error("order {0} has nothing open: it is not placed, cancelled, or has all it asks for")]
    Nothing(OrderId),
    /// Some wheels are missing.
    #[error(
        "short of {short}: {why}. Say --partly where they were told of the {there} that are there"
    )]
    Short {
        /// How many are missing.
        short: usize,
        /// How many are there.
        there: usize,
        /// Why.
        why: String,
    },
    /// The wheels of a vat that is not made yet cannot be told of.
    #[error("{0} is not made yet: nothing can be told of it")]
    NotMade(Source),
    /// No wheel is given.
    #[error("no wheel is there for it: {0}")]
    NoWheel(String),
}

fn others(open: &[DairyDay]) -> String {
    let days: Vec<String> = open.iter().map(|day| day.date().to_string()).collect();
    if days.is_empty() {
        String::new()
    } else {
        format!("; it has on {}", days.join(", "))
    }
}

/// What the customer of an order is told of an arrival; of the next one that is open where
/// no day is named. `partly`: also when wheels are missing.
///
/// # Errors
/// [`NotYet`] says what is in the way.
pub fn confirm(
    allocation: &Allocation,
    order: OrderId,
    arrive_on: Option<DairyDay>,
    partly: bool,
) -> Result<OrderConfirmed, NotYet> {
    let of_order = || allocation.lines.iter().filter(|l| l.key.order == order);
    let mut open: Vec<DairyDay> = of_order().map(|line| line.key.arrive_on).collect();
    open.dedup();
    let next = open.first().copied().ok_or(NotYet::Nothing(order))?;
    let day = arrive_on.unwrap_or(next);
    if !open.contains(&day) {
        return Err(NotYet::NotOpen { order, day, open });
    }
    let lines = || of_order().filter(|line| line.key.arrive_on == day);
    let mut promised: Vec<Promised> = Vec::new();
    for line in lines() {
        for part in &line.assigned {
            let Source::Batch(batch) = part.source else {
                return Err(NotYet::NotMade(part.source));
            };
            let wheels = u32::try_from(part.count).unwrap_or(u32::MAX);
            let same = promised.iter_mut().find(|told| {
                told.line == line.key.line
                    && told.batch == batch
                    && told.grade == part.grade
                    && told.leave_on == part.leave_on.date()
                    && told.lane == part.lane
            });
            match same {
                Some(told) => told.wheels += wheels,
                None => promised.push(Promised {
                    line: line.key.line,
                    batch,
                    grade: part.grade,
                    wheels,
                    leave_on: part.leave_on.date(),
                    lane: part.lane,
                }),
            }
        }
    }
    let short: usize = lines().map(|line| line.short).sum();
    let why = || {
        let mut words = lines().filter_map(|line| {
            let short = line.shortage.as_ref().map(|short| short.words.clone());
            short.or_else(|| line.trouble.clone())
        });
        words.next().unwrap_or_default()
    };
    let there: usize = lines().map(|line| line.assigned_count()).sum();
    if there == 0 {
        return Err(NotYet::NoWheel(why()));
    }
    if short > 0 && !partly {
        return Err(NotYet::Short {
            short,
            there,
            why: why(),
        });
    }
    Ok(OrderConfirmed {
        order,
        arrive_on: day.date(),
        promised,
    })
}
