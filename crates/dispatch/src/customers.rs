//! Customers, the lanes that lead to them, and the markets whose law holds there.

mod read;

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike as _, NaiveDate, NaiveTime, Weekday};
use facts::{CustomerId, LaneId, MarketId};
use quantity::DairyDay;
use serde::{Deserialize, Serialize};

use crate::transit::{Journeys, Transit};

/// How far ahead a day of delivery or of shipping is looked for.
const LOOK_DAYS: i64 = 30;

/// The customers file, once it has been read and found consistent.
#[derive(Debug, Clone, PartialEq)]
pub struct Customers {
    /// Who ships, as it stands on the dispatch note.
    pub shipper: Shipper,
    /// Markets.
    pub markets: BTreeMap<MarketId, Market>,
    /// Lanes.
    pub lanes: BTreeMap<LaneId, Lane>,
    /// Customers.
    pub customers: BTreeMap<CustomerId, Customer>,
}

/// Who ships.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Shipper {
    /// Name and address, line by line.
    pub address: Vec<String>,
    /// The digits before a case's own number: extension digit and GS1 company prefix.
    pub sscc_prefix: String,
    /// Most wheels in a case.
    pub wheels_per_case: usize,
    /// Most cases on a pallet.
    pub cases_per_pallet: usize,
}

/// Where cheese is sold.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Market {
    /// The market.
    pub id: MarketId,
    /// The age below which the law there forbids the sale, if any; whole days.
    pub legal_least_age_days: Option<i64>,
    /// Days that must be left before best-before on arrival.
    pub least_life_days: i64,
}

/// A way from the dairy to customers.
#[derive(Debug, Clone, PartialEq)]
pub struct Lane {
    /// The lane.
    pub id: LaneId,
    /// Its name.
    pub name: String,
    /// Weekdays it leaves on, Monday = 0.
    pub ships: BTreeSet<u32>,
    /// Weekdays it delivers on.
    pub delivers: BTreeSet<u32>,
    /// Local time by which a shipment must be ready on the day it leaves.
    pub cut_off: NaiveTime,
    /// Days on which it neither leaves nor delivers.
    pub closed: BTreeSet<NaiveDate>,
    /// Days on the road.
    pub transit: Transit,
    /// The same for weekdays of leaving that differ.
    pub transit_on: BTreeMap<u32, Transit>,
    /// Air temperature it is kept within on the way, °C.
    pub temperature_c: Option<(f64, f64)>,
}

/// Who orders.
#[derive(Debug, Clone, PartialEq)]
pub struct Customer {
    /// The customer.
    pub id: CustomerId,
    /// Name as on the dispatch note.
    pub name: String,
    /// Address, line by line.
    pub address: Vec<String>,
    /// Their market.
    pub market: MarketId,
    /// Lanes that lead there, the usual one first; the others cost more.
    pub lanes: Vec<LaneId>,
    /// How sure the shipment must be to arrive in time, 0 to 1.
    pub on_time: f64,
}

/// When something may arrive.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Arrivals(Vec<(DairyDay, f64)>);

impl Arrivals {
    /// Days in order, each with its probability.
    #[must_use]
    pub fn days(&self) -> &[(DairyDay, f64)] {
        &self.0
    }

    /// The probability that a condition holds on the day of arrival.
    #[must_use]
    pub fn share(&self, condition: impl Fn(DairyDay) -> bool) -> f64 {
        let days = self.0.iter().filter(|(day, _)| condition(*day));
        // Not `sum`: that of nothing is -0.0, which people would read as "-0 %".
        days.fold(0.0, |share, (_, p)| share + p).min(1.0)
    }

    /// The day it most likely arrives on; of equals the first.
    #[must_use]
    pub fn likely(&self) -> Option<DairyDay> {
        let best = self.0.iter().reduce(|a, b| if b.1 > a.1 { b } else { a });
        best.map(|(day, _)| *day)
    }

    /// The same so many days later.
    pub(crate) fn later(&self, days: i64) -> Self {
        Self(
            self.0
                .iter()
                .map(|(day, share)| (day.plus(days), *share))
                .collect(),
        )
    }

    /// The first day it may arrive on.
    #[must_use]
    pub fn first(&self) -> Option<DairyDay> {
        self.0.first().map(|(day, _)| *day)
    }
}

impl Lane {
    /// Whether it leaves on a day.
    #[must_use]
    pub fn leaves_on(&self, day: DairyDay) -> bool {
        self.runs(&self.ships, day)
    }

    /// Whether it delivers on a day.
    #[must_use]
    pub fn delivers_on(&self, day: DairyDay) -> bool {
        self.runs(&self.delivers, day)
    }

    fn runs(&self, weekdays: &BTreeSet<u32>, day: DairyDay) -> bool {
        let date = day.date();
        weekdays.contains(&date.weekday().num_days_from_monday()) && !self.closed.contains(&date)
    }

    /// When what leaves on a day arrives: after its days on the road, on the next day on
    /// which the lane delivers.
    #[must_use]
    pub fn arrivals(&self, leaves: DairyDay) -> Arrivals {
        let weekday = leaves.date().weekday().num_days_from_monday();
        let transit = self.transit_on.get(&weekday).unwrap_or(&self.transit);
        let mut days: BTreeMap<DairyDay, f64> = BTreeMap::new();
        for (on_the_road, share) in transit.days() {
            let there = leaves.plus(*on_the_road);
            let waits = (0..LOOK_DAYS).find(|wait| self.runs(&self.delivers, there.plus(*wait)));
            *days
                .entry(there.plus(waits.unwrap_or(LOOK_DAYS)))
                .or_default() += share;
        }
        Arrivals(days.into_iter().collect())
    }

    /// The next day on which it leaves, from a day on.
    #[must_use]
    pub fn next_leaving(&self, from: DairyDay) -> Option<DairyDay> {
        (0..LOOK_DAYS)
            .map(|days| from.plus(days))
            .find(|day| self.leaves_on(*day))
    }

    /// The lane with what its journeys have taught.
    #[must_use]
    pub fn learned(mut self, journeys: &Journeys) -> Self {
        for weekday in [
            Weekday::Mon,
            Weekday::Tue,
            Weekday::Wed,
            Weekday::Thu,
            Weekday::Fri,
            Weekday::Sat,
            Weekday::Sun,
        ] {
            if let Some(seen) = journeys.seen(self.id, weekday) {
                let key = weekday.num_days_from_monday();
                let file = self.transit_on.get(&key).unwrap_or(&self.transit);
                self.transit_on.insert(key, file.learned(seen));
            }
        }
        self
    }
}

impl Customers {
    /// A customer's lanes, the usual one first.
    pub fn lanes_of<'a>(&'a self, customer: &'a Customer) -> impl Iterator<Item = &'a Lane> {
        customer
            .lanes
            .iter()
            .filter_map(|lane| self.lanes.get(lane))
    }

    /// A market; one that the file does not describe has no rules of its own.
    #[must_use]
    pub fn market(&self, id: MarketId) -> Market {
        self.markets.get(&id).cloned().unwrap_or(Market {
            id,
            legal_least_age_days: None,
            least_life_days: 0,
        })
    }

    /// The file with what journeys have taught.
    #[must_use]
    pub fn learned(mut self, journeys: &Journeys) -> Self {
        let lanes = std::mem::take(&mut self.lanes).into_iter();
        self.lanes = lanes
            .map(|(id, lane)| (id, lane.learned(journeys)))
            .collect();
        self
    }
}
