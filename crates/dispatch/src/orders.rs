//! The order book: facts about orders in, in any order; what each order now says out.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Days, NaiveDate};
use facts::{
    Event, Fact, MarketId, OrderCancelled, OrderChanged, OrderConfirmed, OrderId, OrderLine,
    OrderPacked, OrderPlaced, OrderRefused, OrderSubstituted, Promised, Sscc, Standing, WheelId,
};
use quantity::{DairyClock, DairyDay};
use ripening::{Moment, Target, Voiding, Voids};
use serde::{Deserialize, Serialize};

/// Most arrivals of a standing order that are worked out at once.
const MOST_ARRIVALS: usize = 520;

/// Every fact about orders, folded.
#[derive(Debug, Clone, Default)]
pub struct OrderBook {
    notes: BTreeMap<OrderId, BTreeMap<Moment, Noted>>,
    voids: Voids,
    /// Every number that a case or a pallet was ever given: by which fact, for which order.
    numbers: BTreeMap<Sscc, BTreeSet<Given>>,
}

/// One use of a case number.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Given {
    by: Target,
    order: OrderId,
    /// For a pallet, whose number every case on it names.
    pallet: bool,
}

/// What one fact says of an order, and who takes it back.
#[derive(Debug, Clone, PartialEq)]
struct Noted {
    target: Target,
    note: Note,
}

#[derive(Debug, Clone, PartialEq)]
enum Note {
    Placed(OrderPlaced),
    Changed(OrderChanged),
    Cancelled(OrderCancelled),
    Confirmed(OrderConfirmed),
    Substituted(OrderSubstituted),
    Packed(OrderPacked),
    Refused(OrderRefused),
    Sent(Vec<WheelId>),
    Arrived(Vec<WheelId>),
}

/// What an order now says.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Order {
    /// The order.
    pub id: OrderId,
    /// Who ordered.
    pub customer: String,
    /// The market it goes to.
    pub market: MarketId,
    /// The day it must arrive; of a standing order, the first.
    pub arrive_on: NaiveDate,
    /// Its lines.
    pub lines: Vec<OrderLine>,
    /// Whether it comes again.
    pub standing: Option<Standing>,
    /// When it came in.
    pub placed: Moment,
    /// Why it was cancelled, if it was.
    pub cancelled: Option<String>,
    /// What the customer was told, by arrival.
    pub told: BTreeMap<NaiveDate, Vec<Promised>>,
    /// Wheels that left for it, in order.
    pub sent: Vec<(WheelId, Moment)>,
    /// Wheels that arrived.
    pub arrived: BTreeMap<WheelId, Moment>,
    /// Wheels that were refused, and why.
    pub refused: BTreeMap<WheelId, String>,
    /// Its cases.
    pub packed: Vec<OrderPacked>,
    /// Wheels that were taken instead of others.
    pub substituted: Vec<OrderSubstituted>,
    /// What cannot be right about it.
    pub odd: Vec<Odd>,
}

/// What can be odd about an order: kept, and shown to a person.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Odd {
    /// Placed a second time with other content; the first stands.
    PlacedTwice,
    /// Changed or confirmed after it was cancelled.
    AfterCancelled,
    /// Cancelled a second time.
    CancelledTwice,
    /// A case or pallet of it carries a number that another one carries too.
    NumberTwice,
}

impl Odd {
    /// In words, with what to do.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::PlacedTwice => {
                "placed a second time with other content: the first stands. Change it, or place it under a number of its own"
            }
            Self::AfterCancelled => {
                "changed or confirmed after it was cancelled: place it anew under another number"
            }
            Self::CancelledTwice => "cancelled twice",
            Self::NumberTwice => {
                "a case or pallet carries a number that another one carries too: correct the record, and pack and label one of them anew"
            }
        }
    }
}

impl OrderBook {
    /// Whether a fact says anything to an order book.
    #[must_use]
    pub const fn rests_on(event: &Event) -> bool {
        match event {
            Event::OrderPlaced(_)
            | Event::OrderChanged(_)
            | Event::OrderCancelled(_)
            | Event::OrderConfirmed(_)
            | Event::OrderSubstituted(_)
            | Event::OrderPacked(_)
            | Event::OrderRefused(_)
            | Event::Voided(_) => true,
            Event::WheelDispatched(e) => e.order.is_some(),
            Event::WheelDelivered(e) => e.order.is_some(),
            _ => false,
        }
    }

