//! What only some recipes ask for, and wheels that go on by another recipe.

use facts::{Carrier, Grade, VatRecipeChanged, VatStarted, WheelGraded, WheelTurned};
use ripening::answer::{self, Face};
use ripening::{Action, Blocked, FlagKind, Floor, NextAction, Situation, Urgency};

use crate::given::*;

const POSITIVE_RELEASE: (&str, &str) = (
    "[pierce]",
    "[[hold]]\nid = \"LAB\"\nreason = \"laboratory result\"\n\n[pierce]",
);
const FINISH: (&str, &str) = (
    "[drain]",
    "[finish]\nweight_g = 9800\ntolerance_g = 200\nage_days = 64\n\n[drain]",
);
const SECOND_PIERCING: (&str, &str) = (
    "least_cover_pct = 60",
    "least_cover_pct = 60\nagain_after_days = { earliest = 12, due = 14, latest = 18 }",
);

/// Made on Monday 2 February 2026, pierced on 9 March with counted needles.
fn pierced_wheel() -> Given {
    unpierced_wheel()
        .at("2026-03-09 07:30", needles(48))
        .at("2026-03-09 08:00", pierced("318-01"))
}

fn unpierced_wheel() -> Given {
    Given::default()
        .at("2026-02-02 09:00", portioned("318-01"))
        .at("2026-02-07 08:00", unhooped("318-01"))
        .at("2026-02-07 09:00", rubbed_up("318-01"))
        .at("2026-02-07 10:00", moved("318-01", "R1"))
        .at("2026-03-08 07:00", rind("318-01", 95.0))
}

fn graded_wheel() -> Given {
    pierced_wheel().at("2026-03-31 10:00", graded("318-01"))
}

fn asked(floor: &Floor, action: Action) -> Option<NextAction> {
    let actions = floor.wheel(wheel("318-01")).unwrap().actions();
    actions.iter().find(|a| a.action == action).copied()
}

fn flags(floor: &Floor) -> Vec<FlagKind> {
    let flags = floor.wheel(wheel("318-01")).unwrap().flags();
    flags.iter().map(|flag| flag.kind).collect()
}

#[test]
fn a_wheel_of_a_recipe_with_positive_release_is_born_held_and_leaves_only_when_a_named_person_releases_it()
 {
    let now = "2026-04-02 12:00";
    let floor = |given: &Given| given.floor_of(practice_with(&[POSITIVE_RELEASE]), now);
    let blocked = |given: &Given| {
        asked(&floor(given), Action::Dispatch)
            .unwrap()
            .because
            .blocked
    };
    let given = graded_wheel();
    assert_eq!(blocked(&given), Some(Blocked::Held));
    assert_eq!(
        floor(&given).holds(wheel("318-01")),
        ["LAB".parse().unwrap()]
    );
    assert_eq!(
        answer::census(&floor(&given))[0].holds,
        ["LAB".parse().unwrap()]
    );

    let nobody = graded_wheel().at("2026-04-02 10:00", released("318-01", "LAB"));
    assert_eq!(blocked(&nobody), Some(Blocked::Held));
    assert_eq!(flags(&floor(&nobody)), [FlagKind::ReleasedByNobody]);

    let somebody = nobody
        .at("2026-04-02 10:30", released("318-01", "LAB"))
        .by("09");
    assert_eq!(blocked(&somebody), None);
    let somebody = graded_wheel()
        .at("2026-04-02 10:30", released("318-01", "LAB"))
        .by("09");
    assert_eq!(flags(&floor(&somebody)), [], "such a release is in order");

    let again = somebody.at(
        "2026-04-02 11:00",
        facts::WheelHeld {
            wheels: vec![wheel("318-01")],
            hold: "LAB".parse().unwrap(),
            reason: "second result".into(),
        },
    );
    assert_eq!(
        blocked(&again),
        Some(Blocked::Held),
        "set again by a person"
    );

    let gone = graded_wheel().at("2026-04-02 10:00", dispatched("318-01"));
    assert_eq!(flags(&floor(&gone)), [FlagKind::DispatchedWhileHeld]);
}

