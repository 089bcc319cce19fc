//! Cases and pallets, each with a number of its own (SSCC).

use facts::{OrderId, OrderPacked, Sscc, WheelId};

use crate::customers::Shipper;
use crate::orders::Order;

/// Digits of a case number before its check digit.
const DIGITS: usize = 17;

/// Gives cases and pallets their numbers, one after the other. A number must not be given
/// again within a year of the case's leaving (GS1 General Specifications): here it never is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct CaseNumbers {
    prefix: String,
    next: u64,
}

impl CaseNumbers {
    /// Goes on after every number of this shipper's that orders have.
    pub fn after<'o>(shipper: &Shipper, orders: impl IntoIterator<Item = &'o Order>) -> Self {
        let prefix = shipper.sscc_prefix.clone();
        let used = orders.into_iter().flat_map(|order| &order.packed);
        let used = used.flat_map(|packed| std::iter::once(packed.case).chain(packed.pallet));
        let serials = used.filter_map(|number| {
            let number = number.to_string();
            number
                .strip_prefix(&prefix)?
                .get(..DIGITS - prefix.len())?
                .parse::<u64>()
                .ok()
        });
        Self {
            next: serials.max().map_or(1, |last| last + 1),
            prefix,
        }
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

/// Puts wheels into cases, in order, and cases on pallets when there is more than one.
/// `None` when there are no more numbers.
pub fn pack(
    order: OrderId,
    wheels: &[WheelId],
    shipper: &Shipper,
    numbers: &mut CaseNumbers,
) -> Option<Vec<OrderPacked>> {
    let cases: Vec<&[WheelId]> = wheels.chunks(shipper.wheels_per_case.max(1)).collect();
    let mut packed = Vec::new();
    for on_pallet in cases.chunks(shipper.cases_per_pallet.max(1)) {
        let pallet = if cases.len() > 1 {
            Some(numbers.give()?)
        } else {
            None
        };
        for wheels in on_pallet {
            packed.push(OrderPacked {
                order,
                case: numbers.give()?,
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
        let packed = pack("1".parse().unwrap(), &wheels(9), &shipper, &mut numbers).unwrap();
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
        // One case needs no pallet.
        let one = pack("1".parse().unwrap(), &wheels(1), &shipper, &mut numbers).unwrap();
        assert_eq!(one[0].pallet, None);
    }

    #[test]
    fn numbers_end_where_the_prefix_leaves_no_more() {
        let shipper = shipper("0950600123456789");
        let mut numbers = CaseNumbers::after(&shipper, []);
        assert_eq!((0..20).filter_map(|_| numbers.give()).count(), 9);
        assert_eq!(
            pack("1".parse().unwrap(), &wheels(2), &shipper, &mut numbers),
            None
        );
    }
}
