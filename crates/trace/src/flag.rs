//! What cannot be right in the records of a trace, or has to be known before acting on it.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use chrono::{DateTime, NaiveDate, Utc};
use facts::{BatchId, Event, HoldId, LotId, Scope, WheelId};
use holds::Moment;
use serde::{Serialize, Serializer};

use crate::act::Act;
use crate::family::{Family, Node};
use crate::hold::ledger_and_end;
use crate::index::Index;
use crate::{Link, Place};

/// Something that a person has to look at.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub enum Flag {
    /// Asked about something that no fact speaks of.
    NeverHeardOf(Node),
    /// A lot that nobody received.
    NeverReceived(LotId),
    /// A lot that was used before it came in: a clock is wrong, or a code.
    UsedBeforeReceived(LotId, BatchId),
    /// A lot that was used after its last day.
    UsedAfterItsDay(LotId, BatchId, NaiveDate),
    /// A lot that failed a screening and was used.
    FailedScreening(LotId, BatchId),
    /// Milk of which no heat treatment is recorded.
    Raw(LotId),
    /// A message from a supplier said more than was understood.
    Unread(LotId),
    /// Lots and batches that went into each other.
    Ring(BTreeSet<Node>),
    /// Two wheels may carry one serial.
    BornTwice(WheelId),
    /// Never portioned here.
    NotPortioned(WheelId),
    /// Something happened to it before it was portioned: a clock went back.
    BeforeItsBirth(WheelId),
    /// It left while held.
    LeftWhileHeld(WheelId, HoldId),
    /// It left without an order: nobody can say to whom.
    LeftWithoutOrder(WheelId),
    /// A batch of several milk lots, where no fact tells how much of which.
    MilkNotSplit(BatchId),
    /// Surfaces whose cleaning is never recorded: contact over them counts for one run only.
    NeverCleaned(BTreeSet<Place>),
    /// A hold of which nobody has said yet which wheels it keeps.
    StillWorkedOut(HoldId),
    /// The time that is asked about ends in the future: more may come into it.
    NotOver(DateTime<Utc>, DateTime<Utc>),
}

impl fmt::Display for Flag {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::NeverHeardOf(node) => write!(f, "no fact speaks of {node}: check the code"),
            Self::NeverReceived(lot) => write!(
                f,
                "lot {lot} was used, but no fact says that it came in: find its delivery note"
            ),
            Self::UsedBeforeReceived(lot, batch) => write!(
                f,
                "lot {lot} went into batch {batch} before it came in: a clock or a code is wrong"
            ),
            Self::UsedAfterItsDay(lot, batch, day) => {
                write!(
                    f,
                    "lot {lot} went into batch {batch} after its last day, {day}"
                )
            }
            Self::FailedScreening(lot, batch) => {
                write!(
                    f,
                    "lot {lot} failed a screening and went into batch {batch}"
                )
            }
            Self::Raw(lot) => write!(
                f,
                "no heat treatment of milk lot {lot} is recorded: treat what is made of it as raw-milk cheese"
            ),
            Self::Unread(lot) => write!(
                f,
                "the message that lot {lot} came with said more than was understood: read it"
            ),
            Self::Ring(nodes) => {
                let names: Vec<String> = nodes.iter().map(ToString::to_string).collect();
                write!(
                    f,
                    "by the records these went into each other: {}",
                    names.join(", ")
                )
            }
            Self::BornTwice(wheel) => {
                write!(
                    f,
                    "{wheel} was portioned twice: two wheels may carry this serial"
                )
            }
            Self::NotPortioned(wheel) => {
                write!(
                    f,
                    "{wheel} was never portioned here: its batch is not known"
                )
            }
            Self::BeforeItsBirth(wheel) => write!(
                f,
                "something happened to {wheel} before it was portioned: a station's clock was wrong"
            ),
            Self::LeftWhileHeld(wheel, hold) => write!(f, "{wheel} left while hold {hold} kept it"),
            Self::LeftWithoutOrder(wheel) => {
                write!(f, "{wheel} left without an order: nobody can say to whom")
            }
            Self::MilkNotSplit(batch) => write!(
                f,
                "batch {batch} took milk of several lots, and no fact says how much of which"
            ),
            Self::NeverCleaned(places) => {
                let names: Vec<String> = places.iter().take(4).map(ToString::to_string).collect();
                let more = places.len().saturating_sub(names.len());
                let more = if more > 0 {
                    format!(" and {more} more")
                } else {
                    String::new()
                };
                write!(
                    f,
                    "cleaning of {}{more} is never recorded: contact over them is counted for {} h only; ask the cleaning plan",
                    names.join(", "),
                    crate::contact::RUN.num_hours()
                )
            }
            Self::StillWorkedOut(hold) => write!(
                f,
                "hold {hold} is still being worked out: wheels may be missing from its list on the Holds page, and it is shown at wheels that it may not keep in the end. Until that is done no such wheel may leave; ask again in a minute"
            ),
            Self::NotOver(to, now) => write!(
                f,
                "the time asked about ends at {}: what is known reaches to {}, and wheels may come into it until then",
                minute(*to),
                minute(*now)
            ),
        }
    }
}

fn minute(at: DateTime<Utc>) -> String {
    at.format("%Y-%m-%d %H:%M UTC").to_string()
}

impl Serialize for Flag {
    fn serialize<S: Serializer>(&self, s: S) -> Result<S::Ok, S::Error> {
        s.collect_str(self)
    }
}

