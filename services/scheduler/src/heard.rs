//! What facts say beside what wheels need: codes that they bring up, what people said of
//! alerts, and who ordered.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use facts::stored::instant;
use facts::{Carrier, Event, Fact, FactId, OrderId, PersonId, stored_struct};
use holds::{Guard, Target};
use names::{Kind, Known, UnknownName};
use ripening::answer::{self, Found};
use ripening::{Floor, Voids};
use serde::{Deserialize, Serialize};
use site::Site;

/// A code, and what it should name.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct NameQuery {
    /// What kind of thing.
    pub kind: Kind,
    /// Its code.
    pub code: String,
}

/// What someone said of an alert.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SaidOf {
    /// Who.
    pub person: Option<PersonId>,
    /// When.
    pub at: DateTime<Utc>,
    /// What.
    pub note: String,
}

/// What is kept of that.
#[derive(Debug, Clone, PartialEq, Eq)]
struct Said {
    alert: String,
    person: Option<PersonId>,
    at: DateTime<Utc>,
    note: String,
    fact: FactId,
    guard: Guard,
}

stored_struct!(Said {
    alert,
    person,
    at via instant,
    note,
    fact,
    guard,
});

/// What was found by a code, and what else goes by it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct FoundAll {
    /// Wheels, batches, carriers and customers.
    pub found: Found,
    /// Lots, orders, people, tools and whatever else facts name so.
    pub others: Vec<(Kind, String)>,
}

/// Tools, vats and what wheels stand on are cleaned under their own codes.
const CLEANED: [Kind; 5] = [
    Kind::Tool,
    Kind::Vat,
    Kind::Stillage,
    Kind::Stack,
    Kind::Hoop,
];

/// Fewer letters would be in nearly every customer's name.
const LEAST_OF_A_NAME: usize = 3;

/// What was heard.
#[derive(Debug, Default)]
pub(crate) struct Heard {
    known: Known,
    said: Vec<Said>,
    /// Who ordered, by order.
    customers: BTreeMap<OrderId, String>,
    changed: bool,
}

/// The same as it is stored.
#[derive(Debug)]
pub(crate) struct Kept {
    /// Codes, each with the word for its kind.
    codes: Vec<(String, String)>,
    said: Vec<Said>,
    customers: BTreeMap<OrderId, String>,
}

stored_struct!(Kept {
    codes,
    said,
    customers
});

impl Heard {
    /// Takes up what was stored.
    pub(crate) fn restore(kept: Kept) -> Self {
        let mut known = Known::default();
        for (word, code) in kept.codes {
            let kind = Kind::ALL.iter().find(|kind| kind.word() == word);
            kind.into_iter().for_each(|kind| known.add(*kind, &code));
        }
        Self {
            known,
            said: kept.said,
            customers: kept.customers,
            changed: false,
        }
    }

    /// What is to be stored, if it has changed since this was last asked.
    pub(crate) fn take_changed(&mut self) -> Option<Kept> {
        if !std::mem::take(&mut self.changed) {
            return None;
        }
        let codes = Kind::ALL.iter().flat_map(|kind| {
            let codes = self.known.of(*kind);
            codes.map(|code| (kind.word().to_owned(), code.to_owned()))
        });
        Some(Kept {
            codes: codes.collect(),
            said: self.said.clone(),
            customers: self.customers.clone(),
        })
    }

    /// Hears a fact.
    pub(crate) fn fact(&mut self, fact: &Fact) {
        let Self { known, changed, .. } = self;
        codes(fact, &mut |kind, code| {
            if !known.has(kind, code) {
                known.add(kind, code);
                *changed = true;
            }
        });
        match &fact.event {
            Event::AlertAcknowledged(said) if self.said.iter().all(|s| s.fact != fact.id) => {
                self.said.push(Said {
                    alert: said.alert.clone(),
                    person: fact.person,
                    at: fact.occurred_at,
                    note: said.note.clone(),
                    fact: fact.id,
                    guard: Guard::of(fact),
                });
                self.said.sort_by_key(|said| (said.at, said.fact));
                self.changed = true;
            }
            Event::OrderPlaced(placed) => {
                let before = self.customers.insert(placed.order, placed.customer.clone());
                self.changed |= before.as_ref() != Some(&placed.customer);
            }
            _ => {}
        }
    }

    /// What people said of alerts and did not take back, oldest first.
    pub(crate) fn said(&self, voids: &Voids, of: &[String]) -> BTreeMap<String, Vec<SaidOf>> {
        let stands = |said: &&Said| !voids.takes_back(Target::kept(said.fact, said.guard));
        let mut by_alert: BTreeMap<String, Vec<SaidOf>> = BTreeMap::new();
        let asked = self.said.iter().filter(|said| of.contains(&said.alert));
        for said in asked.filter(stands) {
            by_alert
                .entry(said.alert.clone())
                .or_default()
                .push(SaidOf {
                    person: said.person,
                    at: said.at,
                    note: said.note.clone(),
                });
        }
        by_alert
    }

