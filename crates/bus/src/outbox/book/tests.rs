//! The book over a shelf in memory.

use chrono::{DateTime, Utc};
use facts::{Draft, Fact, FactIdSource};

use super::*;

fn noon() -> DateTime<Utc> {
    "2031-03-04T12:00:00Z".parse().unwrap()
}

fn drafts(count: usize) -> Vec<Draft> {
    let cleaned = |n: usize| Draft {
        occurred_at: noon(),
        claimed_at: None,
        person: None,
        event: facts::RoomCleaned {
            room: "R1".parse().unwrap(),
            method: format!("brush {n}"),
        }
        .into(),
    };
    (0..count).map(cleaned).collect()
}

fn recorded(shelf: &Memory, count: usize) -> Vec<Fact> {
    let next = standing(shelf).unwrap().last + 1;
    let whose = ("larkholm".parse().unwrap(), "S1".parse().unwrap());
    let ids = FactIdSource::default();
    let id = || ids.next(noon());
    let numbered = number(shelf, (next, id), whose, drafts(count), noon());
    let (facts, changes) = numbered.unwrap();
    shelf.apply(changes).unwrap();
    facts
}

fn settled(shelf: &Memory, outcomes: Vec<(u64, Outcome)>) -> Settled {
    let sent = standing(shelf).unwrap().sent;
    let (changes, settled) = settle(shelf, outcomes, sent).unwrap();
    shelf.apply(changes).unwrap();
    settled
}

#[test]
fn one_refused_fact_holds_up_nothing_and_is_kept_with_its_reason() {
    let shelf = Memory::default();
    let facts = recorded(&shelf, 4);
    let why = "you may not say so".to_owned();
    settled(
        &shelf,
        vec![
            (1, Outcome::Stored),
            (2, Outcome::Refused(why.clone())),
            (3, Outcome::Unknown("no answer".to_owned())),
            (4, Outcome::Stored),
        ],
    );
    let now = standing(&shelf).unwrap();
    assert_eq!((now.waiting, now.sent, now.refused), (1, 2, 1));
    let waits: Vec<_> = oldest(&shelf, 9, 9, &[])
        .unwrap()
        .iter()
        .map(|(p, _)| *p)
        .collect();
    assert_eq!(waits, [3]);
    let kept = refused(&shelf).unwrap().remove(0);
    assert_eq!(kept.reason, why);
    assert_eq!(kept.line, wire::to_line(&facts[1]).unwrap());
    assert_eq!(lines(&shelf).unwrap().len(), 4);
    // The permission was corrected: it goes in its turn, under its own number.
    let (changes, again) = try_refused(&shelf).unwrap();
    shelf.apply(changes).unwrap();
    assert_eq!(again, 1);
    let waits: Vec<_> = oldest(&shelf, 9, 9, &[])
        .unwrap()
        .iter()
        .map(|(p, _)| *p)
        .collect();
    assert_eq!(waits, [2, 3]);
    assert_eq!(recorded(&shelf, 1)[0].station_seq, 5);
}

#[test]
fn an_outcome_twice_or_of_nothing_changes_nothing() {
    let shelf = Memory::default();
    recorded(&shelf, 1);
    assert_eq!(settled(&shelf, vec![(1, Outcome::Stored)]).sent, 1);
    for outcome in [Outcome::Stored, Outcome::Refused(String::new())] {
        assert_eq!(
            settled(&shelf, vec![(1, outcome.clone())]),
            Settled::default()
        );
        assert_eq!(settled(&shelf, vec![(7, outcome)]), Settled::default());
    }
    assert_eq!(standing(&shelf).unwrap().sent, 1);
}
