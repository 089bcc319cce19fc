//! What the rules make of a forecast, and that they need none.

use chrono::NaiveDate;
use facts::{ExpectedOn, ForecastTold, Voided};
use quantity::Percent;
use ripening::{Action, Floor, Window, answer};

use crate::given::*;

fn on(day: &str, from: &str, until: &str) -> ExpectedOn {
    let date = |text: &str| -> NaiveDate { format!("2026-{text}").parse().unwrap() };
    ExpectedOn {
        day: date(day),
        from: date(from),
        until: date(until),
    }
}

fn told(ready: ExpectedOn) -> ForecastTold {
    ForecastTold {
        batch: "318".parse().unwrap(),
        cover_pct: None,
        covered: None,
        leaves: None,
        moved_on: None,
        ready,
        rind_looks: 3,
        cores: 0,
        learnt_from: 40,
        worth_ironing: Vec::new(),
    }
}

/// In R1 since day 5.
fn in_r1() -> Given {
    Given::default()
        .at("2026-02-02 09:00", portioned("318-01"))
        .at("2026-02-07 08:00", unhooped("318-01"))
        .at("2026-02-07 09:00", rubbed_up("318-01"))
        .at("2026-02-07 10:00", moved("318-01", "R1"))
}

/// In R3, pierced on day 35.
fn pierced_in_r3() -> Given {
    in_r1()
        .at("2026-02-20 10:00", moved("318-01", "R2"))
        .at("2026-03-09 07:00", rind("318-01", 95.0))
        .at("2026-03-09 07:30", needles(48))
        .at("2026-03-09 08:00", pierced("318-01"))
        .at("2026-03-10 08:00", moved("318-01", "R3"))
}

/// The window and the reason of what a wheel is asked for.
fn asked(floor: &Floor, action: Action) -> (Window, String) {
    let wheel = floor.wheel(wheel("318-01")).unwrap();
    let asked = wheel.actions().iter().find(|a| a.action == action).unwrap();
    let life = answer::wheel(floor, crate::given::wheel("318-01")).unwrap();
    let line = life
        .next
        .iter()
        .find(|line| line.action == action.to_string());
    (asked.window, line.unwrap().because.clone())
}

fn day(window: &Window) -> (String, String, String) {
    let local = |at: chrono::DateTime<chrono::Utc>| at.format("%m-%d").to_string();
    (
        local(window.earliest),
        local(window.due),
        local(window.latest - chrono::TimeDelta::hours(5)),
    )
}

fn days(earliest: &str, due: &str, latest: &str) -> (String, String, String) {
    (earliest.to_owned(), due.to_owned(), latest.to_owned())
}

#[test]
fn without_a_forecast_the_recipes_calendar_stands() {
    let floor = pierced_in_r3().floor("2026-03-11 12:00");
    let (window, because) = asked(&floor, Action::Iron);
    assert_eq!(day(&window).0, "03-30", "56 days");
    assert!(because.contains("first core at 56 days"), "{because}");
}

#[test]
fn the_first_core_follows_the_forecast_and_says_so() {
    let soon = on("04-02", "03-27", "04-08");
    let floor = pierced_in_r3()
        .at("2026-03-11 05:00", told(soon))
        .floor("2026-03-11 12:00");
    let (window, because) = asked(&floor, Action::Iron);
    assert_eq!(day(&window).0, "03-27");
    assert!(
        because.contains("by the forecast") && because.contains("as the calendar has it"),
        "{because}"
    );
}

#[test]
fn a_wild_forecast_moves_a_core_by_no_more_than_the_recipes_interval_allows() {
    for (ready, expected) in [
        (on("02-01", "01-01", "03-01"), "03-23"),
        (on("12-01", "11-01", "12-31"), "04-13"),
    ] {
        let floor = pierced_in_r3()
            .at("2026-03-11 05:00", told(ready))
            .floor("2026-03-11 12:00");
        assert_eq!(day(&asked(&floor, Action::Iron).0).0, expected);
    }
}

#[test]
fn the_next_core_waits_while_the_batch_is_far_from_ready() {
    let late = on("04-14", "04-10", "04-19");
    let floor = pierced_in_r3()
        .at("2026-03-30 10:00", ironed("318-01", 40.0))
        .at("2026-03-30 11:00", told(late))
        .floor("2026-03-30 12:00");
    let (window, because) = asked(&floor, Action::Iron);
    assert_eq!(day(&window).0, "04-10", "not on 6 April, a week after");
    assert!(because.contains("40 % on"), "{because}");
}

/// Four pierced wheels of a batch of which three are ironed.
fn four_pierced() -> Given {
    let codes = ["318-01", "318-02", "318-03", "318-04"];
    let mut given = Given::default();
    for code in codes {
        given = given.at("2026-02-02 09:00", portioned(code));
    }
    for code in codes {
        given = given
            .at("2026-02-07 08:00", unhooped(code))
            .at("2026-02-07 10:00", moved(code, "R3"))
            .at("2026-03-09 08:00", pierced(code));
    }
    given
}

fn worth(wheels: &[&str]) -> ForecastTold {
    let mut told = told(on("04-14", "04-10", "04-19"));
    told.worth_ironing = wheels.iter().map(|code| wheel(code)).collect();
    told
}

