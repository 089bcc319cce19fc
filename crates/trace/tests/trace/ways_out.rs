//! Held wheels against every way out of the dairy: the station's dispatch scan, and the
//! rule that says what is to be dispatched. Whatever happened before, once the holds over
//! scopes are stated to their wheels, none of these wheels can leave.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveTime;
use facts::{Event, Fact, FactId, Scope, WheelId};
use holds::{Rights, Rule};
use proptest::prelude::*;
use quantity::DairyClock;
use recipe::{Origin, Recipe, RecipeBook};
use ripening::{Action, Blocked, Floor, Practice};
use station::{Placement, Scan, Session, Setup};
use trace::Index;

use crate::any::any_log;
use crate::given::{id, time};

const RECIPE: &str = include_str!("../../../recipe/tests/common-practice.toml");

fn clock() -> DairyClock {
    DairyClock::new(
        chrono_tz::Europe::London,
        NaiveTime::from_hms_opt(4, 0, 0).unwrap(),
    )
}

/// The log, with a hold over a batch placed at its end and told to its wheels.
fn held(facts: &[Fact]) -> (Vec<Fact>, BTreeSet<WheelId>) {
    let mut facts = facts.to_vec();
    // A wheel that has left is not held here but called back.
    let mut state = |event: Event, person: Option<&str>| {
        let number = facts.len() as u64 + 1;
        facts.push(Fact {
            id: FactId::from_uuid(
                format!("{:032x}", (u128::from(number) << 64) + 7)
                    .parse()
                    .unwrap(),
            ),
            site: id("larkholm"),
            station: id("records"),
            station_seq: number,
            person: person.map(id),
            occurred_at: time("7 06:00") + chrono::TimeDelta::seconds(number as i64),
            claimed_at: None,
            recorded_at: time("7 06:00"),
            event,
        });
        facts.clone()
    };
    let placed = facts::HoldPlaced {
        hold: id("LAB-7"),
        scope: Scope::Batch(id("b1")),
        reason: "positive".to_owned(),
        cause: None,
    };
    let mut all = state(placed.into(), Some("01"));
    let rights = Rights::Named(BTreeSet::from([id("01")]));
    let mut index = Index::new(Rule::new(&RecipeBook::default(), rights));
    all.iter().for_each(|fact| index.apply(fact));
    for owed in index.trace().owed_holds() {
        all = state(owed.into(), None);
    }
    all.iter().for_each(|fact| index.apply(fact));
    let standing = index.trace().standing_holds();
    let kept = standing
        .iter()
        .filter(|hold| hold.hold == id("LAB-7"))
        .flat_map(|hold| {
            assert!(hold.owed.is_empty() && hold.let_go.is_empty());
            hold.kept.clone()
        });
    let kept = kept.collect();
    (all, kept)
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    #[test]
    fn no_dispatch_scan_lets_a_held_wheel_go(facts in any_log()) {
        let (facts, kept) = held(&facts);
        let mut placement = Placement::default();
        facts.iter().for_each(|fact| placement.apply(fact));
        for wheel in kept {
            let setup = Setup {
                clock: clock(),
                recipes: BTreeMap::new(),
                holds: holds::Rule::default(),
                rooms: BTreeMap::new(),
                people: [(id("01"), None)].into(),
                machines: Default::default(),
        irons: Default::default(),
        youngest: BTreeMap::new(),
                dispatch_desk: false,
                scale: None,
            };
            let mut session = Session::new(id("dispatch-1"), setup);
            let now = time("8 06:00");
            for line in ["P.01", "A.DISPATCH", "O.o1"] {
                let _ = session.scan(&placement, &Scan::new(line, now));
            }
            let outcome = session.scan(&placement, &Scan::new(&format!("W.{wheel}"), now));
            prop_assert!(outcome.drafts.is_empty(), "{wheel} got out: {}", outcome.answer);
            let words = &outcome.answer.words;
            let why = words.contains("under hold") || words.contains("not known here");
            prop_assert!(why, "{}", outcome.answer);
        }
    }

    #[test]
    fn no_rule_asks_for_a_held_wheel_to_be_dispatched(facts in any_log()) {
        let (mut facts, kept) = held(&facts);
        // Graded, so that the rule has a reason to ask.
        for (n, wheel) in kept.iter().enumerate() {
            let graded = facts::WheelGraded { wheels: vec![*wheel], via: None, grade: facts::Grade::A };
            facts.push(Fact {
                id: FactId::from_uuid(format!("{:032x}", (n as u128) << 100 | 9).parse().unwrap()),
                occurred_at: time("8 06:00"),
                event: graded.into(),
                ..facts[0].clone()
            });
        }
        let mut recipes = RecipeBook::default();
        let origin = Origin { file: "common-practice.toml", text: RECIPE };
        recipes.add(Recipe::parse(&origin).unwrap());
        let mut floor = Floor::new(Practice {
            clock: clock(),
            turn_by: NaiveTime::from_hms_opt(18, 0, 0).unwrap(),
            lost_after_days: 4,
            closed_after_days: 60,
            recipes,
            rights: ripening::Rights::AnyBadge,
        }, chrono::DateTime::UNIX_EPOCH);
        facts.iter().for_each(|fact| floor.apply(fact));
        floor.refresh(time("31 06:00") + chrono::TimeDelta::days(30));
        for wheel in kept {
            let actions = floor.wheel(wheel).map_or(&[][..], |wheel| wheel.actions());
            for action in actions.iter().filter(|action| action.action == Action::Dispatch) {
                prop_assert!(
                    matches!(action.because.blocked, Some(Blocked::Held | Blocked::NeedlesUncounted)),
                    "{wheel} may leave: {action:?}"
                );
            }
            prop_assert!(floor.holds(wheel).contains(&id("LAB-7")));
        }
    }
}