    /// Folds one fact; what is not about orders is passed over. A fact that comes twice
    /// counts once.
    pub fn apply(&mut self, fact: &Fact) {
        let (order, note) = match &fact.event {
            Event::OrderPlaced(e) => (e.order, Note::Placed(e.clone())),
            Event::OrderChanged(e) => (e.order, Note::Changed(e.clone())),
            Event::OrderCancelled(e) => (e.order, Note::Cancelled(e.clone())),
            Event::OrderConfirmed(e) => (e.order, Note::Confirmed(e.clone())),
            Event::OrderSubstituted(e) => (e.order, Note::Substituted(e.clone())),
            Event::OrderPacked(e) => (e.order, Note::Packed(e.clone())),
            Event::OrderRefused(e) => (e.order, Note::Refused(e.clone())),
            Event::WheelDispatched(e) => match e.order {
                Some(order) => (order, Note::Sent(e.wheels.clone())),
                None => return,
            },
            Event::WheelDelivered(e) => match e.order {
                Some(order) => (order, Note::Arrived(e.wheels.clone())),
                None => return,
            },
            Event::Voided(e) => {
                self.voids.add(Voiding::of(fact, e));
                return;
            }
            _ => return,
        };
        if let Note::Packed(packed) = &note {
            self.number_given(Target::of(fact), packed);
        }
        let notes = self.notes.entry(order).or_default();
        let target = Target::of(fact);
        notes.insert(Moment::of(fact), Noted { target, note });
    }

    fn number_given(&mut self, by: Target, packed: &OrderPacked) {
        let uses = [(Some(packed.case), false), (packed.pallet, true)];
        for (number, pallet) in uses {
            let Some(number) = number else { continue };
            self.numbers.entry(number).or_default().insert(Given {
                by,
                order: packed.order,
                pallet,
            });
        }
    }

    /// Every number that a case or a pallet was ever given, also by records that were
    /// corrected: a number is never given again.
    pub fn case_numbers(&self) -> impl Iterator<Item = Sscc> {
        self.numbers.keys().copied()
    }

    /// The orders that share a number of a case or a pallet, where it was given twice.
    #[must_use]
    pub fn given_twice(&self, number: Sscc) -> BTreeSet<OrderId> {
        let given = self.numbers.get(&number).into_iter().flatten();
        let given: Vec<&Given> = given
            .filter(|given| !self.voids.takes_back(given.by))
            .collect();
        let orders: BTreeSet<OrderId> = given.iter().map(|given| given.order).collect();
        // One pallet carries the cases of one order; a case is packed once.
        let one_pallet = orders.len() == 1 && given.iter().all(|given| given.pallet);
        if given.len() < 2 || one_pallet {
            return BTreeSet::new();
        }
        orders
    }

    /// Every number that was given twice, and the orders whose cases carry it.
    pub fn numbers_given_twice(&self) -> impl Iterator<Item = (Sscc, BTreeSet<OrderId>)> {
        let twice = self.case_numbers();
        twice
            .map(|number| (number, self.given_twice(number)))
            .filter(|(_, orders)| !orders.is_empty())
    }

    /// What an order said when it was placed; `None` when it never was.
    #[must_use]
    pub fn placed(&self, id: OrderId) -> Option<&OrderPlaced> {
        let notes = self.notes.get(&id)?.values();
        let mut valid = notes.filter(|noted| !self.voids.takes_back(noted.target));
        valid.find_map(|noted| match &noted.note {
            Note::Placed(placed) => Some(placed),
            _ => None,
        })
    }

    /// An order; `None` when it was never placed.
    #[must_use]
    pub fn order(&self, id: OrderId) -> Option<Order> {
        let (id, notes) = self.notes.get_key_value(&id)?;
        self.read(*id, notes)
    }

    /// Every order that was placed, by number.
    pub fn orders(&self) -> impl Iterator<Item = Order> {
        self.notes
            .iter()
            .filter_map(|(id, notes)| self.read(*id, notes))
    }