/// Holds of which it is still being worked out which wheels they keep.
pub(crate) fn of_holds(index: &Index, flags: &mut BTreeSet<Flag>) {
    let last_birth = index.counts.last_birth;
    let laid = index.laid().into_iter();
    let unfinished = laid.filter(|laid| {
        laid.is_untraced() || last_birth.is_some_and(|birth| laid.is_traced_before(birth))
    });
    flags.extend(unfinished.map(|laid| Flag::StillWorkedOut(laid.placed.hold)));
}

/// A time that is not over yet.
pub(crate) fn of_time(about: &Scope, now: DateTime<Utc>, flags: &mut BTreeSet<Flag>) {
    let to = about.window().and_then(|window| window.to);
    flags.extend(to.filter(|to| *to > now).map(|to| Flag::NotOver(to, now)));
}

/// What was asked about and is not known.
pub(crate) fn of_question(index: &Index, about: &Scope, flags: &mut BTreeSet<Flag>) {
    let asked: Vec<Node> = match about {
        Scope::Lot(lot) => vec![Node::Lot(*lot)],
        Scope::Batch(batch) => vec![Node::Batch(*batch)],
        Scope::Wheels(wheels) => wheels.iter().map(|wheel| Node::Wheel(*wheel)).collect(),
        _ => Vec::new(),
    };
    let unknown = asked.into_iter().filter(|node| !index.speaks_of(*node));
    flags.extend(unknown.map(Flag::NeverHeardOf));
}

/// A wheel's own records: what cannot be right about them.
pub(crate) fn of_wheel(index: &Index, wheel: WheelId, flags: &mut BTreeSet<Flag>) {
    let life = index.life(wheel);
    let mut births = 0;
    let (ledger, _) = ledger_and_end(&life);
    let course = index.course_of(&ledger);
    let laid = index.laid();
    let over = index.over(wheel, course.as_ref(), &laid);
    for entry in life {
        match entry.said.act {
            Act::Portioned { .. } => births += 1,
            Act::Held { .. } => {}
            Act::Dispatched { order, .. } => {
                let held = ledger.holds_before(over, Moment::new(entry.at, entry.id));
                flags.extend(held.iter().map(|h| Flag::LeftWhileHeld(wheel, h.hold)));
                if order.is_none() && index.story(wheel).order.is_none() {
                    flags.insert(Flag::LeftWithoutOrder(wheel));
                }
            }
            _ if births == 0 => {
                flags.insert(Flag::BeforeItsBirth(wheel));
            }
            _ => {}
        }
    }
    match births {
        0 => {
            flags.remove(&Flag::BeforeItsBirth(wheel));
            flags.insert(Flag::NotPortioned(wheel));
        }
        1 => {}
        _ => {
            flags.insert(Flag::BornTwice(wheel));
        }
    }
}

/// What is known of a lot's coming in.
#[derive(Default)]
struct Arrival {
    at: Option<DateTime<Utc>>,
    use_by: Option<NaiveDate>,
    failed: bool,
    heated: bool,
    unread: bool,
}

fn arrival(index: &Index, lot: LotId) -> Arrival {
    let mut arrival = Arrival::default();
    for fact in index.of_lot(lot) {
        match &fact.event {
            Event::MilkReceived(e) => {
                arrival.at.get_or_insert(fact.occurred_at);
                arrival.unread |= e.extensions.is_some();
            }
            Event::MilkPooled(e) if e.lot == lot => {
                arrival.at.get_or_insert(fact.occurred_at);
            }
            Event::LotReceived(e) => {
                arrival.at.get_or_insert(fact.occurred_at);
                arrival.use_by = e.use_by;
                arrival.unread |= e.extensions.is_some();
            }
            Event::MilkScreened(e) => arrival.failed |= !e.passed,
            Event::MilkPasteurised(_) | Event::MilkHeated(_) => arrival.heated = true,
            _ => {}
        }
    }
    arrival
}

/// Lots and batches: what cannot be right about the way from one to the other.
pub(crate) fn of_family(
    index: &Index,
    lots: &BTreeSet<LotId>,
    batches: &BTreeSet<BatchId>,
    families: &[Family],
    flags: &mut BTreeSet<Flag>,
) {
    let arrivals: BTreeMap<LotId, Arrival> = lots
        .iter()
        .map(|lot| (*lot, arrival(index, *lot)))
        .collect();
    for batch in batches {
        let mut milk = BTreeSet::new();
        for step in index.from(Node::Batch(*batch)) {
            let Node::Lot(lot) = step.to else {
                continue;
            };
            if step.link == Link::Milk {
                milk.insert(lot);
            }
            let Some(arrival) = arrivals.get(&lot) else {
                continue;
            };
            if arrival.at.is_some_and(|at| step.at < at) {
                flags.insert(Flag::UsedBeforeReceived(lot, *batch));
            }
            if let Some(day) = arrival.use_by
                && step.at.date_naive() > day
            {
                flags.insert(Flag::UsedAfterItsDay(lot, *batch, day));
            }
            if arrival.failed {
                flags.insert(Flag::FailedScreening(lot, *batch));
            }
            if step.link == Link::Milk && !arrival.heated {
                flags.insert(Flag::Raw(lot));
            }
        }
        let split = milk.len() < 2 || index.is_filled(*batch);
        if !split {
            flags.insert(Flag::MilkNotSplit(*batch));
        }
    }
    for (lot, arrival) in &arrivals {
        if arrival.at.is_none() && index.speaks_of(Node::Lot(*lot)) {
            flags.insert(Flag::NeverReceived(*lot));
        }
        if arrival.unread {
            flags.insert(Flag::Unread(*lot));
        }
    }
    for family in families.iter().filter(|family| !family.rings.is_empty()) {
        flags.insert(Flag::Ring(family.rings.clone()));
    }
}