#[test]
fn a_release_from_a_hold_that_neither_a_fact_nor_the_recipe_set_is_odd() {
    let given = graded_wheel()
        .at("2026-04-02 10:30", released("318-01", "Q7"))
        .by("09");
    assert_eq!(
        flags(&given.floor("2026-04-02 12:00")),
        [FlagKind::ReleasedNotHeld]
    );
}

#[test]
fn a_batch_keeps_the_version_it_was_made_under_until_a_fact_moves_it_with_a_reason() {
    let mut practice = practice();
    let later = (
        "earliest = 33, due = 35, latest = 38",
        "earliest = 40, due = 42, latest = 45",
    );
    practice
        .recipes
        .add(recipe_with(&[("version = 1", "version = 2"), later]));
    let started = VatStarted {
        batch: "318".parse().unwrap(),
        vat: "V1".parse().unwrap(),
        recipe: "practice-blue".parse().unwrap(),
        recipe_version: 1,
        milk_l: quantity::Litres::new(500.0).unwrap(),
        milk_lots: vec![],
    };
    let given = unpierced_wheel().at("2026-02-02 07:00", started);
    let pierce = |given: &Given| {
        let floor = given.floor_of(practice.clone(), "2026-03-09 09:00");
        asked(&floor, Action::Pierce)
            .unwrap()
            .window
            .urgency(floor.now())
    };
    assert_eq!(pierce(&given), Urgency::Due, "35 days old, by version 1");
    let moved_on = given.at(
        "2026-03-09 08:00",
        VatRecipeChanged {
            batch: "318".parse().unwrap(),
            recipe: "practice-blue".parse().unwrap(),
            recipe_version: 2,
            reason: "slow rind all week".into(),
        },
    );
    assert_eq!(pierce(&moved_on), Urgency::Ahead, "40 days by version 2");
    let floor = moved_on.floor_of(practice.clone(), "2026-03-09 09:00");
    let record = answer::batch(&floor, "318".parse().unwrap()).unwrap();
    assert_eq!(record.recipe.as_deref(), Some("practice-blue v2"));
    assert!(
        record.record[1].words.contains("slow rind all week"),
        "{record:?}"
    );
    let mistake = moved_on.facts.last().unwrap().id;
    let back = moved_on.at(
        "2026-03-09 08:30",
        facts::Voided {
            fact: mistake,
            reason: "wrong batch".into(),
        },
    );
    assert_eq!(pierce(&back), Urgency::Due);
}

#[test]
fn a_wheel_is_pierced_again_two_weeks_after_the_first_time_when_its_recipe_asks() {
    let floor = |given: &Given, now| given.floor_of(practice_with(&[SECOND_PIERCING]), now);
    let again = |given: &Given, now| {
        let floor = floor(given, now);
        asked(&floor, Action::Pierce).map(|a| a.window.urgency(floor.now()))
    };
    let given = pierced_wheel();
    assert_eq!(again(&given, "2026-03-20 09:00"), Some(Urgency::Ahead));
    assert_eq!(again(&given, "2026-03-21 09:00"), Some(Urgency::Due));
    assert_eq!(again(&given, "2026-03-28 09:00"), Some(Urgency::Missed));
    let same_day = pierced_wheel().at("2026-03-09 08:20", pierced("318-01"));
    assert_eq!(
        again(&same_day, "2026-03-21 09:00"),
        Some(Urgency::Due),
        "scanned twice"
    );
    let twice = pierced_wheel()
        .at("2026-03-23 08:00", needles(48))
        .at("2026-03-23 08:20", pierced("318-01"));
    assert_eq!(again(&twice, "2026-03-28 09:00"), None);
    assert_eq!(
        asked(&given.floor("2026-03-21 09:00"), Action::Pierce),
        None,
        "other recipes do not"
    );
}