    /// A code as it was first written.
    ///
    /// # Errors
    /// There is no such thing.
    pub(crate) fn named(
        &self,
        floor: &Floor,
        site: &Site,
        NameQuery { kind, code }: &NameQuery,
    ) -> Result<String, Unnamed> {
        let found = match kind {
            Kind::Batch => {
                let (id, _) = answer::batch_named(floor, code.parse()?)?;
                id.to_string()
            }
            Kind::Wheel => {
                let (id, _) = answer::wheel_named(floor, code.parse()?)?;
                id.to_string()
            }
            Kind::Tool => {
                let scales = site.stations.iter().filter_map(|s| s.scale.as_ref());
                let mut tools = Known::default().with(*kind, scales.map(|scale| scale.tool));
                let listed = site.tools();
                let listed = listed.machines.iter().chain(&listed.irons);
                listed.for_each(|tool| tools.add(*kind, tool));
                for cleaned in CLEANED {
                    self.known
                        .of(cleaned)
                        .for_each(|code| tools.add(*kind, code));
                }
                tools.find(*kind, code)?.to_owned()
            }
            kind => self.known.find(*kind, code)?.to_owned(),
        };
        Ok(found)
    }

    /// What wheels stand on, as it was first written.
    ///
    /// # Errors
    /// No fact speaks of it.
    pub(crate) fn carrier(&self, asked: Carrier) -> Result<Carrier, UnknownName> {
        let known = &self.known;
        Ok(match asked {
            Carrier::Hoop(id) => Carrier::Hoop(as_kept(known.find(Kind::Hoop, id)?, id)),
            Carrier::Stack(id) => Carrier::Stack(as_kept(known.find(Kind::Stack, id)?, id)),
            Carrier::Stillage(id) => {
                Carrier::Stillage(as_kept(known.find(Kind::Stillage, id)?, id))
            }
        })
    }

    /// Whatever a code, a lot, a day or a customer's name finds, and whatever else goes by that
    /// code.
    pub(crate) fn find(&self, floor: &Floor, asked: &str) -> FoundAll {
        let mut found = answer::find(floor, asked);
        if asked.chars().count() >= LEAST_OF_A_NAME {
            let orders: BTreeSet<OrderId> = self.orders_of(asked).collect();
            let customers = orders.iter().filter_map(|order| self.customers.get(order));
            found.customers = customers.cloned().collect();
            let wheels = floor.wheels().filter(|(_, wheel)| {
                let state = wheel.state();
                let mut its = state.allocated.into_iter().chain(state.sent_for);
                its.any(|order| orders.contains(&order))
            });
            found.wheels.extend(wheels.map(|(id, _)| *id));
        }
        let bare = answer::bare(asked);
        let stands = found.stands.is_empty();
        let kinds = Kind::ALL.iter().filter(|kind| match kind {
            Kind::Hoop | Kind::Stack | Kind::Stillage => stands,
            // Every site has its own page of rooms.
            kind => **kind != Kind::Room,
        });
        let others = kinds.filter_map(|kind| {
            let code = self.known.find(*kind, bare).ok()?;
            Some((*kind, code.to_owned()))
        });
        let mut others: Vec<(Kind, String)> = others.collect();
        let mut orders = self.customers.keys();
        let order = orders.find(|order| order.as_str().eq_ignore_ascii_case(bare));
        others.extend(order.map(|order| (Kind::Order, order.to_string())));
        if found.is_empty() && others.is_empty() && !asked.is_empty() {
            found.near = self.near(floor, asked);
        }
        FoundAll { found, others }
    }

    /// Orders of customers whose name has that in it, by their codes.
    pub(crate) fn orders_of(&self, name: &str) -> impl DoubleEndedIterator<Item = OrderId> + '_ {
        let name = name.to_lowercase();
        let long = name.chars().count() >= LEAST_OF_A_NAME;
        let customers = self
            .customers
            .iter()
            .filter(move |(_, customer)| long && customer.to_lowercase().contains(&name));
        customers.map(|(order, _)| *order)
    }

    /// Codes of anything that may have been meant.
    fn near(&self, floor: &Floor, asked: &str) -> Vec<String> {
        let wheels = floor.wheels().map(|(id, _)| id.as_str());
        let batches = floor.batches().map(|(id, _)| id.as_str());
        let others = Kind::ALL.iter().flat_map(|kind| self.known.of(*kind));
        let codes = wheels.chain(batches).chain(others);
        UnknownName::among(Kind::BatchOrWheel, answer::bare(asked), codes).nearest
    }
}

/// Why a name was not found.
#[derive(Debug)]
pub(crate) enum Unnamed {
    /// There is none.
    Unknown(UnknownName),
    /// It is no code.
    Bad(facts::BadCode),
}

impl From<UnknownName> for Unnamed {
    fn from(name: UnknownName) -> Self {
        Self::Unknown(name)
    }
}

impl From<facts::BadCode> for Unnamed {
    fn from(bad: facts::BadCode) -> Self {
        Self::Bad(bad)
    }
}

impl From<Unnamed> for bus::Refusal {
    fn from(unnamed: Unnamed) -> Self {
        match unnamed {
            Unnamed::Unknown(name) => name.into(),
            Unnamed::Bad(bad) => bad.to_string().into(),
        }
    }
}