    /// The numbers of every order that was placed, in order; cheaper than reading them all.
    pub fn ids(&self) -> impl Iterator<Item = OrderId> {
        let valid = move |notes: &BTreeMap<Moment, Noted>| {
            let mut notes = notes.values();
            notes.any(|noted| {
                matches!(noted.note, Note::Placed(_)) && !self.voids.takes_back(noted.target)
            })
        };
        let all = self.notes.iter();
        all.filter(move |(_, notes)| valid(notes))
            .map(|(id, _)| *id)
    }

    /// Whether nothing of an order has left and nobody has cancelled it.
    #[must_use]
    pub fn is_untouched(&self, id: OrderId) -> bool {
        let mut notes = self.notes.get(&id).into_iter().flatten();
        notes.all(|(_, noted)| {
            !matches!(noted.note, Note::Sent(_) | Note::Cancelled(_))
                || self.voids.takes_back(noted.target)
        })
    }

    /// Whether somebody has cancelled an order.
    #[must_use]
    pub fn is_cancelled(&self, id: OrderId) -> bool {
        let mut notes = self.notes.get(&id).into_iter().flatten();
        notes.any(|(_, noted)| {
            matches!(noted.note, Note::Cancelled(_)) && !self.voids.takes_back(noted.target)
        })
    }

    /// Orders that facts speak of though nobody placed them: their wheels left, or they
    /// were changed.
    pub fn never_placed(&self) -> impl Iterator<Item = OrderId> {
        let all = self.notes.iter();
        all.filter(|(id, notes)| self.read(**id, notes).is_none())
            .map(|(id, _)| *id)
    }

    fn read(&self, id: OrderId, notes: &BTreeMap<Moment, Noted>) -> Option<Order> {
        let counts = |(_, noted): &(&Moment, &Noted)| !self.voids.takes_back(noted.target);
        let valid = || {
            notes
                .iter()
                .filter(counts)
                .map(|(moment, noted)| (moment, &noted.note))
        };
        // What was placed counts from the start, whatever a station's clock said when.
        let (placed, first) = valid().find_map(|(moment, note)| match note {
            Note::Placed(placed) => Some((*moment, placed)),
            _ => None,
        })?;
        let mut order = Order {
            id,
            customer: first.customer.clone(),
            market: first.market,
            arrive_on: first.arrive_on,
            lines: first.lines.clone(),
            standing: first.standing.clone(),
            placed,
            cancelled: None,
            told: BTreeMap::new(),
            sent: Vec::new(),
            arrived: BTreeMap::new(),
            refused: BTreeMap::new(),
            packed: Vec::new(),
            substituted: Vec::new(),
            odd: Vec::new(),
        };
        let mut odd = BTreeSet::new();
        for (moment, note) in valid() {
            let gone = order.cancelled.is_some();
            match note {
                Note::Placed(again) if again == first => {}
                Note::Placed(_) => {
                    odd.insert(Odd::PlacedTwice);
                }
                Note::Changed(_) | Note::Confirmed(_) if gone => {
                    odd.insert(Odd::AfterCancelled);
                }
                Note::Changed(change) => {
                    order.arrive_on = change.arrive_on;
                    order.lines.clone_from(&change.lines);
                    order.standing.clone_from(&change.standing);
                }
                Note::Confirmed(told) => {
                    order.told.insert(told.arrive_on, told.promised.clone());
                }
                Note::Cancelled(_) if gone => {
                    odd.insert(Odd::CancelledTwice);
                }
                Note::Cancelled(cancelled) => order.cancelled = Some(cancelled.reason.clone()),
                Note::Substituted(other) => order.substituted.push(other.clone()),
                Note::Packed(case) => order.packed.push(case.clone()),
                Note::Refused(refused) => order.refused.extend(
                    refused
                        .wheels
                        .iter()
                        .map(|wheel| (*wheel, refused.reason.clone())),
                ),
                Note::Sent(wheels) => order.sent.extend(wheels.iter().map(|w| (*w, *moment))),
                Note::Arrived(wheels) => {
                    order.arrived.extend(wheels.iter().map(|w| (*w, *moment)));
                }
            }
        }
        let numbers = |case: &OrderPacked| [Some(case.case), case.pallet];
        let mut numbers = order.packed.iter().flat_map(numbers).flatten();
        if numbers.any(|number| !self.given_twice(number).is_empty()) {
            odd.insert(Odd::NumberTwice);
        }
        order.odd = odd.into_iter().collect();
        Some(order)
    }
}

