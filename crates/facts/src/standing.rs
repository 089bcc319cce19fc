//! The facts that count, in the order in which they happened.

use std::collections::{BTreeMap, BTreeSet};

use crate::{Event, Fact, FactId};

/// Puts facts in the order in which they happened, each once, without those that were
/// voided. The same whatever order, and how often, they are given in.
///
/// A voiding can itself be voided; then its target counts again. In a ring of voidings
/// none takes effect.
#[must_use]
pub fn standing(facts: &[Fact]) -> Vec<&Fact> {
    let mut voiders: BTreeMap<FactId, BTreeSet<FactId>> = BTreeMap::new();
    for fact in facts {
        if let Event::Voided(voided) = &fact.event {
            voiders.entry(voided.fact).or_default().insert(fact.id);
        }
    }
    let mut order: Vec<&Fact> = facts.iter().collect();
    order.sort_by_key(|fact| fact.order());
    order.dedup_by_key(|fact| fact.id);
    if !voiders.is_empty() {
        order.retain(|fact| !is_void(&voiders, fact.id, &mut Vec::new()));
    }
    order
}

fn is_void(
    voiders: &BTreeMap<FactId, BTreeSet<FactId>>,
    fact: FactId,
    path: &mut Vec<FactId>,
) -> bool {
    let Some(by) = voiders.get(&fact) else {
        return false;
    };
    if path.contains(&fact) {
        return true;
    }
    path.push(fact);
    let void = by.iter().any(|voider| !is_void(voiders, *voider, path));
    path.pop();
    void
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{RoomCleaned, Voided};

    fn id(n: u128) -> FactId {
        FactId::from_uuid(uuid::Uuid::from_u128(n))
    }

    fn fact(n: u128, second: i64, event: Event) -> Fact {
        let at = chrono::DateTime::from_timestamp(second, 0).unwrap();
        Fact {
            id: id(n),
            site: "larkholm".parse().unwrap(),
            station: "room-1".parse().unwrap(),
            station_seq: 1,
            person: None,
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event,
        }
    }

    fn cleaned(n: u128, second: i64) -> Fact {
        let room = "R1".parse().unwrap();
        let method = "foam".to_owned();
        fact(n, second, RoomCleaned { room, method }.into())
    }

    fn voids(n: u128, target: u128) -> Fact {
        let reason = "slip".to_owned();
        let fact_ = id(target);
        fact(
            n,
            100,
            Voided {
                fact: fact_,
                reason,
            }
            .into(),
        )
    }

    fn numbers(facts: &[Fact]) -> Vec<u128> {
        let kept = standing(facts);
        kept.iter().map(|f| f.id.uuid().as_u128()).collect()
    }

    #[test]
    fn order_and_repetition_do_not_matter() {
        let (a, b) = (cleaned(1, 20), cleaned(2, 10));
        assert_eq!(numbers(&[a.clone(), b.clone(), a.clone()]), [2, 1]);
        assert_eq!(numbers(&[b.clone(), a, b]), [2, 1]);
    }

    #[test]
    fn a_voided_voiding_lets_its_target_count_again() {
        assert_eq!(numbers(&[cleaned(1, 1), voids(2, 1)]), [2]);
        assert_eq!(numbers(&[cleaned(1, 1), voids(2, 1), voids(3, 2)]), [1, 3]);
        assert!(numbers(&[voids(1, 2), voids(2, 1)]).is_empty());
    }
}