#[test]
fn a_wheel_pierced_with_needles_nobody_counted_that_day_is_held_and_looked_through_for_metal() {
    let now = "2026-03-09 12:00";
    let look = |given: &Given| asked(&given.floor(now), Action::LookForMetal).is_some();
    let pierce = |given: Given| given.at("2026-03-09 08:00", pierced("318-01"));
    assert!(look(&pierce(unpierced_wheel())), "never counted");
    let yesterday = unpierced_wheel().at("2026-03-08 09:00", needles(48));
    assert!(look(&pierce(yesterday)), "counted yesterday");
    let broken = unpierced_wheel().at("2026-03-09 07:00", needles(47));
    assert!(look(&pierce(broken)), "one needle short");
    let mended = unpierced_wheel()
        .at("2026-03-09 07:00", needles(47))
        .at("2026-03-09 07:30", needles(48));
    assert!(!look(&pierce(mended)), "counted again and whole");
    let too_late = pierce(unpierced_wheel()).at("2026-03-09 09:00", needles(48));
    assert!(look(&too_late), "counted only afterwards");
    let kept_scan = pierce(unpierced_wheel()).at("2026-03-09 07:59", needles(48));
    assert!(
        !look(&kept_scan),
        "the count came in late, but was made before"
    );
    let held = pierce(unpierced_wheel()).at("2026-03-09 10:00", held("318-01"));
    assert!(!look(&held), "held: whoever releases it has looked");

    let mut floor = pierce(unpierced_wheel()).floor(now);
    let told = floor.tell();
    let alert = told
        .iter()
        .find(|a| a.situation == Situation::PiercedUnchecked)
        .unwrap();
    assert_eq!(alert.wheels, [wheel("318-01")]);
    assert!(
        alert.text.starts_with("PM1: used to pierce without"),
        "{}",
        alert.text
    );
    let graded = pierce(unpierced_wheel()).at("2026-03-31 10:00", graded("318-01"));
    let dispatch = asked(&graded.floor("2026-04-02 10:00"), Action::Dispatch).unwrap();
    assert_eq!(dispatch.because.blocked, Some(Blocked::NeedlesUncounted));
}

#[test]
fn a_voided_needle_count_no_longer_counts() {
    let counted = unpierced_wheel().at("2026-03-09 07:30", needles(48));
    let count = counted.facts.last().unwrap().id;
    let voided = counted.at("2026-03-09 08:00", pierced("318-01")).at(
        "2026-03-09 11:00",
        facts::Voided {
            fact: count,
            reason: "counted the other machine".into(),
        },
    );
    let floor = voided.floor("2026-03-09 12:00");
    assert!(asked(&floor, Action::LookForMetal).is_some());
}

#[test]
fn a_failed_needle_count_names_the_wheels_to_hold_and_those_that_have_left() {
    let given = pierced_wheel()
        .at("2026-03-09 09:00", dispatched("318-01"))
        .at("2026-03-09 12:00", needles(46));
    let told = given.floor("2026-03-09 12:05").tell();
    let alert = told
        .iter()
        .find(|a| a.situation == Situation::CheckFailed)
        .unwrap();
    assert_eq!(alert.wheels, [wheel("318-01")]);
    assert!(
        alert.text.contains("1 of them have left: call them back"),
        "{}",
        alert.text
    );
}

/// Portioned at 10.886 kg on target, 9.8 kg at 64 days: 1.086 kg lost. A quarter of that
/// time loses half of it (the curve goes with the square root of age): 10.343 kg at 16.
#[test]
fn a_wheel_that_weighs_far_from_its_curve_is_weighed_again() {
    let practice = || practice_with(&[FINISH]);
    let floor = |grams| {
        let given = unpierced_wheel().at("2026-02-18 10:00", weighed("318-01", grams));
        given.floor_of(practice(), "2026-02-18 11:00")
    };
    let again = |grams| asked(&floor(grams), Action::Weigh).is_some();
    assert!(!again(10_343) && !again(10_540) && !again(10_150));
    assert!(again(10_560) && again(10_130));
    let mut light = floor(9_000);
    let life = answer::wheel(&light, wheel("318-01")).unwrap();
    let line = life
        .next
        .iter()
        .find(|line| line.action == "weigh again")
        .unwrap();
    assert_eq!(
        line.because,
        "weighed 9.000 kg at 16 days, should be 10.343 ± 0.200 kg by then (practice-blue v1)"
    );
    assert!(
        light
            .tell()
            .iter()
            .any(|a| a.situation == Situation::WeightOff)
    );
    let right_after_all = unpierced_wheel()
        .at("2026-02-18 10:00", weighed("318-01", 9_000))
        .at("2026-02-18 10:30", weighed("318-01", 10_300));
    let floor = right_after_all.floor_of(practice(), "2026-02-18 11:00");
    assert_eq!(asked(&floor, Action::Weigh), None);
}

