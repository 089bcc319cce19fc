//! How long the road takes, as a distribution over whole days, and how it is learned.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike as _, Weekday};
use facts::{CustomerId, LaneId};
use quantity::DairyClock;
use serde::{Deserialize, Serialize};

use crate::customers::Customers;
use crate::orders::{Order, OrderBook};

/// How many deliveries the customers file's own figures count as when delivered ones are
/// added to them.
pub const FILE_COUNTS_AS: f64 = 10.0;

/// Days on the road, each with its probability; in order, summing to 1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Transit(Vec<(i64, f64)>);

impl Transit {
    /// Usually so many days; with probability `slow_share` (0 to 1) so many instead.
    #[must_use]
    pub fn new(usual_days: i64, slow_days: i64, slow_share: f64) -> Self {
        let slow = slow_share.clamp(0.0, 1.0);
        let mut days = BTreeMap::from([(usual_days, 1.0 - slow)]);
        *days.entry(slow_days).or_insert(0.0) += slow;
        Self(days.into_iter().filter(|(_, share)| *share > 0.0).collect())
    }

    /// Days and their probabilities.
    #[must_use]
    pub fn days(&self) -> &[(i64, f64)] {
        &self.0
    }

    /// This distribution after so many deliveries took so many days: the mean of the
    /// Dirichlet distribution whose counts are [`FILE_COUNTS_AS`] times this one's shares
    /// plus the deliveries (Gelman et al., *Bayesian Data Analysis*, 3rd ed. 2013,
    /// section 3.4).
    #[must_use]
    pub fn learned(&self, deliveries: &BTreeMap<i64, u32>) -> Self {
        let mut counts: BTreeMap<i64, f64> = BTreeMap::new();
        for (days, share) in &self.0 {
            *counts.entry(*days).or_default() += share * FILE_COUNTS_AS;
        }
        for (days, seen) in deliveries {
            *counts.entry(*days).or_default() += f64::from(*seen);
        }
        let all: f64 = counts.values().sum();
        let shares = counts.into_iter().filter(|(_, count)| *count > 0.0);
        Self(shares.map(|(days, count)| (days, count / all)).collect())
    }
}

/// How long deliveries have taken, by lane and the weekday they left on.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Journeys(BTreeMap<(LaneId, u32), BTreeMap<i64, u32>>);

/// A delivery that took longer says nothing about the road: someone entered it late, or a
/// clock was wrong.
const LONGEST_DAYS: i64 = 60;

impl Journeys {
    /// What the orders' own facts say: wheels that left and arrived. All that left for an
    /// order on a day and arrived together is one delivery. Where the customer was told a
    /// lane for that day it went by that, else by the customer's usual one.
    #[must_use]
    pub fn of(book: &OrderBook, customers: &Customers, clock: &DairyClock) -> Self {
        let mut journeys = Self::default();
        for order in book.orders() {
            let customer = CustomerId::new(&order.customer).ok();
            let customer = customer.and_then(|id| customers.customers.get(&id));
            let Some(usual) = customer.and_then(|customer| customer.lanes.first()) else {
                continue;
            };
            let went = order.sent.iter().filter_map(|(wheel, left)| {
                let arrived = order.arrived.get(wheel)?;
                Some((clock.day_of(left.at), clock.day_of(arrived.at)))
            });
            for (left, arrived) in went.collect::<BTreeSet<_>>() {
                let days = arrived.days_since(left);
                if (0..=LONGEST_DAYS).contains(&days) {
                    let lane = told_lane(&order, left.date()).unwrap_or(*usual);
                    journeys.note(lane, left.date().weekday(), days);
                }
            }
        }
        journeys
    }

    /// Notes one delivery.
    pub fn note(&mut self, lane: LaneId, left_on: Weekday, days: i64) {
        let key = (lane, left_on.num_days_from_monday());
        *self.0.entry(key).or_default().entry(days).or_default() += 1;
    }

    /// What was seen of a lane on a weekday.
    #[must_use]
    pub fn seen(&self, lane: LaneId, left_on: Weekday) -> Option<&BTreeMap<i64, u32>> {
        self.0.get(&(lane, left_on.num_days_from_monday()))
    }
}

/// The lane that was told for what leaves on a day.
fn told_lane(order: &Order, leave_on: chrono::NaiveDate) -> Option<LaneId> {
    let mut told = order.told.values().flatten();
    told.find(|promised| promised.leave_on == leave_on)
        .map(|promised| promised.lane)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_slow_road_is_learned_from_deliveries() {
        let file = Transit::new(2, 4, 0.1);
        assert_eq!(file.days(), [(2, 0.9), (4, 0.1)]);
        // 10 counts of the file (9 and 1) and 10 slow deliveries: 9/20 and 11/20.
        let learned = file.learned(&BTreeMap::from([(4, 10)]));
        assert_eq!(learned.days(), [(2, 0.45), (4, 0.55)]);
        // Something the file does not know becomes possible.
        let learned = file.learned(&BTreeMap::from([(7, 10)]));
        assert_eq!(learned.days(), [(2, 0.45), (4, 0.05), (7, 0.5)]);
    }

    #[test]
    fn a_lane_that_is_never_slow_has_one_day() {
        assert_eq!(Transit::new(1, 5, 0.0).days(), [(1, 1.0)]);
        assert_eq!(Transit::new(3, 3, 0.4).days(), [(3, 1.0)]);
    }
}
