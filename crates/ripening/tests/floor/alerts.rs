//! One message per situation: raised, escalated, cleared.

use facts::WheelLoaded;
use ripening::{Situation, Step};

use crate::given::*;

fn on_stillage(n: usize) -> Given {
    let wheels: Vec<_> = (1..=n).map(|i| format!("318-{i:02}")).collect();
    let mut given = Given::default();
    for who in &wheels {
        given = given
            .at("2026-02-02 09:00", portioned(who))
            .at("2026-02-07 08:00", unhooped(who))
            .at("2026-02-07 09:00", rubbed_up(who))
            .at("2026-02-07 10:00", moved(who, "R1"));
    }
    let loaded = WheelLoaded {
        wheels: wheels.iter().map(|w| wheel(w)).collect(),
        stillage: "S07".parse().unwrap(),
    };
    let names: Vec<&str> = wheels.iter().map(String::as_str).collect();
    given
        .at("2026-02-07 11:00", loaded)
        .at("2026-02-08 06:00", turned(&names))
}

#[test]
fn thirty_eight_wheels_not_turned_are_one_message_then_one_more_then_one_when_done() {
    let given = on_stillage(38);
    let mut floor = given.floor("2026-02-09 06:00");
    assert_eq!(floor.tell(), [], "nothing is late yet");

    floor.refresh(time("2026-02-09 18:00"));
    let raised = floor.tell();
    assert_eq!(raised.len(), 1, "{raised:?}");
    assert_eq!(raised[0].text, "38 wheels on stillage S07 not turned today");
    assert_eq!((raised[0].step, raised[0].wheel_count), (Step::Raised, 38));
    floor.refresh(time("2026-02-09 19:00"));
    assert_eq!(floor.tell(), [], "once is enough");

    floor.refresh(time("2026-02-10 04:00"));
    let worse = floor.tell();
    let worse: Vec<_> = worse
        .iter()
        .filter(|a| a.situation == Situation::NotTurned)
        .collect();
    assert_eq!(worse.len(), 1);
    assert_eq!(worse[0].step, Step::Escalated);
    assert_eq!(worse[0].alert, raised[0].alert, "the same situation");

    let names: Vec<_> = (1..=38).map(|i| format!("318-{i:02}")).collect();
    let names: Vec<&str> = names.iter().map(String::as_str).collect();
    let turn = on_stillage(38).at("2026-02-10 05:00", turned(&names));
    floor.apply(turn.facts.last().unwrap());
    floor.refresh(time("2026-02-10 05:01"));
    let over: Vec<_> = floor.tell();
    let over: Vec<_> = over
        .iter()
        .filter(|a| a.situation == Situation::NotTurned)
        .collect();
    assert_eq!(over.len(), 1);
    assert_eq!(
        (over[0].step, over[0].alert.as_str()),
        (Step::Cleared, raised[0].alert.as_str())
    );
    assert_eq!(over[0].text, "stillage S07: turned again");
}

/// What was told after each fact, looked at when it is stated and at its day's end.
fn told_of(given: &Given, of: Situation) -> Vec<(Step, String)> {
    let mut floor = ripening::Floor::new(practice(), chrono::DateTime::UNIX_EPOCH);
    let mut told = Vec::new();
    for fact in &given.facts {
        floor.refresh(fact.occurred_at - chrono::TimeDelta::minutes(1));
        told.extend(floor.tell());
        floor.apply(fact);
        floor.refresh(fact.occurred_at);
        told.extend(floor.tell());
    }
    told.retain(|alert| alert.situation == of);
    let told = told.into_iter().map(|alert| (alert.step, alert.text));
    told.collect()
}

#[test]
fn an_alert_that_goes_on_on_a_stillage_does_not_say_that_the_work_was_done() {
    let load = |stillage: &str| WheelLoaded {
        wheels: vec![wheel("318-01")],
        stillage: stillage.parse().unwrap(),
    };
    let given = Given::default()
        .at("2026-02-02 09:00", portioned("318-01"))
        .at("2026-02-07 08:00", unhooped("318-01"))
        .at("2026-02-07 21:00", load("S07"))
        .at("2026-02-07 21:30", load("S08"))
        .at("2026-02-07 22:00", rubbed_up("318-01"));
    let told = told_of(&given, Situation::NotRubbedUp);
    let told: Vec<(Step, &str)> = told.iter().map(|(s, text)| (*s, text.as_str())).collect();
    assert_eq!(
        told,
        [
            (Step::Raised, "wheel 318-01: unhooped but not rubbed up"),
            (
                Step::Raised,
                "1 wheel on stillage S07 unhooped but not rubbed up"
            ),
            (Step::Cleared, "wheel 318-01: goes on under stillage S07"),
            (Step::Cleared, "stillage S07: goes on under stillage S08"),
            (
                Step::Raised,
                "1 wheel on stillage S08 unhooped but not rubbed up"
            ),
            (Step::Cleared, "stillage S08: rubbed up"),
        ]
    );
}

#[test]
fn a_look_that_finds_no_rind_does_not_say_that_one_was_seen() {
    let seen = |cover: f64| facts::RindObserved {
        wheels: vec![wheel("318-01")],
        via: None,
        cover_pct: quantity::Percent::new(cover).unwrap(),
    };
    let given = Given::default()
        .at("2026-02-02 09:00", portioned("318-01"))
        .at("2026-02-07 08:00", unhooped("318-01"))
        .at("2026-03-06 09:00", seen(0.0))
        .at("2026-03-12 09:00", seen(0.0))
        .at("2026-03-20 09:00", seen(5.0));
    let told = told_of(&given, Situation::NoRind);
    let over = told.iter().filter(|(step, _)| *step == Step::Cleared);
    let over: Vec<&str> = over.map(|(_, text)| text.as_str()).collect();
    assert_eq!(
        over,
        [
            "wheel 318-01: no longer asked for now",
            "wheel 318-01: rind seen"
        ],
        "{told:?}"
    );
}