#[test]
fn a_wheel_scanned_with_a_stillage_that_it_does_not_stand_on_is_flagged() {
    let turned_with = |stillage: &str| WheelTurned {
        wheels: vec![wheel("318-01")],
        via: Some(Carrier::Stillage(stillage.parse().unwrap())),
    };
    let loaded = facts::WheelLoaded {
        wheels: vec![wheel("318-01")],
        stillage: "S01".parse().unwrap(),
    };
    let on_one = || unpierced_wheel().at("2026-03-08 08:00", loaded.clone());
    let right = on_one().at("2026-03-08 09:00", turned_with("S01"));
    assert_eq!(flags(&right.floor("2026-03-08 10:00")), []);
    let elsewhere = on_one().at("2026-03-08 09:00", turned_with("S02"));
    assert_eq!(
        flags(&elsewhere.floor("2026-03-08 10:00")),
        [FlagKind::SeenElsewhere]
    );
}

#[test]
fn a_wheel_scanned_in_two_rooms_within_two_minutes_is_flagged() {
    let then_in_two = |at| {
        unpierced_wheel()
            .at("2026-03-08 08:00", moved("318-01", "R2"))
            .at(at, moved("318-01", "R3"))
    };
    assert_eq!(
        flags(&then_in_two("2026-03-08 08:01").floor("2026-03-08 10:00")),
        [FlagKind::TwoRooms]
    );
    assert_eq!(
        flags(&then_in_two("2026-03-08 08:20").floor("2026-03-08 10:00")),
        []
    );
}

#[test]
fn a_market_that_does_not_take_a_grade_neither_opens_its_window_nor_gets_it_without_a_flag() {
    let only_a: (&str, &str) = ("transit_days = 0", "transit_days = 0\ngrades = [\"A\"]");
    let and_export: (&str, &str) = ("transit_days = 14", "transit_days = 14\ngrades = [\"A\"]");
    let grade_b = || {
        pierced_wheel().at(
            "2026-03-31 10:00",
            WheelGraded {
                wheels: vec![wheel("318-01")],
                via: None,
                grade: Grade::B,
            },
        )
    };
    let now = "2026-03-31 11:00";
    let floor = grade_b().floor_of(practice_with(&[only_a]), now);
    let window = asked(&floor, Action::Dispatch).unwrap().window;
    let day = |age| {
        practice()
            .clock
            .start_of(practice().clock.day_of(time("2026-02-02 09:00")).plus(age))
    };
    assert_eq!(window.latest, day(63 - 14 + 1), "the export market alone");

    let floor = grade_b().floor_of(practice_with(&[only_a, and_export]), now);
    assert_eq!(asked(&floor, Action::Dispatch), None);
    let life = answer::wheel(&floor, wheel("318-01")).unwrap();
    let decide = life
        .next
        .iter()
        .find(|line| line.rule == "no market")
        .unwrap();
    assert!(
        decide.because.starts_with("no market takes grade B"),
        "{}",
        decide.because
    );

    let gone = facts::WheelDispatched {
        market: Some("local".parse().unwrap()),
        ..dispatched("318-01")
    };
    let gone = grade_b().at("2026-04-02 10:00", gone);
    let floor = gone.floor_of(practice_with(&[only_a]), "2026-04-02 11:00");
    assert_eq!(flags(&floor), [FlagKind::WrongGradeForMarket]);
}

