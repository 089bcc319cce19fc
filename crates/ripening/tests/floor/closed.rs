//! What has left the dairy for long is put away, and comes back when anything speaks of it.

use std::collections::BTreeMap;

use facts::{
    BatchId, Fact, FactId, Grade, ToolCheck, ToolChecked, Voided, WheelDiscarded, WheelDispatched,
};
use facts::{WheelGraded, WheelPierced, WheelPortioned, WheelReturned};
use ripening::{Closed, FlagKind, Floor, Needs, Reopens as _, Situation, answer};

use crate::given::{Given, portioned, time, turned, wheel};

const BATCH: [&str; 2] = ["318-01", "318-02"];

fn left(who: &[&str]) -> WheelDispatched {
    WheelDispatched {
        wheels: who.iter().map(|w| wheel(w)).collect(),
        via: None,
        order: None,
        market: None,
        sale: None,
    }
}

fn needles(counted: u32) -> ToolChecked {
    ToolChecked {
        tool: "PM1".parse().unwrap(),
        check: ToolCheck::Needles {
            expected: 48,
            counted,
        },
    }
}

/// Two wheels made, pierced and sent away by 1 April; one of another batch stays.
fn story() -> Given {
    let mut given = Given::default().at("2026-01-30 07:00", needles(48));
    for who in BATCH {
        given = given.at("2026-02-02 06:00", portioned(who));
    }
    given
        .at("2026-02-02 06:00", portioned("319-01"))
        .at("2026-02-03 06:00", turned(&BATCH))
        .at(
            "2026-03-09 08:00",
            WheelPierced {
                wheels: BATCH.iter().map(|w| wheel(w)).collect(),
                via: None,
                machine: "PM1".parse().unwrap(),
            },
        )
        .at(
            "2026-03-30 09:00",
            WheelGraded {
                wheels: vec![wheel(BATCH[0])],
                via: None,
                grade: Grade::A,
            },
        )
        .at("2026-04-01 09:00", left(&BATCH[..1]))
        .at(
            "2026-04-01 09:00",
            WheelDiscarded {
                wheels: vec![wheel(BATCH[1])],
                reason: "cracked".into(),
            },
        )
}

/// Where closed batches lie in these tests.
#[derive(Default)]
struct Shelf(BTreeMap<BatchId, Closed>);

impl Shelf {
    fn puts_away(&mut self, floor: &mut Floor) {
        let closed = floor.close(0).into_iter();
        self.0.extend(closed.map(|closed| (closed.id, closed)));
    }

    fn gives(&mut self, floor: &mut Floor, needs: &Needs) {
        let asked = self.0.extract_if(.., |id, closed| {
            let fact = |fact: &FactId| closed.facts().contains(fact);
            needs.batches.contains(id)
                || needs.wheels.iter().any(|w| closed.wheels().contains(w))
                || needs.facts.iter().any(fact)
        });
        asked.for_each(|(_, closed)| floor.reopen(closed).unwrap());
    }

    fn takes(&mut self, floor: &mut Floor, fact: &Fact) {
        let needs = floor.needs(fact);
        self.gives(floor, &needs);
        floor.apply(fact);
    }
}

/// The floor at a time with everything closed put away, and the same without.
fn at(given: &Given, now: &str) -> (Floor, Shelf, Floor) {
    let mut shelf = Shelf::default();
    let mut floor = given.floor(now);
    shelf.puts_away(&mut floor);
    (floor, shelf, given.floor(now))
}

/// One more fact comes, the day after; what the floor is then with nothing put away.
fn then(
    given: Given,
    floor: &mut Floor,
    shelf: &mut Shelf,
    event: impl Into<facts::Event>,
) -> Floor {
    let given = given.at("2026-06-11 10:00", event);
    shelf.takes(floor, given.facts.last().unwrap());
    floor.refresh(time("2026-06-11 10:05"));
    given.floor("2026-06-11 10:05")
}

fn taken_back(fact: FactId) -> Voided {
    Voided {
        fact,
        reason: "another stillage".into(),
    }
}

fn picture(floor: &Floor, who: &str) -> String {
    format!("{:#?}", answer::wheel(floor, wheel(who)).unwrap())
}

