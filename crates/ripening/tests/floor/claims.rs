//! A device's claim is a claim: what it says of the future neither hides a wheel nor keeps
//! a hold, and no date at all makes a floor fail.

use chrono::{DateTime, TimeDelta, Utc};
use facts::wire::{self, Read};
use facts::{Event, Fact};
use proptest::prelude::*;
use ripening::{Action, Floor, Situation, Urgency, answer};

use crate::given::{self, Given, held, portioned, practice, released, time, turned, wheel};

/// The fact as every reader of the log gets it, received when it was recorded.
fn received(mut fact: Fact, claimed: &str) -> Fact {
    fact.occurred_at = time(claimed);
    match wire::from_line(&wire::to_line(&fact).unwrap()).unwrap() {
        Read::Fact(fact) => fact,
        Read::UnknownType(unknown) => panic!("{} is known", unknown.ty),
    }
}

fn folded(facts: &[Fact], now: &str) -> Floor {
    let mut floor = Floor::new(practice(), chrono::DateTime::UNIX_EPOCH);
    facts.iter().for_each(|fact| floor.apply(fact));
    floor.refresh(time(now));
    floor
}

#[test]
fn a_scan_dated_2036_does_not_hide_the_wheel() {
    let given = Given::default()
        .at("2026-03-02 06:00", portioned("318-01"))
        .at("2026-03-02 09:00", turned(&["318-01"]));
    let mut facts = given.facts;
    facts[1] = received(facts[1].clone(), "2036-03-02 09:00");
    let floor = folded(&facts, "2026-03-03 20:00");
    let mut needs = floor.wheel(wheel("318-01")).unwrap().actions().iter();
    let turn = needs.find(|asked| asked.action == Action::Turn).unwrap();
    assert!(
        turn.window.urgency(floor.now()) >= Urgency::Overdue,
        "{turn:?}"
    );
    let life = answer::wheel(&floor, wheel("318-01")).unwrap();
    let claim = life.life[1].claim.unwrap();
    assert_eq!(life.life[1].at, time("2026-03-02 09:00"));
    assert_eq!(
        (claim.claimed, claim.received),
        (time("2036-03-02 09:00"), time("2026-03-02 09:00"))
    );
    assert_eq!(
        life.life[1].said.as_deref(),
        Some("the device said 2036-03-02 09:00; taken at its receipt 2026-03-02 09:00")
    );
    let told = |what| floor.situations().any(|(found, ..)| found == what);
    assert!(told(Situation::ClockWrong));
}

#[test]
fn what_a_slow_device_said_is_shown_and_orders_nothing() {
    let given = Given::default()
        .at("2026-03-02 06:00", portioned("318-01"))
        .at("2026-03-02 09:31", turned(&["318-01"]))
        .at("2026-03-02 10:00", turned(&["318-01"]));
    let mut facts = given.facts;
    // The one was not believed, the other kept.
    facts[1].claimed_at = Some(time("2026-03-02 09:12"));
    facts[2].occurred_at = time("2026-03-02 08:30");
    let floor = folded(&facts, "2026-03-02 20:00");
    let life = answer::wheel(&floor, wheel("318-01")).unwrap();
    let said: Vec<_> = life.life.iter().map(|line| line.said.as_deref()).collect();
    assert_eq!(
        said,
        [
            None,
            Some("kept by the device; received 2026-03-02 10:00"),
            Some("the device said 2026-03-02 09:12; taken at its receipt 2026-03-02 09:31"),
        ]
    );
    let told: Vec<_> = floor
        .situations()
        .filter(|(what, ..)| *what == Situation::ClockWrong)
        .collect();
    assert_eq!(told.len(), 1, "one alarm");
}

#[test]
fn a_release_from_2036_ends_what_was_held_then_and_nothing_later() {
    let given = Given::default()
        .at("2026-03-02 06:00", portioned("318-01"))
        .at("2026-03-03 06:00", held("318-01"))
        .at("2026-03-03 09:00", released("318-01", "Q1"))
        .by("M1")
        .at("2026-03-04 06:00", held("318-01"))
        .at("2026-03-04 09:00", released("318-01", "Q1"))
        .by("M1");
    let mut facts = given.facts;
    facts[2] = received(facts[2].clone(), "2036-03-03 09:00");
    let holds = |facts: &[Fact]| {
        folded(facts, "2026-03-05 06:00")
            .holds(wheel("318-01"))
            .len()
    };
    assert_eq!(holds(&facts[..3]), 0);
    assert_eq!(holds(&facts[..4]), 1, "the later hold counts");
    assert_eq!(holds(&facts), 0, "and can be released");
}