impl Order {
    /// The days it must arrive on, from `from` to `until`, both included.
    #[must_use]
    pub fn arrivals(&self, from: NaiveDate, until: NaiveDate) -> Vec<NaiveDate> {
        arrivals(self.arrive_on, self.standing.as_ref(), from, until)
    }

    /// The wheels that left for an arrival, with the dairy day each left on.
    pub fn sent_for<'o>(
        &'o self,
        arrive_on: NaiveDate,
        clock: &'o DairyClock,
    ) -> impl Iterator<Item = (WheelId, DairyDay)> + 'o {
        let sent = self.sent.iter();
        let sent = sent.map(|(wheel, moment)| (*wheel, clock.day_of(moment.at)));
        sent.filter(move |(_, left)| self.arrival_after(left.date()) == Some(arrive_on))
    }

    /// The arrival that wheels count for which left on a dairy day: the first on or after it, or
    /// the last there is.
    #[must_use]
    fn arrival_after(&self, left: NaiveDate) -> Option<NaiveDate> {
        if self.standing.is_none() {
            return Some(self.arrive_on);
        }
        let far = left.checked_add_days(Days::new(370)).unwrap_or(left);
        let next = self.arrivals(left, far).first().copied();
        next.or_else(|| self.arrivals(self.arrive_on, left).last().copied())
    }
}

/// The days on which an order that first arrives on a day must arrive, from `from` to
/// `until`, both included.
pub(crate) fn arrivals(
    first: NaiveDate,
    standing: Option<&Standing>,
    from: NaiveDate,
    until: NaiveDate,
) -> Vec<NaiveDate> {
    let Some(standing) = standing else {
        let once = (from..=until).contains(&first);
        return once.then_some(first).into_iter().collect();
    };
    let weeks = u64::from(standing.every_weeks.max(1));
    let end = standing.until.map_or(until, |last| last.min(until));
    // The first arrival that is not before `from`, without counting up to it.
    let before = (from - first).num_days().max(0).unsigned_abs();
    let skipped = before.div_ceil(7 * weeks) * 7 * weeks;
    let next = first.checked_add_days(Days::new(skipped));
    std::iter::successors(next, |day| day.checked_add_days(Days::new(7 * weeks)))
        .take_while(|day| *day <= end)
        .filter(|day| !standing.except.contains(day))
        .take(MOST_ARRIVALS)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> NaiveDate {
        text.parse().unwrap()
    }

    fn weekly(every_weeks: u8, until: Option<&str>) -> Order {
        Order {
            id: "1".parse().unwrap(),
            customer: "HARBOUR".to_owned(),
            market: "NORTH".parse().unwrap(),
            arrive_on: day("2026-03-05"),
            lines: Vec::new(),
            standing: Some(Standing {
                every_weeks,
                until: until.map(day),
                except: vec![day("2026-03-19")],
            }),
            placed: Moment {
                at: chrono::DateTime::UNIX_EPOCH,
                fact: "0".repeat(32).parse().unwrap(),
            },
            cancelled: None,
            told: BTreeMap::new(),
            sent: Vec::new(),
            arrived: BTreeMap::new(),
            refused: BTreeMap::new(),
            packed: Vec::new(),
            substituted: Vec::new(),
            odd: Vec::new(),
        }
    }

    #[test]
    fn a_standing_order_comes_on_its_weekday_until_it_ends() {
        let order = weekly(1, Some("2026-04-02"));
        let days = order.arrivals(day("2026-03-06"), day("2026-12-31"));
        assert_eq!(days, ["2026-03-12", "2026-03-26", "2026-04-02"].map(day));
        let all = order.arrivals(day("2025-01-01"), day("2026-12-31"));
        assert_eq!(all.first(), Some(&day("2026-03-05")));
    }

    #[test]
    fn every_second_week_is_counted_from_the_first() {
        let order = weekly(2, None);
        let days = order.arrivals(day("2026-03-10"), day("2026-04-20"));
        assert_eq!(days, ["2026-04-02", "2026-04-16"].map(day));
    }

    #[test]
    fn wheels_that_leave_count_for_the_next_arrival() {
        let order = weekly(1, Some("2026-04-02"));
        assert_eq!(
            order.arrival_after(day("2026-03-10")),
            Some(day("2026-03-12"))
        );
        assert_eq!(
            order.arrival_after(day("2026-04-09")),
            Some(day("2026-04-02"))
        );
    }
}