/// 21 CFR 133.106(a)(1): at least 60 days old. Made on Monday 5 January 2026 (day 0), a
/// wheel is 60 days old on Friday 6 March 2026; 14 days on the road, it leaves from
/// 20 February.
#[test]
fn a_wheel_does_not_arrive_where_the_law_asks_for_60_days_before_its_sixtieth_day() {
    let made = || Given::default().at("2026-01-05 09:00", portioned("301-01"));
    let floor = made().floor("2026-02-10 09:00");
    let life = answer::wheel(&floor, wheel("301-01")).unwrap();
    let export = life
        .markets
        .iter()
        .find(|m| m.market.as_str() == "export")
        .unwrap();
    assert_eq!(export.legal_from.unwrap().to_string(), "Fri 6 Mar 2026");
    assert_eq!(export.leaves_from.to_string(), "Fri 20 Feb 2026");
    let sent = |at| {
        let sent = facts::WheelDispatched {
            market: Some("export".parse().unwrap()),
            ..dispatched("301-01")
        };
        let floor = made().at(at, sent).floor("2026-03-10 09:00");
        let flags = floor.wheel(wheel("301-01")).unwrap().flags().to_vec();
        flags.iter().any(|f| f.kind == FlagKind::TooYoungForMarket)
    };
    assert!(sent("2026-02-19 10:00") && !sent("2026-02-20 10:00"));
}

#[test]
fn the_number_of_turns_says_which_face_is_up() {
    let face = |given: &Given| answer::census(&given.floor("2026-02-05 10:00"))[0].face_up;
    let made = Given::default().at("2026-02-02 09:00", portioned("318-01"));
    assert_eq!(face(&made), Face::MakeDay);
    let once = made.at("2026-02-03 06:00", turned(&["318-01"]));
    assert_eq!(face(&once), Face::Other);
    assert_eq!(
        face(&once.at("2026-02-04 06:00", turned(&["318-01"]))),
        Face::MakeDay
    );
}

/// ISO 2859-1, general level II: a batch of 10 has letter B, of which 3 are drawn.
#[test]
fn a_batch_ironed_by_the_sampling_standard_has_as_many_wheels_ironed_as_its_size_asks() {
    let standard = ("wheels_per_batch = 3", "wheels_per_batch = \"iso-2859-1\"");
    let drawn = |size: usize| {
        let mut given = Given::default();
        for n in 1..=size {
            given = given.at("2026-02-02 09:00", portioned(&format!("318-{n:02}")));
        }
        let floor = given.floor_of(practice_with(&[standard]), "2026-02-02 10:00");
        floor
            .batch("318".parse().unwrap())
            .unwrap()
            .progress
            .to_iron
            .len()
    };
    assert_eq!([1, 8, 9, 25, 26].map(drawn), [1, 2, 3, 5, 8]);
}

#[test]
fn a_version_that_the_site_has_lost_is_said_everywhere_and_lets_no_wheel_leave() {
    let started = |version| facts::VatStarted {
        batch: "318".parse().unwrap(),
        vat: "V1".parse().unwrap(),
        recipe: "practice-blue".parse().unwrap(),
        recipe_version: version,
        milk_l: quantity::Litres::new(500.0).unwrap(),
        milk_lots: vec![],
    };
    let given = Given::default()
        .at("2026-01-02 06:00", started(1))
        .at("2026-01-02 10:00", portioned("318-01"))
        .at("2026-03-02 10:00", graded("318-01"));
    let here = given.floor("2026-03-09 12:00");
    let replaced = practice_with(&[("version = 1", "version = 3")]);
    let mut floor = given.floor_of(replaced, "2026-03-09 12:00");
    let batch = "318".parse().unwrap();
    let recipe = |floor: &ripening::Floor| ripening::answer::batch(floor, batch).unwrap().recipe;
    assert_eq!(recipe(&here).unwrap(), "practice-blue v1");
    let said = "practice-blue v1, which this site does not have: shown by practice-blue v3";
    assert_eq!(recipe(&floor).unwrap(), said);
    let life = ripening::answer::wheel(&floor, wheel("318-01")).unwrap();
    assert_eq!(life.recipe.unwrap(), said);
    let leaves = asked(&floor, Action::Dispatch).unwrap();
    assert_eq!(
        leaves.because.blocked,
        Some(ripening::Blocked::RecipeMissing)
    );
    assert_eq!(
        asked(&here, Action::Dispatch).unwrap().because.blocked,
        None
    );
    let told = floor.tell();
    let told = told
        .iter()
        .find(|a| a.situation == ripening::Situation::RecipeMissing);
    let told = told.unwrap();
    assert!(told.text.contains("batch 318"), "{}", told.text);
    assert!(
        told.text.contains("name that file in the site file again"),
        "{}",
        told.text
    );
    assert_eq!(told.since, time("2026-01-02 06:00"));
}