/// Any instant that can be written down, the ends and what lies beside them often.
pub fn any_instant() -> impl Strategy<Value = DateTime<Utc>> {
    let (first, last) = (DateTime::<Utc>::MIN_UTC, DateTime::<Utc>::MAX_UTC);
    let far = TimeDelta::days(400).num_milliseconds();
    let (from, to) = (first.timestamp_millis(), last.timestamp_millis());
    let near = time("2026-03-02 06:00").timestamp_millis();
    let within = |range: std::ops::Range<i64>| {
        range.prop_filter_map("an instant", DateTime::from_timestamp_millis)
    };
    prop_oneof![
        Just(first),
        Just(last),
        within(from..from + far),
        within(to - far..to),
        within(from..to),
        within(near..near + far),
    ]
}

fn any_floor_fact() -> impl Strategy<Value = Event> {
    let who = || Just("318-01");
    prop_oneof![
        who().prop_map(|who| portioned(who).into()),
        who().prop_map(|who| turned(&[who]).into()),
        who().prop_map(|who| given::unhooped(who).into()),
        who().prop_map(|who| given::rubbed_up(who).into()),
        who().prop_map(|who| given::moved(who, "R1").into()),
        who().prop_map(|who| given::rind(who, 60.0).into()),
        who().prop_map(|who| given::pierced(who).into()),
        who().prop_map(|who| given::ironed(who, 30.0).into()),
        who().prop_map(|who| given::graded(who).into()),
        who().prop_map(|who| given::weighed(who, 9_000).into()),
        who().prop_map(|who| given::dispatched(who).into()),
        Just(given::needles(47).into()),
        any_instant().prop_map(|at| {
            let day = at.date_naive();
            let on = facts::ExpectedOn {
                day,
                from: day,
                until: day,
            };
            facts::ForecastTold {
                batch: "318".parse().unwrap(),
                cover_pct: None,
                covered: Some(on),
                leaves: Some("R2".parse().unwrap()),
                moved_on: Some(on),
                ready: on,
                rind_looks: 1,
                cores: 0,
                learnt_from: 0,
                worth_ironing: vec![wheel("318-01")],
            }
            .into()
        }),
        Just(Event::from(facts::RoomClimateRead {
            room: "R1".parse().unwrap(),
            sensor: None,
            temperature_c: quantity::Celsius::new(30.0).unwrap(),
            humidity_pct: None,
            co2_ppm: None,
            nh3_ppm: None,
        })),
    ]
}

proptest! {
    /// Facts made in memory with any time at all, folded, refreshed and asked at any time.
    #[test]
    fn no_time_makes_a_floor_fail(
        events in prop::collection::vec((any_floor_fact(), any_instant(), any_instant()), 1..30),
        moments in prop::collection::vec(any_instant(), 1..4),
    ) {
        let mut given = Given::default();
        for (event, occurred_at, recorded_at) in events {
            given = given.at("2026-03-02 06:00", event);
            let fact = given.facts.last_mut().unwrap();
            fact.occurred_at = occurred_at;
            fact.recorded_at = recorded_at;
        }
        let mut floor = Floor::new(practice(), chrono::DateTime::UNIX_EPOCH);
        for (nth, fact) in given.facts.iter().enumerate() {
            floor.apply(fact);
            floor.stored(fact, given.facts[nth / 2].occurred_at);
        }
        for now in moments {
            floor.refresh(now);
            let _ = floor.tell();
            let by = Some(given.facts[0].occurred_at);
            let _ = answer::due(&floor, &answer::DueQuery { room: None, by });
            let _ = answer::due(&floor, &answer::DueQuery::default());
            let _ = answer::floor(&floor, &[]);
            let _ = answer::census(&floor);
            let _ = answer::wheel(&floor, wheel("318-01"));
            let _ = answer::batch(&floor, "318".parse().unwrap());
        }
    }
}
