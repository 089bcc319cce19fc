//! Taken back means one thing: wheels' lives, make records, orders, the diary of checks and
//! whoever reads a log whole agree on which facts count, whoever takes them back.

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};
use dispatch::orders::OrderBook;
use facts::{Event, Fact, FactId, OrderId, OrderPlaced, ToolCheck};
use proptest::prelude::*;
use quantity::{Grams, Litres};
use ripening::{Floor, Practice, answer};
use safety::Diary;

use crate::held::{code, practice};
use crate::obvious::never_happened;

const STATIONS: [&str; 4] = ["st-1", "st-2", "order-desk", "gateway"];

fn at(minute: i64) -> DateTime<Utc> {
    code::<DateTime<Utc>>("2026-03-02T06:00:00Z") + TimeDelta::minutes(minute)
}

/// What stations, desks and the office state: kinds that anyone takes back, that a manager
/// does, and that somebody who may release does.
fn event() -> impl Strategy<Value = Event> {
    let wheels = || vec![code("b1-01")];
    let needles = |counted| ToolCheck::Needles {
        expected: 40,
        counted,
    };
    prop_oneof![
        Just(
            facts::WheelTurned {
                wheels: wheels(),
                via: None
            }
            .into()
        ),
        Just(
            facts::WheelPortioned {
                wheel: code("b1-01"),
                batch: code("b1"),
                weight_g: Grams::new(10_000).unwrap(),
                scale: None,
                tare_g: None,
                mixer: None,
            }
            .into()
        ),
        prop::sample::select(vec![facts::Grade::A, facts::Grade::Reject]).prop_map(move |grade| {
            facts::WheelGraded {
                wheels: wheels(),
                via: None,
                grade,
            }
            .into()
        }),
        Just(
            facts::WheelHeld {
                wheels: wheels(),
                hold: code("Q1"),
                reason: String::new(),
            }
            .into()
        ),
        Just(
            facts::WheelReleased {
                wheels: wheels(),
                hold: code("Q1"),
                reason: String::new(),
            }
            .into()
        ),
        Just(
            facts::WheelReturned {
                wheels: wheels(),
                reason: String::new()
            }
            .into()
        ),
        (1u32..3).prop_map(|recipe_version| facts::VatStarted {
            batch: code("b1"),
            vat: code("V1"),
            recipe: code("blue"),
            recipe_version,
            milk_l: Litres::new(500.0).unwrap(),
            milk_lots: Vec::new(),
        }
        .into()),
        (1u32..3).prop_map(|recipe_version| facts::VatRecipeChanged {
            batch: code("b1"),
            recipe: code("blue"),
            recipe_version,
            reason: String::new(),
        }
        .into()),
        (39u32..41).prop_map(move |counted| facts::ToolChecked {
            tool: code("PM1"),
            check: needles(counted),
        }
        .into()),
        (0u32..3).prop_map(|n| OrderPlaced {
            order: code("A1"),
            customer: format!("customer {n}"),
            market: code("NORTH"),
            arrive_on: code("2026-04-01"),
            lines: Vec::new(),
            standing: None,
        }
        .into()),
    ]
}

/// A minute apart, so that a station's UNDO reaches back to some and not to others.
fn id(n: usize) -> FactId {
    let millis = 0x0190_b6b0_0000 + 60_000 * n;
    let (high, low) = (millis >> 16, millis & 0xffff);
    code(&format!("{high:08x}-{low:04x}-7000-8000-{n:012x}"))
}

fn history() -> impl Strategy<Value = Vec<Fact>> {
    let person = prop::sample::select(vec![None, Some("01"), Some("07")]);
    let station = prop::sample::select(STATIONS.as_slice());
    let void = prop::option::weighted(0.4, any::<prop::sample::Index>());
    let stated = (event(), 0..60i64, person, station, void);
    let facts = prop::collection::vec(stated, 1..25).prop_map(|stated| {
        let stated = stated.into_iter().enumerate();
        let facts = stated.map(|(n, (event, minute, person, station, void))| Fact {
            id: id(n),
            site: code("larkholm"),
            station: code(station),
            station_seq: n as u64 + 1,
            person: person.map(code),
            occurred_at: at(minute),
            claimed_at: None,
            recorded_at: at(minute),
            event: match void.filter(|_| n > 0) {
                Some(target) => facts::Voided {
                    fact: id(target.index(n)),
                    reason: "wrong".to_owned(),
                }
                .into(),
                None => event,
            },
        });
        facts.collect::<Vec<_>>()
    });
    facts.prop_flat_map(|facts| Just(facts).prop_shuffle())
}

proptest! {
    #[test]
    fn every_place_takes_back_the_same_facts(facts in history()) {
        let Practice { rights, .. } = practice();
        let all: Vec<&Fact> = facts.iter().collect();
        let counts = |fact: &Fact| !never_happened(fact, &all, &rights);
        let ids = |of: &mut dyn Iterator<Item = &Fact>| of.map(|fact| fact.id).collect::<BTreeSet<_>>();
        let should = ids(&mut facts.iter().filter(|fact| counts(fact)));

        let read = holds::counting(&facts, &rights);
        prop_assert_eq!(&ids(&mut read.iter().copied()), &should, "a log read whole");

        let mut diary = Diary::under(rights.clone());
        let mut book = OrderBook::default();
        let mut floor = Floor::new(practice(), at(100));
        for fact in &facts {
            diary.apply(fact);
            book.apply(fact);
            floor.apply(fact);
        }
        floor.refresh(at(100));
        for fact in diary.facts() {
            prop_assert!(counts(fact), "diary: {}", fact.event.ty());
        }
        let kept = |fact: &&Fact| {
            matches!(fact.event, Event::ToolChecked(_) | Event::VatStarted(_) | Event::VatRecipeChanged(_))
        };
        let of_diary = ids(&mut facts.iter().filter(kept).filter(|fact| counts(fact)));
        prop_assert!(of_diary.is_subset(&ids(&mut diary.facts())), "diary");

        let order: OrderId = code("A1");
        let mut placed: Vec<&Fact> = facts.iter().filter(|fact| counts(fact)).collect();
        placed.sort_by_key(|fact| fact.order());
        let placed = placed.into_iter().find_map(|fact| match &fact.event {
            Event::OrderPlaced(placed) => Some(placed),
            _ => None,
        });
        prop_assert_eq!(book.placed(order), placed, "orders");

        let life = answer::wheel(&floor, code("b1-01")).map_or_else(|_| Vec::new(), |life| life.life);
        let record = answer::batch(&floor, code("b1")).map_or_else(|_| Vec::new(), |b| b.record);
        for line in life.iter().chain(&record) {
            let counts = should.contains(&line.fact);
            prop_assert_eq!(line.voided.is_none(), counts, "{}", line.words);
        }
        let failed = floor.tool(code("PM1")).and_then(|tool| tool.standing(floor.voids()));
        let mut checks: Vec<&Fact> = facts.iter().filter(|fact| counts(fact)).collect();
        checks.retain(|fact| matches!(fact.event, Event::ToolChecked(_)));
        let last = checks.into_iter().max_by_key(|fact| fact.order());
        prop_assert_eq!(failed.map(|(moment, ..)| moment.fact), last.map(|fact| fact.id), "tools");
    }
}
