//! Rules across wheels, and what cannot be right.

use facts::{ToolCheck, ToolChecked, Voided, WheelReleased, WheelReturned};
use ripening::{Action, Blocked, FlagKind, Situation, Urgency, answer};

use crate::given::*;

fn pierced_batch(n: usize) -> Given {
    let mut given = Given::default();
    for i in 1..=n {
        let who = format!("318-{i:02}");
        given = given
            .at("2026-02-02 09:00", portioned(&who))
            .at("2026-02-07 08:00", unhooped(&who))
            .at("2026-02-07 09:00", rubbed_up(&who))
            .at("2026-02-07 10:00", moved(&who, "R1"))
            .at("2026-03-09 07:00", rind(&who, 95.0))
            .at("2026-03-09 07:30", needles(48))
            .at("2026-03-09 08:00", pierced(&who));
    }
    given
}

fn asks(given: &Given, who: &str, action: Action, now: &str) -> bool {
    given
        .then(who, now)
        .iter()
        .any(|(asked, _)| *asked == action)
}

#[test]
fn three_wheels_of_a_batch_are_ironed_and_the_batch_is_ready_when_all_three_are_through() {
    let day_56 = "2026-03-30 09:00";
    let given = pierced_batch(5);
    for (who, ironed) in [("318-01", true), ("318-03", true), ("318-04", false)] {
        assert_eq!(asks(&given, who, Action::Iron, day_56), ironed, "{who}");
    }
    let two = given
        .at("2026-03-30 10:00", ironed("318-01", 90.0))
        .at("2026-03-30 10:01", ironed("318-02", 85.0))
        .at("2026-03-30 10:02", ironed("318-03", 60.0));
    assert!(!asks(&two, "318-05", Action::Grade, "2026-03-30 11:00"));
    assert!(
        !asks(&two, "318-03", Action::Iron, "2026-04-05 11:00"),
        "again after a week"
    );
    assert!(asks(&two, "318-03", Action::Iron, "2026-04-06 11:00"));
    let three = two.at("2026-04-06 12:00", ironed("318-03", 82.0));
    assert!(
        asks(&three, "318-05", Action::Grade, "2026-04-06 13:00"),
        "all of them are graded"
    );
    assert!(!asks(&three, "318-03", Action::Iron, "2026-05-06 11:00"));
}

fn graded_and_held() -> Given {
    pierced_batch(1)
        .at("2026-03-30 10:00", ironed("318-01", 90.0))
        .at("2026-03-31 10:00", graded("318-01"))
        .at("2026-04-01 10:00", held("318-01"))
}

#[test]
fn a_held_wheel_is_turned_but_never_dispatched() {
    let given = graded_and_held();
    let floor = given.floor("2026-04-02 09:00");
    let actions = floor.wheel(wheel("318-01")).unwrap().actions();
    let blocked = |action| {
        actions
            .iter()
            .find(|a| a.action == action)
            .unwrap()
            .because
            .blocked
    };
    assert_eq!(blocked(Action::Dispatch), Some(Blocked::Held));
    assert_eq!(blocked(Action::Turn), None);
}

#[test]
fn a_released_wheel_may_go_and_a_release_that_was_a_mistake_holds_it_again() {
    let release = WheelReleased {
        wheels: vec![wheel("318-01")],
        hold: "Q1".parse().unwrap(),
        reason: "second swab clean".into(),
    };
    let released = graded_and_held().at("2026-04-02 10:00", release).by("09");
    let held = |given: &Given| {
        let floor = given.floor("2026-04-02 12:00");
        !floor.holds(wheel("318-01")).is_empty()
    };
    assert!(!held(&released));
    let mistake = released.facts.last().unwrap().id;
    let voided = released.at(
        "2026-04-02 11:00",
        Voided {
            fact: mistake,
            reason: "wrong wheel".into(),
        },
    );
    assert!(held(&voided));
}

#[test]
fn what_cannot_be_right_is_kept_and_flagged() {
    let flags = |given: &Given| -> Vec<FlagKind> {
        let floor = given.floor("2026-04-10 09:00");
        let flags = floor.wheel(wheel("318-01")).unwrap().flags();
        flags.iter().map(|flag| flag.kind).collect()
    };
    let gone = graded_and_held().at("2026-04-03 10:00", dispatched("318-01"));
    assert_eq!(flags(&gone), [FlagKind::DispatchedWhileHeld]);
    let turned_after = gone.at("2026-04-04 10:00", turned(&["318-01"]));
    assert_eq!(
        flags(&turned_after),
        [FlagKind::DispatchedWhileHeld, FlagKind::AfterDispatch]
    );
    let twice = pierced_batch(1).at("2026-03-10 09:00", portioned("318-01"));
    assert_eq!(flags(&twice), [FlagKind::BornTwice]);
    let unknown = Given::default().at("2026-03-10 09:00", turned(&["318-01"]));
    assert_eq!(flags(&unknown), [FlagKind::NotBorn]);
    let in_hoop = Given::default()
        .at("2026-02-02 09:00", portioned("318-01"))
        .at("2026-02-03 09:00", rubbed_up("318-01"))
        .at("2026-02-03 10:00", pierced("318-01"));
    assert_eq!(
        flags(&in_hoop),
        [FlagKind::RubbedUpInHoop, FlagKind::PiercedInHoop]
    );
}

