//! Common practice (no source), as the project's design page states it: 5 days in the
//! hoop with one turn a day; rubbed up the same day; first rind mould within 7 to 10 days
//! of unhooping; pierced at about 5 weeks; shipped at 8 to 9 weeks.

use ripening::{Action, Urgency};

use crate::given::*;

/// Made on Monday 2 February 2026.
fn made() -> Given {
    Given::default().at("2026-02-02 09:00", portioned("318-01"))
}

#[test]
fn it_is_turned_once_a_dairy_day_from_the_day_after_it_was_made() {
    assert_eq!(made().then("318-01", "2026-02-02 20:00"), []);
    assert_eq!(
        made().then("318-01", "2026-02-03 05:00"),
        [(Action::Turn, Urgency::Due)]
    );
    let turned = made().at("2026-02-03 06:00", turned(&["318-01"]));
    assert_eq!(
        turned.then("318-01", "2026-02-03 23:00"),
        [],
        "turned: nothing until tomorrow"
    );
    assert_eq!(
        turned.then("318-01", "2026-02-04 03:59"),
        [],
        "the dairy day starts at 04:00"
    );
    assert_eq!(
        turned.then("318-01", "2026-02-04 04:00"),
        [(Action::Turn, Urgency::Due)]
    );
    assert_eq!(
        turned.then("318-01", "2026-02-04 18:00"),
        [(Action::Turn, Urgency::Overdue)]
    );
    assert_eq!(
        turned.then("318-01", "2026-02-05 04:00"),
        [(Action::Turn, Urgency::Missed)]
    );
}

#[test]
fn it_leaves_the_hoop_after_five_days() {
    let needs = |now| {
        let turned = made().at("2026-02-06 06:00", turned(&["318-01"]));
        turned
            .then("318-01", now)
            .into_iter()
            .any(|(action, _)| action == Action::Unhoop)
    };
    assert!(!needs("2026-02-06 12:00"), "four days old");
    assert!(needs("2026-02-07 06:00"), "five days old");
}

fn unhooped_on_day_five() -> Given {
    made()
        .at("2026-02-07 06:00", turned(&["318-01"]))
        .at("2026-02-07 08:00", unhooped("318-01"))
}

#[test]
fn it_is_rubbed_up_the_same_dairy_day() {
    let given = unhooped_on_day_five();
    assert_eq!(
        given.then("318-01", "2026-02-07 09:00"),
        [(Action::RubUp, Urgency::Due)]
    );
    assert_eq!(
        given.then("318-01", "2026-02-07 18:00"),
        [(Action::RubUp, Urgency::Overdue)]
    );
    let next_day = given.then("318-01", "2026-02-08 04:00");
    assert!(
        next_day.contains(&(Action::RubUp, Urgency::Missed)),
        "{next_day:?}"
    );
}

fn in_first_room() -> Given {
    unhooped_on_day_five()
        .at("2026-02-07 09:00", rubbed_up("318-01"))
        .at("2026-02-07 10:00", moved("318-01", "R1"))
}

#[test]
fn rubbed_up_it_goes_to_the_first_room_of_its_chain() {
    let rubbed = unhooped_on_day_five().at("2026-02-07 09:00", rubbed_up("318-01"));
    let first = "R1".parse().unwrap();
    assert_eq!(
        rubbed.then("318-01", "2026-02-07 10:00"),
        [(Action::Place(first), Urgency::Due)]
    );
    assert_eq!(in_first_room().then("318-01", "2026-02-07 11:00"), []);
}

/// Looked at every three days; the first mould is expected 7 to 10 days after
/// unhooping, so a look on day 12 that finds none is a warning.
#[test]
fn a_rind_that_does_not_come_is_a_warning_after_ten_days() {
    let floor = |cover| {
        in_first_room()
            .at("2026-02-16 07:00", rind("318-01", cover))
            .floor("2026-02-19 07:00")
    };
    let severity = |cover: f64| {
        let floor = floor(cover);
        let wheel = floor.wheel(wheel("318-01")).unwrap();
        wheel
            .actions()
            .iter()
            .find(|a| a.action == Action::RindCheck)
            .unwrap()
            .severity
    };
    assert_eq!(severity(5.0), ripening::Severity::Notice);
    assert_eq!(severity(0.0), ripening::Severity::Warning);
}

#[test]
fn it_moves_on_when_its_rind_cover_is_reached_and_at_the_longest_stay_at_the_latest() {
    let on = "R2".parse().unwrap();
    let covered = in_first_room().at("2026-02-16 07:00", rind("318-01", 35.0));
    let needs = covered.then("318-01", "2026-02-16 08:00");
    assert!(
        needs.contains(&(Action::MoveOn(on), Urgency::Due)),
        "{needs:?}"
    );
    let bare = in_first_room().at("2026-02-16 07:00", rind("318-01", 10.0));
    let needs = bare.then("318-01", "2026-02-17 08:00");
    assert!(
        !needs
            .iter()
            .any(|(action, _)| *action == Action::MoveOn(on)),
        "{needs:?}"
    );
    // Entered on 7 February, at most 16 days: due on the 23rd.
    let needs = bare.then("318-01", "2026-02-23 08:00");
    assert!(
        needs.contains(&(Action::MoveOn(on), Urgency::Due)),
        "{needs:?}"
    );
}

#[test]
fn it_is_pierced_at_five_weeks_and_not_without_rind() {
    let day_35 = "2026-03-09 08:00";
    let covered = in_first_room().at("2026-03-08 07:00", rind("318-01", 95.0));
    assert!(
        covered
            .then("318-01", day_35)
            .contains(&(Action::Pierce, Urgency::Due))
    );
    let blocked = |given: Given| {
        let floor = given.floor(day_35);
        let wheel = floor.wheel(wheel("318-01")).unwrap();
        wheel
            .actions()
            .iter()
            .find(|a| a.action == Action::Pierce)
            .unwrap()
            .because
            .blocked
    };
    assert_eq!(blocked(covered), None);
    let bare = in_first_room().at("2026-03-08 07:00", rind("318-01", 20.0));
    assert_eq!(blocked(bare), Some(ripening::Blocked::TooLittleRind));
}

#[test]
fn it_is_shipped_at_seven_weeks_for_export_or_eight_to_nine_for_local_shops() {
    let graded = in_first_room()
        .at("2026-03-09 07:00", pierced("318-01"))
        .at("2026-03-30 07:00", ironed("318-01", 90.0))
        .at("2026-03-31 07:00", graded("318-01"));
    let floor = graded.floor("2026-03-31 08:00");
    let wheel = floor.wheel(wheel("318-01")).unwrap();
    let asked = wheel
        .actions()
        .iter()
        .find(|a| a.action == Action::Dispatch)
        .unwrap();
    let clock = practice().clock;
    let age = |at| clock.age(wheel.state().made.unwrap(), at).0;
    // The export market's law asks 60 days on arrival, 14 days away: 46 days old at least.
    assert_eq!(age(asked.window.earliest), 46);
    assert_eq!(age(asked.window.due), 63, "nine weeks");
}
