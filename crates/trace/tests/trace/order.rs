//! Facts arrive in any order, late, twice: every answer is the same, and it is the one that
//! a slow model gives.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};

use facts::{Event, Fact, FactId, Scope, Voided};
use proptest::prelude::*;
use trace::{Index, Reason, Settings, Storage};

use crate::any::{any_log, scopes};
use crate::given::{id, time};
use crate::slow;

/// Every answer, as text.
fn answers(index: &mut Index) -> Vec<String> {
    let trace = index.trace();
    let now = time("7 06:00");
    let mut answers: Vec<String> = scopes()
        .iter()
        .map(|scope| {
            serde_json::to_string(&trace.recall(scope, &Settings::default(), now)).unwrap()
        })
        .collect();
    answers.push(serde_json::to_string(&trace.standing_holds()).unwrap());
    answers
}

type Rows = BTreeMap<Vec<u8>, Vec<u8>>;

/// A storage that outlives its index: what was put lies there since it was last stored.
#[derive(Debug, Default, Clone)]
struct Outliving(Arc<Mutex<(Rows, Rows)>>);

impl Outliving {
    fn store(&self) {
        let mut rows = self.0.lock().unwrap();
        rows.1 = rows.0.clone();
    }

    /// As after a kill: only what was stored is there.
    fn kill(&self) {
        let mut rows = self.0.lock().unwrap();
        rows.0 = rows.1.clone();
    }
}

impl Storage for Outliving {
    fn get(&self, key: &[u8]) -> Option<Vec<u8>> {
        self.0.lock().unwrap().0.get(key).cloned()
    }

    fn between(&self, from: &[u8], to: &[u8], take: &mut dyn FnMut(&[u8], &[u8]) -> bool) {
        let rows = self.0.lock().unwrap();
        let within = rows
            .0
            .iter()
            .filter(|(key, _)| key.as_slice() >= from && key.as_slice() < to);
        for (key, value) in within {
            if !take(key, value) {
                return;
            }
        }
    }

    fn put(&mut self, key: &[u8], value: Vec<u8>) {
        self.0.lock().unwrap().0.insert(key.to_vec(), value);
    }

    fn remove(&mut self, key: &[u8]) {
        self.0.lock().unwrap().0.remove(key);
    }

    fn damaged(&self, why: &str) {
        panic!("{why}");
    }
}

fn folded(facts: &[Fact]) -> Index {
    let mut index = Index::default();
    facts.iter().for_each(|fact| index.apply(fact));
    index
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn any_order_and_any_repeat_gives_the_same_answers(
        (facts, shuffled) in any_log().prop_flat_map(|facts| {
            let twice: Vec<Fact> = facts.iter().chain(facts.iter().step_by(3)).cloned().collect();
            (Just(facts), Just(twice).prop_shuffle())
        }),
        asked_after in 0usize..40,
    ) {
        let expected = answers(&mut folded(&facts));
        prop_assert_eq!(&answers(&mut folded(&shuffled)), &expected);
        // Asked in between: what was derived is brought up to date, not built anew.
        let mut index = Index::default();
        for (n, fact) in shuffled.iter().enumerate() {
            index.apply(fact);
            if n % 7 == asked_after % 7 {
                let _ = index.trace();
            }
        }
        prop_assert_eq!(&answers(&mut index), &expected);
    }

    #[test]
    fn an_index_that_was_killed_and_goes_on_where_it_was_stored_gives_the_same_answers(
        facts in any_log().prop_flat_map(|facts| Just(facts).prop_shuffle()),
        deeds in prop::collection::vec(0u8..6, 40),
    ) {
        let expected = answers(&mut folded(&facts));
        let storage = Outliving::default();
        let open = || Index::lying_in(Box::new(storage.clone()), holds::Rule::default());
        let (mut index, mut at, mut stored) = (open(), 0, 0);
        for deed in deeds {
            match deed {
                0 | 1 => {
                    index.put_down();
                    storage.store();
                    stored = at;
                }
                2 => {
                    storage.kill();
                    (index, at) = (open(), stored);
                }
                3 => {
                    index.settle(2);
                }
                _ => {
                    facts.iter().skip(at).take(4).for_each(|fact| index.apply(fact));
                    at = facts.len().min(at + 4);
                }
            }
        }
        facts.iter().skip(at).for_each(|fact| index.apply(fact));
        prop_assert_eq!(&answers(&mut index), &expected);
        prop_assert_eq!(index.len(), folded(&facts).len());
    }

    #[test]
    fn a_voided_fact_counts_as_if_it_had_never_happened(facts in any_log(), which in any::<prop::sample::Index>()) {
        // Only one that is not void, and no voiding, so that leaving it out is what voiding means.
        let which = which.index(facts.len());
        let target = &facts[which];
        let spoken_of = facts.iter().any(|fact| matches!(&fact.event, Event::Voided(e) if e.fact == target.id));
        prop_assume!(!spoken_of && !matches!(target.event, Event::Voided(_)));
        let without: Vec<Fact> = facts.iter().filter(|fact| fact.id != target.id).cloned().collect();
        let voiding = Fact {
            id: FactId::from_uuid(format!("{:032x}", u128::MAX).parse().unwrap()),
            station: id("gateway"),
            person: Some(id("01")),
            event: Voided { fact: target.id, reason: "wrong".to_owned() }.into(),
            ..target.clone()
        };
        let mut voided = folded(&facts);
        let _ = voided.trace();
        voided.apply(&voiding);
        for (left, right) in answers(&mut voided).iter().zip(&answers(&mut folded(&without))) {
            prop_assert_eq!(left, right, "{:?}", target.event);
        }
    }

    #[test]
    fn the_slow_model_agrees(facts in any_log()) {
        let mut index = folded(&facts);
        let trace = index.trace();
        let lots = (1..4).map(|n| Scope::Lot(id(&format!("l{n}"))));
        let batches = (1..4).map(|n| Scope::Batch(id(&format!("b{n}"))));
        for scope in lots.chain(batches) {
            let fast = trace.recall(&scope, &Settings::default(), time("7 06:00"));
            let slow = slow::recall(&facts, &scope);
            let fast: slow::Answer = fast
                .wheels
                .iter()
                .map(|wheel| {
                    let contacts = wheel.because.iter().filter_map(|reason| match reason {
                        Reason::Contact(contact) => Some((contact.how, contact.place)),
                        _ => None,
                    });
                    (wheel.wheel, (wheel.level, contacts.collect()))
                })
                .collect();
            prop_assert_eq!(fast, slow, "{:?}", scope);
        }
    }
}