#[test]
fn a_wheel_that_came_back_asks_a_person_to_decide() {
    let back = WheelReturned {
        wheels: vec![wheel("318-01")],
        reason: "box crushed".into(),
    };
    let given = pierced_batch(1)
        .at("2026-04-03 10:00", dispatched("318-01"))
        .at("2026-04-08 10:00", back);
    assert!(asks(&given, "318-01", Action::Decide, "2026-04-08 11:00"));
    assert!(
        asks(&given, "318-01", Action::Turn, "2026-04-09 11:00"),
        "and is turned meanwhile"
    );
    let floor = given.floor("2026-04-08 11:00");
    let needs = answer::wheel(&floor, wheel("318-01")).unwrap().next;
    let needs: Vec<_> = needs.iter().map(|next| next.action.as_str()).collect();
    assert!(
        !needs.iter().any(|action| action.starts_with("bring to")),
        "it begins no chain of rooms again: {needs:?}"
    );
}

#[test]
fn a_wheel_whose_portioning_was_undone_counts_nowhere() {
    let given = Given::default()
        .at("2026-02-02 09:00", portioned("318-01"))
        .at("2026-02-02 09:05", portioned("318-02"))
        .at("2026-02-03 09:00", turned(&["318-02"]));
    let births: Vec<_> = given.facts[..2].iter().map(|fact| fact.id).collect();
    let undone = births.into_iter().fold(given, |given, fact| {
        let reason = "undone at station here".into();
        given.at("2026-02-03 10:00", Voided { fact, reason })
    });
    let floor = undone.floor("2026-02-03 11:00");
    let picture = answer::floor(&floor, &[]);
    assert_eq!((picture.on_floor, picture.held), (0, 0));
    assert!(picture.places.iter().all(|place| place.wheels == 0));
    assert_eq!(answer::census(&floor), []);
    assert!(answer::batch(&floor, "318".parse().unwrap()).is_err());
    // One of them was turned: somebody has to look what that was.
    assert_eq!(picture.never_portioned, 1);
    assert_eq!(picture.strays, [wheel("318-02")]);
}

#[test]
fn a_wheel_nobody_has_scanned_for_four_days_is_to_be_found() {
    let given = pierced_batch(1).at("2026-03-09 09:00", turned(&["318-01"]));
    assert!(!asks(&given, "318-01", Action::Find, "2026-03-12 09:00"));
    assert!(asks(&given, "318-01", Action::Find, "2026-03-13 09:00"));
}

#[test]
fn a_failed_needle_check_counts_the_wheels_since_the_last_good_one() {
    let check = |counted| ToolChecked {
        tool: "PM1".parse().unwrap(),
        check: ToolCheck::Needles {
            expected: 48,
            counted,
        },
    };
    let mut given = Given::default().at("2026-03-09 07:00", check(48));
    let batch = pierced_batch(3);
    for fact in batch.facts {
        let when = fact.occurred_at.format("%Y-%m-%d %H:%M").to_string();
        given = given.at(&when, fact.event);
    }
    let broken = given.at("2026-03-09 12:00", check(47));
    let mut floor = broken.floor("2026-03-09 12:05");
    let told = floor.tell();
    let alert = told
        .iter()
        .find(|a| a.situation == Situation::CheckFailed)
        .unwrap();
    assert!(alert.text.contains("47 of 48 needles"), "{}", alert.text);
    assert!(
        alert.text.contains("3 wheels pierced since"),
        "{}",
        alert.text
    );
}

#[test]
fn a_reason_names_the_rule_the_window_and_the_facts() {
    let given = pierced_batch(1);
    let floor = given.floor("2026-03-10 09:00");
    let life = ripening::answer::wheel(&floor, wheel("318-01")).unwrap();
    let turn = life.next.iter().find(|line| line.action == "turn").unwrap();
    assert_eq!(turn.urgency, Urgency::Missed);
    assert_eq!(turn.rule, "turning");
    assert_eq!(
        turn.because,
        "not turned since it was made on Mon 2 Feb 2026; every dairy day in R1 (practice-blue v1)"
    );
    assert_eq!(turn.facts[0], given.facts[0].id);
}

#[test]
fn a_serial_that_was_never_portioned_here_is_told_to_a_person() {
    let mut floor = Given::default()
        .at("2026-03-10 09:00", turned(&["999-01"]))
        .floor("2026-03-10 09:01");
    let told = floor.tell();
    assert_eq!(told.len(), 1);
    assert_eq!(
        told[0].text,
        "wheel 999-01: recorded in a way that cannot be right"
    );
}

#[test]
fn a_batch_stays_ready_when_a_wheel_whose_core_was_drawn_is_thrown_away() {
    let gone = facts::WheelDiscarded {
        wheels: vec![wheel("318-01")],
        reason: "fell".into(),
    };
    let given = pierced_batch(3)
        .at("2026-03-30 10:00", ironed("318-01", 90.0))
        .at("2026-03-30 10:01", ironed("318-02", 85.0))
        .at("2026-03-30 10:02", ironed("318-03", 88.0))
        .at("2026-03-31 10:00", gone);
    assert!(asks(&given, "318-02", Action::Grade, "2026-03-31 11:00"));
}