/// The words that claim work, and the facts that are it.
fn is_that_work(words: &str, event: &facts::Event) -> bool {
    use facts::Event;
    match words {
        "turned again" => matches!(event, Event::WheelTurned(_)),
        "out of the hoop" => matches!(event, Event::WheelUnhooped(_)),
        "rubbed up" => matches!(event, Event::WheelRubbedUp(_)),
        "brought to a room" | "moved on" => matches!(event, Event::WheelMoved(_)),
        "rind seen" => matches!(event, Event::RindObserved(seen) if seen.cover_pct.get() > 0.0),
        "pierced" => matches!(event, Event::WheelPierced(_)),
        "ironed" => matches!(event, Event::WheelIroned(_)),
        "found" => true,
        "decided on" => matches!(event, Event::WheelGraded(_) | Event::WheelDiscarded(_)),
        _ => panic!("{words}"),
    }
}

const WORK: [&str; 10] = [
    "turned again",
    "out of the hoop",
    "rubbed up",
    "brought to a room",
    "rind seen",
    "moved on",
    "pierced",
    "ironed",
    "found",
    "decided on",
];

proptest::proptest! {
    /// That work was done is said only if a fact of it stands, of a wheel that was there.
    #[test]
    fn an_alert_is_over_by_work_only_if_a_fact_says_so(history in crate::order::any_history()) {
        use std::collections::{BTreeMap, BTreeSet};
        let mut floor = ripening::Floor::new(crate::order::every_rule(), time("2026-02-01 06:00"));
        let rights = crate::order::every_rule().rights;
        let mut applied: Vec<&facts::Fact> = Vec::new();
        let mut there: BTreeMap<String, BTreeSet<facts::WheelId>> = BTreeMap::new();
        for fact in &history {
            floor.apply(fact);
            applied.push(fact);
            for at in [fact.occurred_at, floor.now() + chrono::TimeDelta::hours(20)] {
                floor.refresh(at);
                for (id, wheel) in floor.wheels() {
                    let state = wheel.state();
                    let places = [
                        Some(format!("wheel {id}")),
                        state.stillage.map(|stillage| format!("stillage {stillage}")),
                        state.stack.map(|stack| format!("stack {stack}")),
                    ];
                    for place in places.into_iter().flatten() {
                        there.entry(place).or_default().insert(*id);
                    }
                }
                for alert in floor.tell() {
                    if alert.step != Step::Cleared {
                        continue;
                    }
                    let said = alert.text.split_once(": ").map_or("", |(_, said)| said);
                    for words in WORK.into_iter().filter(|words| said.contains(words)) {
                        let wheels = &there[&alert.subject.to_string()];
                        let done = applied.iter().any(|fact| {
                            is_that_work(words, &fact.event)
                                && fact.event.wheels().iter().any(|id| wheels.contains(id))
                                && !crate::obvious::never_happened(fact, &applied, &rights)
                        });
                        proptest::prop_assert!(done, "{}", alert.text);
                    }
                }
            }
        }
    }
}

#[test]
fn a_number_that_never_arrived_raises_an_alert_until_it_does() {
    let given = on_stillage(2);
    let (late, rest) = given.facts.split_first().unwrap();
    let mut floor = ripening::Floor::new(practice(), chrono::DateTime::UNIX_EPOCH);
    rest.iter().for_each(|fact| floor.apply(fact));
    floor.refresh(time("2026-02-08 07:00"));
    let missing = |told: &[ripening::Alert]| {
        let found = told.iter().find(|a| a.situation == Situation::FactsMissing);
        found.map(|a| (a.step, a.text.clone()))
    };
    let (step, text) = missing(&floor.tell()).unwrap();
    assert_eq!(step, Step::Raised);
    assert!(text.contains("1 missing, the first numbered 1"), "{text}");
    floor.apply(late);
    floor.refresh(time("2026-02-08 07:01"));
    assert_eq!(missing(&floor.tell()).unwrap().0, Step::Cleared);
}

#[test]
fn a_warm_room_is_told_after_half_an_hour_and_again_when_it_is_right() {
    let read = |t: f64| facts::RoomClimateRead {
        room: "R1".parse().unwrap(),
        sensor: None,
        temperature_c: quantity::Celsius::new(t).unwrap(),
        humidity_pct: None,
        co2_ppm: None,
        nh3_ppm: None,
    };
    let given = Given::default()
        .at("2026-02-08 06:00", read(12.0))
        .at("2026-02-08 06:10", read(15.5))
        .at("2026-02-08 06:20", read(15.6))
        .at("2026-02-08 06:40", read(15.8))
        .at("2026-02-08 07:00", read(12.5));
    let mut floor = ripening::Floor::new(practice(), chrono::DateTime::UNIX_EPOCH);
    let mut told = Vec::new();
    for fact in &given.facts {
        floor.apply(fact);
        floor.refresh(fact.occurred_at);
        told.extend(floor.tell());
    }
    let steps: Vec<_> = told.iter().map(|alert| (alert.since, alert.step)).collect();
    // Told at 06:40, and since when the room is warm, whenever it is told.
    let warm = time("2026-02-08 06:10");
    assert_eq!(steps, [(warm, Step::Raised), (warm, Step::Cleared)]);
    assert!(
        told[0]
            .text
            .contains("15.8 °C (should be 10 to 13 °C) since Sun 06:10"),
        "{}",
        told[0].text
    );
}