#[test]
fn a_batch_is_put_away_sixty_days_after_its_last_wheel_left_and_not_a_day_before() {
    let (floor, shelf, _) = at(&story(), "2026-05-31 08:59");
    assert!(shelf.0.is_empty() && floor.wheel(wheel(BATCH[0])).is_some());
    let (floor, shelf, whole) = at(&story(), "2026-05-31 09:00");
    assert_eq!(shelf.0.len(), 1);
    assert!(floor.wheel(wheel(BATCH[0])).is_none());
    assert!(floor.wheel(wheel("319-01")).is_some(), "it stands there");
    let glance = |floor: &Floor| format!("{:#?}", answer::floor(floor, &[]));
    assert_eq!(glance(&floor), glance(&whole));
    assert!(glance(&floor).contains("dispatched: 1"));
    let graded: Vec<_> = floor.graded_away().collect();
    assert_eq!(graded, [("practice-blue".parse().unwrap(), Grade::A, 1)]);
    assert_eq!(whole.graded_away().count(), 0);
}

#[test]
fn what_is_asked_for_comes_back_as_it_was() {
    let (mut floor, mut shelf, whole) = at(&story(), "2026-06-10 09:00");
    let wheels = floor.needs_wheels(&[wheel(BATCH[1])]);
    assert_eq!(wheels, [wheel(BATCH[1])]);
    let needs = Needs {
        wheels,
        ..Needs::default()
    };
    shelf.gives(&mut floor, &needs);
    floor.refresh(time("2026-06-10 09:00"));
    for who in BATCH {
        assert_eq!(picture(&floor, who), picture(&whole, who));
    }
    assert!(floor.away().is_empty());
    shelf.puts_away(&mut floor);
    assert_eq!(shelf.0.len(), 1, "and it is put away again");
}

#[test]
fn a_wheel_that_comes_back_after_months_stands_on_the_floor_with_its_whole_life() {
    let given = story();
    let (mut floor, mut shelf, _) = at(&given, "2026-06-10 09:00");
    let back = WheelReturned {
        wheels: vec![wheel(BATCH[0])],
        reason: "not sold".into(),
    };
    let whole = then(given, &mut floor, &mut shelf, back);
    shelf.puts_away(&mut floor);
    assert_eq!(picture(&floor, BATCH[0]), picture(&whole, BATCH[0]));
    assert!(floor.wheel(wheel(BATCH[0])).unwrap().state().on_floor());
    assert!(shelf.0.is_empty(), "its batch stays as long as it does");
}

#[test]
fn a_correction_of_a_closed_wheels_record_counts() {
    let given = story();
    let (mut floor, mut shelf, _) = at(&given, "2026-06-10 09:00");
    let turn = given.facts[4].id;
    let whole = then(given, &mut floor, &mut shelf, taken_back(turn));
    assert_eq!(floor.wheel(wheel(BATCH[0])).unwrap().state().turns, 0);
    assert_eq!(picture(&floor, BATCH[0]), picture(&whole, BATCH[0]));
}

/// Found in a review: the batch that it went over to came to be anew, empty, and took the place
/// of the one that was put away.
#[test]
fn a_wheel_that_a_correction_moves_to_a_closed_batch_finds_it_whole() {
    let both = |batch: &str| WheelPortioned {
        batch: batch.parse().unwrap(),
        ..portioned("317-77")
    };
    let given = story()
        .at("2026-02-01 06:00", both("317"))
        .at("2026-02-02 06:30", both("318"));
    let mistaken = given.facts[given.facts.len() - 2].id;
    let (mut floor, mut shelf, _) = at(&given, "2026-06-10 09:00");
    assert!(floor.wheel(wheel(BATCH[0])).is_none() && floor.wheel(wheel("317-77")).is_some());
    let whole = then(given, &mut floor, &mut shelf, taken_back(mistaken));
    for who in [BATCH[0], BATCH[1], "317-77"] {
        assert_eq!(picture(&floor, who), picture(&whole, who));
    }
    let batch = |floor: &Floor| format!("{:#?}", answer::batch(floor, "318".parse().unwrap()));
    assert_eq!(batch(&floor), batch(&whole));
}

/// One whose only portioning was taken back is of no batch, and goes back to its own when that
/// is taken back in turn.
#[test]
fn a_correction_of_a_correction_gives_a_wheel_back_to_its_closed_batch() {
    let given = story().at("2026-02-02 06:30", portioned("318-03"));
    let portioning = given.facts.last().unwrap().id;
    let given = given.at("2026-02-02 06:31", taken_back(portioning));
    let mistaken = given.facts.last().unwrap().id;
    let (mut floor, mut shelf, _) = at(&given, "2026-06-10 09:00");
    assert!(floor.wheel(wheel(BATCH[0])).is_none());
    let whole = then(given, &mut floor, &mut shelf, taken_back(mistaken));
    for who in [BATCH[0], "318-03"] {
        assert_eq!(picture(&floor, who), picture(&whole, who));
    }
}

