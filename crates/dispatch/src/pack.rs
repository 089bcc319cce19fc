//! Cases and pallets, each with a number of its own (SSCC).
//!
//! One place gives numbers out: the dispatch desk of a running floor, which keeps on its
//! disk how far it came before it gives any. Whoever packs asks it.

use facts::{OrderId, OrderPacked, Sscc, WheelId};
use serde::{Deserialize, Serialize};

use crate::customers::Shipper;

/// Digits of a case number before its check digit.
const DIGITS: usize = 17;

/// Most numbers that are given at a time: more than a lorry carries cases.
pub const MOST_AT_ONCE: usize = 10_000;

/// Gives cases and pallets their numbers, one after the other. A number must not be given
/// again within a year of the case's leaving (GS1 General Specifications): here it never is.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct CaseNumbers {
    prefix: String,
    next: u64,
}

impl CaseNumbers {
    /// Goes on after every number of this shipper's that was ever given.
    pub fn after(shipper: &Shipper, given: impl IntoIterator<Item = Sscc>) -> Self {
        let mut numbers = Self {
            prefix: shipper.sscc_prefix.clone(),
            next: 1,
        };
        given.into_iter().for_each(|number| numbers.saw(number));
        numbers
    }

    /// A number is taken: those to come lie after it.
    pub fn saw(&mut self, number: Sscc) {
        let number = number.to_string();
        let serial = number
            .strip_prefix(&self.prefix)
            .and_then(|rest| rest.get(..rest.len().saturating_sub(1))?.parse().ok());
        let after = serial.map_or(0, |serial: u64| serial.saturating_add(1));
        self.next = self.next.max(after);
    }

    /// Those of an earlier run count too, if they are of the same prefix.
    pub fn not_before(&mut self, earlier: &Self) {
        if earlier.prefix == self.prefix {
            self.next = self.next.max(earlier.next);
        }
    }

    /// So many numbers; `None`, and none is given, when the prefix leaves fewer.
    pub fn reserve(&mut self, count: usize) -> Option<Vec<Sscc>> {
        let mut after = self.clone();
        let given = (0..count).map(|_| after.give()).collect::<Option<_>>()?;
        *self = after;
        Some(given)
    }

    /// The next number; `None` when the prefix leaves no more.
    pub fn give(&mut self) -> Option<Sscc> {
        let digits = DIGITS.checked_sub(self.prefix.len())?;
        let serial = format!("{:0digits$}", self.next);
        if serial.len() > digits {
            return None;
        }
        let number = format!("{}{serial}", self.prefix).parse().ok()?;
        self.next += 1;
        Sscc::with_check_digit(number)
    }
}

/// How many numbers so many wheels need, for their cases and the pallets of those.
#[must_use]
pub fn numbers_needed(wheels: usize, shipper: &Shipper) -> usize {
    let cases = wheels.div_ceil(shipper.wheels_per_case.max(1));
    match cases {
        0 | 1 => cases,
        _ => cases + cases.div_ceil(shipper.cases_per_pallet.max(1)),
    }
}

/// Puts wheels into cases, in order, and cases on pallets when there is more than one.
/// `None` when there are not enough numbers.
pub fn pack(
    order: OrderId,
    wheels: &[WheelId],
    shipper: &Shipper,
    numbers: impl IntoIterator<Item = Sscc>,
) -> Option<Vec<OrderPacked>> {
    let mut numbers = numbers.into_iter();
    let cases: Vec<&[WheelId]> = wheels.chunks(shipper.wheels_per_case.max(1)).collect();
    let mut packed = Vec::new();
    for on_pallet in cases.chunks(shipper.cases_per_pallet.max(1)) {
        let pallet = if cases.len() > 1 {
            Some(numbers.next()?)
        } else {
            None
        };
        for wheels in on_pallet {
            packed.push(OrderPacked {
                order,
                case: numbers.next()?,
                wheels: wheels.to_vec(),
                pallet,
            });
        }
    }
    Some(packed)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shipper(prefix: &str) -> Shipper {
        Shipper {
            address: Vec::new(),
            sscc_prefix: prefix.to_owned(),
            wheels_per_case: 2,
            cases_per_pallet: 3,
        }
    }

    fn wheels(n: usize) -> Vec<WheelId> {
        (0..n).map(|n| format!("w{n}").parse().unwrap()).collect()
    }

    #[test]
    fn every_case_and_pallet_has_a_number_of_its_own() {
        let shipper = shipper("0950600");
        let mut numbers = CaseNumbers::after(&shipper, []);
        let mut packed = |n| {
            let given = numbers.reserve(numbers_needed(n, &shipper)).unwrap();
            let packed = pack("1".parse().unwrap(), &wheels(n), &shipper, given.clone()).unwrap();
            (packed, given)
        };
        let (packed_9, given) = packed(9);
        assert_eq!(given.len(), 5 + 2);
        let packed = {
            // One case needs no pallet.
            let (one, given) = packed(1);
            assert_eq!((one[0].pallet, given.len()), (None, 1));
            packed_9
        };
        let cases: Vec<usize> = packed.iter().map(|case| case.wheels.len()).collect();
        assert_eq!(cases, [2, 2, 2, 2, 1]);
        let mut all: Vec<String> = packed.iter().map(|case| case.case.to_string()).collect();
        all.extend(
            packed
                .iter()
                .filter_map(|case| case.pallet)
                .map(|p| p.to_string()),
        );
        all.sort();
        all.dedup();
        assert_eq!(all.len(), 5 + 2);
        assert!(all.iter().all(|number| number.starts_with("0950600")));
    }

    #[test]
    fn whoever_goes_on_gives_no_number_again() {
        let shipper = shipper("0950600");
        let mut numbers = CaseNumbers::after(&shipper, []);
        let first = numbers.reserve(7).unwrap();
        // Nothing of them was recorded yet, but the desk kept how far it came.
        let mut restarted = CaseNumbers::after(&shipper, []);
        restarted.not_before(&numbers);
        let second = restarted.reserve(3).unwrap();
        assert!(second.iter().all(|number| !first.contains(number)));
        // The log may know more than what was kept.
        let mut restored = CaseNumbers::after(&shipper, second.clone());
        restored.not_before(&numbers);
        assert!(!second.contains(&restored.give().unwrap()));
    }

    #[test]
    fn numbers_end_where_the_prefix_leaves_no_more() {
        let shipper = shipper("0950600123456789");
        let mut numbers = CaseNumbers::after(&shipper, []);
        assert_eq!(numbers.reserve(20), None);
        assert_eq!((0..20).filter_map(|_| numbers.give()).count(), 9);
        assert_eq!(numbers.reserve(1), None);
        assert_eq!(pack("1".parse().unwrap(), &wheels(2), &shipper, []), None);
    }
}