/// A code as it was first written is a code.
fn as_kept<T: std::str::FromStr>(kept: &str, asked: T) -> T {
    kept.parse().unwrap_or(asked)
}

/// The codes that a fact brings up, beyond the wheels and batches that the floor keeps.
fn codes(fact: &Fact, add: &mut impl FnMut(Kind, &str)) {
    if let Some(badge) = fact.person {
        add(Kind::Person, badge.as_str());
    }
    match &fact.event {
        Event::MilkReceived(e) => add(Kind::Lot, e.lot.as_str()),
        Event::LotReceived(e) => add(Kind::Lot, e.lot.as_str()),
        Event::MilkPooled(e) => {
            add(Kind::Lot, e.lot.as_str());
            let parts = e.from.iter();
            parts.for_each(|part| add(Kind::Lot, part.lot.as_str()));
        }
        Event::LotUsed(e) => add(Kind::Lot, e.lot.as_str()),
        Event::VatStarted(e) => {
            add(Kind::Vat, e.vat.as_str());
            let lots = e.milk_lots.iter();
            lots.for_each(|lot| add(Kind::Lot, lot.as_str()));
        }
        Event::VatFilled(e) => add(Kind::Lot, e.lot.as_str()),
        Event::VatDosed(e) => add(Kind::Lot, e.lot.as_str()),
        Event::WheelHooped(e) => {
            add(Kind::Hoop, e.hoop.as_str());
            let stack = e.stack.iter();
            stack.for_each(|stack| add(Kind::Stack, stack.as_str()));
        }
        Event::WheelLoaded(e) => add(Kind::Stillage, e.stillage.as_str()),
        Event::WheelMoved(e) => {
            add(Kind::Room, e.room.as_str());
            if let Some(Carrier::Stillage(stillage)) = e.via {
                add(Kind::Stillage, stillage.as_str());
            }
        }
        Event::WheelPierced(e) => add(Kind::Tool, e.machine.as_str()),
        Event::WheelIroned(e) => {
            let iron = e.iron.iter();
            iron.for_each(|iron| add(Kind::Tool, iron.as_str()));
        }
        Event::ToolChecked(e) => add(Kind::Tool, e.tool.as_str()),
        Event::ToolSanitised(e) => add(Kind::Tool, e.tool.as_str()),
        Event::RoomClimateRead(e) => add(Kind::Room, e.room.as_str()),
        Event::LabSampled(e) => add(Kind::Sample, e.sample.as_str()),
        Event::LabSwabbed(e) => add(Kind::Sample, e.sample.as_str()),
        Event::DeviationFound(_) => add(Kind::Deviation, &fact.id.to_string()),
        // It does not make known what it is over.
        Event::HoldPlaced(e) => add(Kind::Hold, e.hold.as_str()),
        Event::WheelHeld(e) => add(Kind::Hold, e.hold.as_str()),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use facts::stored::borsh;

    use super::*;

    #[test]
    fn a_customers_orders_are_in_the_order_of_their_codes() {
        let order = |n: u32| -> OrderId { format!("O{n:03}").parse().unwrap() };
        let customers = (1..=60).map(|n| (order(n), format!("HARBOUR {}", n % 2)));
        let heard = Heard {
            customers: customers.collect(),
            ..Heard::default()
        };
        let last: Vec<OrderId> = heard.orders_of("harbour 1").rev().take(2).collect();
        assert_eq!(last, [order(59), order(57)]);
        assert_eq!(heard.orders_of("ha").count(), 0, "too short for a name");
    }

    /// The store's golden bytes know nothing of what is kept beside the floor: this is its
    /// layout under that number.
    #[test]
    fn what_was_heard_lies_as_the_stores_format_says_and_is_taken_up_again() {
        let kept = || Kept {
            codes: vec![("lot".to_owned(), "CUL1".to_owned())],
            said: vec![Said {
                alert: "a-1".to_owned(),
                person: Some("07".parse().unwrap()),
                at: DateTime::from_timestamp(1, 0).unwrap(),
                note: "seen".to_owned(),
                fact: "00000000-0000-7000-8000-000000000001".parse().unwrap(),
                guard: Guard::Correction,
            }],
            customers: [("O1".parse().unwrap(), "HARBOUR".to_owned())].into(),
        };
        let bytes = borsh::to_vec(&kept()).unwrap();
        let shown: String = bytes.iter().map(|byte| format!("{byte:02x}")).collect();
        let should = concat!(
            "01000000030000006c6f740400000043554c310100000003000000612d310102303740420f000000",
            "0000040000007365656e000000000000700080000000000000010101000000024f31070000004841",
            "52424f5552",
        );
        assert_eq!((projection::floor::FORMAT, shown.as_str()), (9, should));
        let mut heard = Heard::restore(borsh::from_slice(&bytes).unwrap());
        assert!(heard.take_changed().is_none());
        heard.changed = true;
        let again = borsh::to_vec(&heard.take_changed().unwrap()).unwrap();
        assert_eq!(again, bytes);
    }
}