#[test]
fn a_correction_reaches_open_and_closed_wheels_of_one_fact() {
    let both = story().at("2026-04-02 09:00", turned(&[BATCH[0], "319-01"]));
    let turn = both.facts.last().unwrap().id;
    let (mut floor, mut shelf, _) = at(&both, "2026-06-10 09:00");
    assert!(floor.wheel(wheel(BATCH[0])).is_none());
    let whole = then(both, &mut floor, &mut shelf, taken_back(turn));
    for who in [BATCH[0], "319-01"] {
        assert_eq!(picture(&floor, who), picture(&whole, who));
    }
}

#[test]
fn a_hold_over_a_room_knows_where_a_stillage_was_moved_to_by_wheels_that_are_long_gone() {
    let moved = |who: &[&str]| facts::WheelMoved {
        wheels: who.iter().map(|w| wheel(w)).collect(),
        via: Some(facts::Carrier::Stillage("S7".parse().unwrap())),
        room: "R1".parse().unwrap(),
        position: None,
    };
    let loaded = |who: &str| facts::WheelLoaded {
        wheels: vec![wheel(who)],
        stillage: "S7".parse().unwrap(),
    };
    let given = story()
        .at("2026-02-10 09:00", loaded(BATCH[0]))
        .at("2026-02-10 10:00", moved(&BATCH[..1]));
    let (mut floor, mut shelf, _) = at(&given, "2026-06-10 09:00");
    let window = facts::Window {
        from: time("2026-06-01 00:00"),
        to: None,
    };
    let given = given
        .at("2026-06-11 06:00", portioned("400-01"))
        .at("2026-06-11 08:00", loaded("400-01"))
        .at(
            "2026-06-11 09:00",
            facts::HoldPlaced {
                hold: "Q1".parse().unwrap(),
                scope: facts::Scope::Room {
                    room: "R1".parse().unwrap(),
                    window,
                },
                reason: "swab".into(),
                cause: None,
            },
        );
    for fact in &given.facts[given.facts.len() - 3..] {
        shelf.takes(&mut floor, fact);
    }
    floor.refresh(time("2026-06-11 10:05"));
    let whole = given.floor("2026-06-11 10:05");
    assert_eq!(picture(&floor, "400-01"), picture(&whole, "400-01"));
    assert_eq!(floor.holds(wheel("400-01")).len(), 1);
}

#[test]
fn a_failed_needle_check_counts_the_wheels_that_left_long_ago() {
    let given = story();
    let (mut floor, mut shelf, _) = at(&given, "2026-06-10 09:00");
    then(given, &mut floor, &mut shelf, needles(47));
    shelf.puts_away(&mut floor);
    let told = floor.tell();
    let failed = told.iter().find(|a| a.situation == Situation::CheckFailed);
    let text = &failed.unwrap().text;
    assert!(text.contains("2 wheels pierced since"), "{text}");
    assert!(
        text.contains("1 of them have left: call them back"),
        "{text}"
    );
    assert!(shelf.0.is_empty(), "they stay while the alert stands");
}

#[test]
fn a_wheel_that_is_gone_asks_for_nothing_once_it_is_closed() {
    let odd = story().at("2026-04-01 10:00", turned(&BATCH[..1]));
    let open = odd.floor("2026-05-31 09:59");
    let reviews = |floor: &Floor| floor.wheel(wheel(BATCH[0])).unwrap().actions().len();
    assert_eq!(reviews(&open), 1, "scanned after it was dispatched");
    let closed = odd.floor("2026-05-31 10:00");
    assert_eq!(reviews(&closed), 0);
    let flags = closed.wheel(wheel(BATCH[0])).unwrap().flags();
    let after = flags.iter().find(|f| f.kind == FlagKind::AfterDispatch);
    assert!(after.is_some(), "it stays flagged");
    // The clock alone closes it: nobody has to look.
    let mut floor = open;
    floor.refresh(time("2026-05-31 10:00"));
    assert_eq!(reviews(&floor), 0);
}

#[test]
fn the_youngest_batches_of_a_recipe_stay_whatever_became_of_them() {
    let mut floor = story().floor("2026-06-10 09:00");
    assert!(floor.close(2).is_empty());
    floor.refresh(time("2026-06-11 09:00"));
    assert_eq!(floor.close(1).len(), 1);
}