/// The wheels that are to be ironed and have to be still.
fn asked_to_iron(floor: &Floor) -> Vec<String> {
    let asked = floor.wheels().filter(|(_, wheel)| {
        let mut actions = wheel.actions().iter();
        actions.any(|next| next.action == Action::Iron)
    });
    asked.map(|(id, _)| id.to_string()).collect()
}

#[test]
fn wheels_already_open_are_ironed_first_then_those_that_tell_most() {
    let to_iron = |floor: &Floor| -> Vec<String> {
        let progress = &floor.batch("318".parse().unwrap()).unwrap().progress;
        progress.to_iron.iter().map(ToString::to_string).collect()
    };
    let by_number = four_pierced().floor("2026-03-11 12:00");
    assert_eq!(to_iron(&by_number), ["318-01", "318-02", "318-03"]);
    let told = four_pierced().at("2026-03-11 05:00", worth(&["318-04", "318-03", "777-01"]));
    let floor = told.floor("2026-03-11 12:00");
    assert_eq!(to_iron(&floor), ["318-04", "318-03", "318-01"]);
    let life = answer::wheel(&floor, wheel("318-04")).unwrap();
    let says = |words: &str| life.next.iter().any(|line| line.because.contains(words));
    assert!(
        says("by the forecast a core of it tells most"),
        "{:?}",
        life.next
    );
    let opened = told.at("2026-03-30 10:00", ironed("318-02", 40.0));
    let floor = opened.floor("2026-03-30 12:00");
    assert_eq!(to_iron(&floor), ["318-02", "318-04", "318-03"]);
    // One that has gone stands for nothing, unless its blue was through.
    let gone = opened.at("2026-03-31 10:00", dispatched("318-02"));
    assert_eq!(
        to_iron(&gone.floor("2026-03-31 12:00")),
        ["318-04", "318-03", "318-01"]
    );
}

#[test]
fn a_wheel_whose_core_was_through_is_not_opened_again() {
    let floor = four_pierced()
        .at("2026-03-30 10:00", ironed("318-01", 97.0))
        .at("2026-03-30 10:01", ironed("318-02", 60.0))
        .at("2026-03-30 10:02", ironed("318-03", 70.0))
        .floor("2026-04-10 12:00");
    assert_eq!(asked_to_iron(&floor), ["318-02", "318-03"]);
}

#[test]
fn a_room_move_is_due_when_the_forecast_expects_the_cover_within_the_recipes_stay() {
    let mut expects = told(on("04-02", "03-27", "04-08"));
    expects.leaves = Some("R1".parse().unwrap());
    expects.moved_on = Some(on("02-18", "02-16", "02-21"));
    let calendar = in_r1().floor("2026-02-12 12:00");
    let (window, _) = asked(&calendar, Action::MoveOn("R2".parse().unwrap()));
    assert_eq!(day(&window), days("02-23", "02-23", "02-23"));
    let floor = in_r1()
        .at("2026-02-12 05:00", expects.clone())
        .floor("2026-02-12 12:00");
    let (window, because) = asked(&floor, Action::MoveOn("R2".parse().unwrap()));
    assert_eq!(day(&window), days("02-18", "02-21", "02-23"));
    assert!(because.contains("by the forecast about"), "{because}");
    // What was expected of another room says nothing of this one.
    expects.leaves = Some("R2".parse().unwrap());
    let floor = in_r1()
        .at("2026-02-12 05:00", expects)
        .floor("2026-02-12 12:00");
    let (window, _) = asked(&floor, Action::MoveOn("R2".parse().unwrap()));
    assert_eq!(day(&window).0, "02-23");
}

#[test]
fn the_rind_is_looked_at_on_the_day_its_cover_is_expected() {
    let mut expects = told(on("04-02", "03-27", "04-08"));
    expects.cover_pct = Percent::new(30.0).ok();
    expects.covered = Some(on("02-17", "02-16", "02-19"));
    let seen = in_r1().at("2026-02-15 09:00", rind("318-01", 12.0));
    let floor = seen.floor("2026-02-15 12:00");
    assert_eq!(day(&asked(&floor, Action::RindCheck).0).0, "02-18");
    let floor = seen
        .at("2026-02-15 10:00", expects)
        .floor("2026-02-15 12:00");
    let (window, because) = asked(&floor, Action::RindCheck);
    assert_eq!(day(&window).0, "02-17");
    assert!(because.contains("forecast expects the cover"), "{because}");
}

#[test]
fn a_voided_forecast_leaves_the_one_before_and_the_batch_shows_what_stands() {
    let given = pierced_in_r3()
        .at("2026-03-11 05:00", told(on("04-02", "03-28", "04-08")))
        .at("2026-03-12 05:00", told(on("04-06", "04-01", "04-10")));
    let last = given.facts.last().unwrap().id;
    let given = given.at(
        "2026-03-12 09:00",
        Voided {
            fact: last,
            reason: "the room was misread".into(),
        },
    );
    let floor = given.floor("2026-03-12 12:00");
    assert_eq!(day(&asked(&floor, Action::Iron).0).0, "03-28");
    let picture = answer::batch(&floor, "318".parse().unwrap()).unwrap();
    assert_eq!(
        picture.expected.unwrap().ready,
        on("04-02", "03-28", "04-08")
    );
}
