//! Cases that were packed, until their labels and those of their pallets were asked for.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use facts::stored::instant;
use facts::{Event, Fact, FactId, OrderId, OrderPacked, Sscc, WheelId, stored_struct};
use ripening::{Guard, Target, Voids};

/// A case packed longer ago than this gets no label by itself.
const LABELLED_WITHIN: TimeDelta = TimeDelta::days(1);

/// A pallet is filled within this time; a case packed so much later is on another that was
/// given the same number.
const FILLED_WITHIN: TimeDelta = TimeDelta::days(14);

/// Cases by the fact that says so: a fact that comes twice is one case. Stored with the
/// floor, so that a pallet's label counts every case on it, also after a restart.
#[derive(Debug, Default)]
pub(crate) struct Cases {
    cases: BTreeMap<FactId, Case>,
    changed: bool,
}

#[derive(Debug)]
struct Case {
    at: DateTime<Utc>,
    /// Who takes it back.
    guard: Guard,
    order: OrderId,
    case: Sscc,
    wheels: Vec<WheelId>,
    pallet: Option<Sscc>,
    /// Whether its label was asked for, or it is too old for one.
    settled: bool,
}

stored_struct!(Cases { cases } skip { changed });

stored_struct!(Case {
    at via instant,
    guard,
    order,
    case,
    wheels,
    pallet,
    settled,
});

impl Case {
    fn never_was(&self, cause: FactId, voids: &Voids) -> bool {
        voids.takes_back(Target::kept(cause, self.guard))
    }

    fn packed(&self) -> OrderPacked {
        OrderPacked {
            order: self.order,
            case: self.case,
            wheels: self.wheels.clone(),
            pallet: self.pallet,
        }
    }
}

/// What is to be labelled now.
#[derive(Debug, Default)]
pub(crate) struct Wanted {
    /// Cases, each with the fact that it was packed by.
    pub(crate) cases: Vec<(FactId, OrderPacked)>,
    /// Pallets, each with the fact that put the latest case on it, and all cases on it.
    pub(crate) pallets: Vec<(FactId, Sscc, Vec<OrderPacked>)>,
}

impl Cases {
    /// Takes note of a case that was packed.
    pub(crate) fn fact(&mut self, fact: &Fact) {
        let Event::OrderPacked(packed) = &fact.event else {
            return;
        };
        let OrderPacked {
            order,
            case,
            wheels,
            pallet,
        } = packed;
        self.cases.entry(fact.id).or_insert_with(|| Case {
            at: fact.occurred_at,
            guard: Guard::of(fact),
            order: *order,
            case: *case,
            wheels: wheels.clone(),
            pallet: *pallet,
            settled: false,
        });
        self.changed = true;
    }

    /// Whether anything has changed since this was last asked.
    pub(crate) fn take_changed(&mut self) -> bool {
        std::mem::take(&mut self.changed)
    }

    /// Labels of cases packed lately, also of those packed while the scheduler was away, and
    /// of the pallets that they stand on, which are labelled again with every case.
    pub(crate) fn wanted(&mut self, now: DateTime<Utc>, voids: &Voids) -> Wanted {
        let mut wanted = Wanted::default();
        let mut last: BTreeMap<Sscc, (DateTime<Utc>, FactId)> = BTreeMap::new();
        for (cause, case) in &mut self.cases {
            if case.never_was(*cause, voids) {
                continue;
            }
            if std::mem::replace(&mut case.settled, true) {
                continue;
            }
            self.changed = true;
            if now.signed_duration_since(case.at) > LABELLED_WITHIN {
                continue;
            }
            wanted.cases.push((*cause, case.packed()));
            if let Some(pallet) = case.pallet {
                let latest = (case.at, *cause);
                let last = last.entry(pallet).or_insert(latest);
                *last = latest.max(*last);
            }
        }
        for (pallet, (at, cause)) in last {
            wanted
                .pallets
                .push((cause, pallet, self.on(pallet, at, voids)));
        }
        self.forget(now);
        wanted
    }

    fn on(&self, pallet: Sscc, at: DateTime<Utc>, voids: &Voids) -> Vec<OrderPacked> {
        let mut on: Vec<_> = self
            .cases
            .iter()
            .filter(|(cause, case)| case.pallet == Some(pallet) && !case.never_was(**cause, voids))
            .filter(|(_, case)| case.at <= at && at - case.at <= FILLED_WITHIN)
            .collect();
        on.sort_by_key(|(cause, case)| (case.at, **cause));
        on.into_iter().map(|(_, case)| case.packed()).collect()
    }

    /// Forgets cases that no label will count.
    fn forget(&mut self, now: DateTime<Utc>) {
        let before = self.cases.len();
        let late = LABELLED_WITHIN + FILLED_WITHIN;
        self.cases
            .retain(|_, case| now.signed_duration_since(case.at) <= late);
        self.changed |= self.cases.len() < before;
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn id(n: u128) -> FactId {
        format!("0190b6b0-0000-7000-8000-{n:012x}").parse().unwrap()
    }

    fn fact(n: u128, at: &str, event: impl Into<Event>) -> Fact {
        let at = at.parse().unwrap();
        Fact {
            id: id(n),
            site: "larkholm".parse().unwrap(),
            station: "office".parse().unwrap(),
            station_seq: 1,
            person: None,
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event: event.into(),
        }
    }

    fn packed(case: u64) -> OrderPacked {
        OrderPacked {
            order: "A1".parse().unwrap(),
            case: Sscc::with_check_digit(case).unwrap(),
            wheels: vec![format!("318-{case:02}").parse().unwrap()],
            pallet: Sscc::with_check_digit(900),
        }
    }

    fn restarted(cases: &Cases) -> Cases {
        use facts::stored::borsh;
        borsh::from_slice(&borsh::to_vec(cases).unwrap()).unwrap()
    }

    #[test]
    fn a_pallets_label_counts_every_case_on_it_also_those_packed_before_a_restart() {
        let now = "2026-03-02T10:00:00Z".parse().unwrap();
        let mut cases = Cases::default();
        let first = fact(1, "2026-03-02T09:00:00Z", packed(1));
        cases.fact(&first);
        cases.fact(&first);
        let wanted = cases.wanted(now, &Voids::default());
        assert_eq!(wanted.cases.len(), 1, "a fact that comes twice is one case");
        assert_eq!(wanted.pallets[0].2, [packed(1)]);

        let mut cases = restarted(&cases);
        assert!(
            cases.wanted(now, &Voids::default()).cases.is_empty(),
            "asked for once"
        );
        cases.fact(&fact(2, "2026-03-02T09:30:00Z", packed(2)));
        let wanted = restarted(&cases).wanted(now, &Voids::default());
        assert_eq!(wanted.cases.len(), 1);
        let (cause, _, on) = &wanted.pallets[0];
        assert_eq!(*cause, id(2));
        assert_eq!(on, &[packed(1), packed(2)]);
    }

    #[test]
    fn a_case_that_never_was_is_on_no_pallet_and_one_of_last_week_gets_no_label() {
        let now = "2026-03-09T10:00:00Z".parse().unwrap();
        let mut cases = Cases::default();
        cases.fact(&fact(1, "2026-03-02T09:00:00Z", packed(1)));
        cases.fact(&fact(2, "2026-03-09T09:00:00Z", packed(2)));
        cases.fact(&fact(3, "2026-03-09T09:01:00Z", packed(3)));
        let voided = facts::Voided {
            fact: id(2),
            reason: "wrong case".into(),
        };
        let mut voids = Voids::default();
        let voided_by = |n, station: &str| {
            let fact = fact(n, "2026-03-09T09:02:00Z", voided.clone());
            let station = station.parse().unwrap();
            ripening::Voiding::of(&Fact { station, ..fact }, &voided)
        };
        voids.add(voided_by(4, "scale-1"));
        let others = restarted(&cases).wanted(now, &voids);
        assert_eq!(others.cases.len(), 2, "another station takes nothing back");
        voids.add(voided_by(5, "office"));
        let wanted = cases.wanted(now, &voids);
        assert_eq!(wanted.cases.len(), 1);
        assert_eq!(wanted.pallets[0].2, [packed(1), packed(3)]);
    }
}
