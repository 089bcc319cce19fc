//! What the simulated dairy promises: a life that makes sense, told exactly by its ledger.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use floor_sim::{Act, Dairy, DayScript, Doing, Expected, Kind, Ledger, Mark, Mistakes, Size, What};

#[path = "support/reader.rs"]
mod reader;
use reader::{Reader, clock, code, day_of};

fn monday() -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 3, 2).unwrap()
}

fn played(seed: u64, size: Size, mistakes: Mistakes, days: usize) -> (Vec<DayScript>, Dairy) {
    let mut dairy = Dairy::new(seed, monday(), size, mistakes);
    let scripts = (0..days).map(|_| dairy.next_day()).collect();
    (scripts, dairy)
}

/// Every doing of some days in the order in which it was done.
fn as_done(scripts: &[DayScript]) -> Vec<Doing> {
    let mut doings: Vec<Doing> = scripts.iter().flat_map(|s| s.doings.clone()).collect();
    doings.sort_by_key(|doing| doing.at);
    doings
}

/// The first instant after a dairy day.
fn ends(day: NaiveDate) -> DateTime<Utc> {
    clock().end_of(quantity::DairyDay::starting(day))
}

/// More troubles than the demonstration has, over and over.
fn clumsy() -> Mistakes {
    Mistakes {
        missed_turn: 0.02,
        double_scan: 0.04,
        late_round: 0.2,
        night_round: 0.1,
        undone: 0.2,
        nonsense: 0.2,
        turned_after_dispatch_on: (70..120).step_by(5).collect(),
        stranger_on: (5..120).step_by(9).collect(),
        hold_on: (10..120).step_by(11).collect(),
        needle_short_on: (40..120).step_by(10).collect(),
        warm_room_on: (3..120).step_by(17).collect(),
        swap_on: (8..120).step_by(6).collect(),
        discard_on: (9..120).step_by(5).collect(),
        return_on: (70..120).step_by(4).collect(),
    }
}

#[test]
fn the_same_seed_gives_the_same_life_and_another_seed_another() {
    let (one, _) = played(1, Size::small(), Mistakes::default(), 80);
    let (again, _) = played(1, Size::small(), Mistakes::default(), 80);
    let (other, _) = played(2, Size::small(), Mistakes::default(), 80);
    assert_eq!(one, again);
    assert_ne!(one, other);
}

#[test]
fn mistakes_do_not_change_the_cheese() {
    let weights = |mistakes| -> Vec<u32> {
        let (scripts, _) = played(3, Size::small(), mistakes, 30);
        let weight = |doing: Doing| match doing.what {
            What::Weight { grams } if grams != floor_sim::CHECK_WEIGHT_G => Some(grams),
            _ => None,
        };
        as_done(&scripts).into_iter().filter_map(weight).collect()
    };
    let turns_only = Mistakes {
        missed_turn: 0.1,
        double_scan: 0.1,
        ..Mistakes::none()
    };
    let first: Vec<u32> = weights(Mistakes::none()).into_iter().take(30).collect();
    let second: Vec<u32> = weights(turns_only).into_iter().take(30).collect();
    assert_eq!(first.len(), 30);
    assert!(first.iter().all(|grams| (3_500..5_000).contains(grams)));
    assert_eq!(first[..5], second[..5]);
}

#[test]
fn a_full_dairy_has_about_3000_wheels() {
    let (_, dairy) = played(4, Size::larkholm(), Mistakes::default(), 100);
    let wheels = dairy.wheels_in_house();
    assert!((2_700..3_300).contains(&wheels), "{wheels}");
    let (_, dairy) = played(4, Size::small(), Mistakes::default(), 100);
    let wheels = dairy.wheels_in_house();
    assert!((220..380).contains(&wheels), "{wheels}");
    let ledger = dairy.ledger();
    let states = ledger.state_at(ends(ledger.last_day().unwrap()));
    assert_eq!(states.iter().filter(|w| w.in_house()).count(), wheels);
}

#[test]
fn nothing_goes_wrong_in_a_dairy_without_mistakes() {
    let (scripts, dairy) = played(5, Size::small(), Mistakes::none(), 100);
    let ledger = dairy.ledger();
    let sum = ledger.summary(monday(), ledger.last_day().unwrap());
    for count in [
        sum.missed_turns,
        sum.doubles,
        sum.late,
        sum.voided,
        sum.contradictions,
        sum.strangers,
        sum.nonsense,
        sum.stopped,
        sum.held,
        sum.needles_short,
        sum.returned,
    ] {
        assert_eq!(count, 0, "{sum:?}");
    }
    assert!(sum.dispatched > 100, "{sum:?}");
    let doings = as_done(&scripts);
    assert!(
        doings
            .iter()
            .all(|d| d.answer == Expected::Fine && !d.is_late())
    );
}

/// Deeds of each wheel in time order, without the voided and the contradictory.
fn lives(ledger: &Ledger) -> BTreeMap<usize, Vec<(DateTime<Utc>, NaiveDate, Act)>> {
    let mut lives: BTreeMap<usize, Vec<_>> = BTreeMap::new();
    for deed in ledger.deeds() {
        if deed.voided.is_some() || deed.mark != Mark::Plain {
            continue;
        }
        for wheel in &deed.wheels {
            let life = lives.entry(*wheel).or_default();
            life.push((deed.at, deed.day, deed.act.clone()));
        }
    }
    for life in lives.values_mut() {
        life.sort_by_key(|(at, ..)| *at);
    }
    lives
}

#[test]
fn every_wheel_goes_through_the_process_in_order() {
    for (seed, mistakes) in [(6, Mistakes::default()), (7, clumsy())] {
        let (_, dairy) = played(seed, Size::small(), mistakes, 120);
        for (wheel, life) in lives(dairy.ledger()) {
            let name = dairy.ledger().wheel_id(wheel).unwrap();
            let made = life[0].1;
            let age = |kind: Kind| {
                let of_kind = |(_, _, act): &&(_, _, Act)| act.kind() == kind;
                life.iter()
                    .find(of_kind)
                    .map(|(_, day, _)| (*day - made).num_days())
            };
            let when = |kind: Kind| life.iter().position(|(_, _, act)| act.kind() == kind);
            assert!(
                life.windows(2).all(|w| w[0].0 < w[1].0),
                "{name}: two deeds at once"
            );
            assert_eq!(when(Kind::Portioned), Some(0), "{name}");
            assert!(age(Kind::Unhooped).is_none_or(|days| days == 5), "{name}");
            assert_eq!(age(Kind::Unhooped), age(Kind::RubbedUp), "{name}");
            assert!(
                age(Kind::Pierced).is_none_or(|days| (35..=42).contains(&days)),
                "{name}"
            );
            assert!(age(Kind::Ironed).is_none_or(|days| days >= 56), "{name}");
            assert!(
                age(Kind::Dispatched).is_none_or(|d| (58..=95).contains(&d)),
                "{name}"
            );
            let steps = [
                Kind::Portioned,
                Kind::Unhooped,
                Kind::RubbedUp,
                Kind::Loaded,
                Kind::RindSeen,
                Kind::Pierced,
                Kind::Graded,
                Kind::Dispatched,
            ];
            let reached: Vec<Option<usize>> = steps.iter().map(|kind| when(*kind)).collect();
            let known: Vec<usize> = reached.iter().flatten().copied().collect();
            assert!(known.is_sorted(), "{name}: {reached:?}");
            let thrown = when(Kind::Discarded).is_some();
            let skipped = reached
                .iter()
                .skip_while(|r| r.is_some())
                .any(Option::is_some);
            assert!(!skipped || thrown, "{name} skipped a step: {reached:?}");
            let rooms: Vec<&str> = life
                .iter()
                .filter_map(|(_, _, act)| match act {
                    Act::Moved { room, .. } => Some(*room),
                    _ => None,
                })
                .collect();
            assert!(rooms.is_sorted(), "{name} went back: {rooms:?}");
            assert_eq!(rooms[0], "R0", "{name}");
            let mut held: BTreeSet<&str> = BTreeSet::new();
            for (_, _, act) in &life {
                match act {
                    Act::Held { hold } => assert!(held.insert(hold)),
                    Act::Released { hold } => assert!(held.remove(hold.as_str())),
                    Act::Dispatched { .. } => assert!(held.is_empty(), "{name} left held"),
                    _ => {}
                }
            }
        }
    }
}

/// Compares everything the plain reader gathered with the ledger.
fn assert_agrees(reader: &Reader, ledger: &Ledger) {
    let last = ledger.last_day().unwrap();
    let sum = ledger.summary(monday(), last);
    let count = |action: &str| reader.counts.get(action).copied().unwrap_or(0);
    let pairs = [
        ("VAT", sum.vats),
        ("PORTION", sum.made),
        ("TURN", sum.turns),
        ("UNHOOP", sum.unhooped),
        ("RUBUP", sum.rubbed_up),
        ("LOAD", sum.loaded),
        ("MOVE", sum.moved),
        ("RIND", sum.rinds_seen),
        ("PIERCE", sum.pierced),
        ("IRON", sum.ironed),
        ("GRADE", sum.graded),
        ("HOLD", sum.held),
        ("RELEASE", sum.released),
        ("DISPATCH", sum.dispatched),
        ("STOPPED", sum.stopped),
        ("RETURN", sum.returned),
        ("DISCARD", sum.discarded),
        ("SHORT", sum.needles_short),
    ];
    for (action, in_ledger) in pairs {
        assert_eq!(count(action), in_ledger, "{action}");
    }
    assert_eq!(reader.voided, sum.voided);
    assert_eq!(
        reader.rest.len(),
        sum.nonsense + sum.strangers,
        "{:?}",
        reader.rest
    );
    let states = ledger.known_at(DateTime::<Utc>::MAX_UTC);
    assert_eq!(states.len(), reader.wheels.len());
    for state in states {
        let read = &reader.wheels[&state.id];
        let name = &state.id;
        assert_eq!(read.hoop, state.hoop, "{name}");
        assert_eq!(read.stack, state.stack, "{name}");
        assert_eq!(read.stillage, state.stillage, "{name}");
        assert_eq!(read.room.as_deref(), state.room, "{name}");
        assert_eq!(read.turns.len(), state.turns, "{name}");
        let days: BTreeSet<NaiveDate> = read.turns.iter().map(|at| day_of(*at)).collect();
        assert_eq!(days, state.turn_days.iter().copied().collect(), "{name}");
        assert_eq!(read.pierced, state.pierced.is_some(), "{name}");
        assert_eq!(read.grade.as_deref(), state.grade, "{name}");
        assert_eq!(read.holds, state.holds, "{name}");
        assert_eq!(read.dispatched, state.dispatched, "{name}");
        assert_eq!(read.discarded, state.discarded, "{name}");
        assert_eq!(read.grams, state.weight_g, "{name}");
    }
}

/// Some clumsy days, and what of them is still in handhelds at their end.
fn played_out(seed: u64, size: Size, days: usize) -> (Vec<DayScript>, Ledger) {
    let (mut scripts, mut dairy) = played(seed, size, clumsy(), days);
    let ledger = dairy.ledger().clone();
    let end = ends(ledger.last_day().unwrap());
    for mut script in [dairy.next_day(), dairy.next_day()] {
        script.doings.retain(|doing| doing.at < end);
        scripts.push(script);
    }
    (scripts, ledger)
}

#[test]
fn the_scans_in_the_order_done_say_what_the_ledger_says() {
    for seed in 10..14 {
        let (scripts, ledger) = played_out(seed, Size::small(), 110);
        let mut reader = Reader::default();
        for doing in as_done(&scripts) {
            reader.read(&doing);
        }
        assert_agrees(&reader, &ledger);
    }
}

#[test]
fn late_scans_mean_the_same_wheels_when_they_arrive() {
    for seed in 20..24 {
        let (scripts, ledger) = played_out(seed, Size::small(), 110);
        let mut reader = Reader::default();
        for doing in scripts.iter().flat_map(|s| &s.doings) {
            reader.read(doing);
        }
        assert_agrees(&reader, &ledger);
    }
}

#[test]
fn the_full_size_agrees_too() {
    let (scripts, ledger) = played_out(30, Size::larkholm(), 90);
    let mut reader = Reader::default();
    for doing in scripts.iter().flat_map(|s| &s.doings) {
        reader.read(doing);
    }
    assert_agrees(&reader, &ledger);
}

#[test]
fn a_day_is_handed_out_in_the_order_of_arrival_and_within_its_dairy_day() {
    let (scripts, dairy) = played(40, Size::larkholm(), clumsy(), 60);
    for script in &scripts {
        assert!(script.doings.is_sorted_by_key(|doing| doing.arrives_at));
        let days = script.doings.iter().map(|doing| day_of(doing.arrives_at));
        assert!(
            days.into_iter().all(|day| day == script.day),
            "{}",
            script.day
        );
    }
    for deed in dairy.ledger().deeds() {
        assert_eq!(day_of(deed.at), deed.day, "{deed:?}");
    }
    let small_hours = |doing: &Doing| {
        let is_scan = matches!(doing.what, What::Scan(_));
        is_scan
            && day_of(doing.at)
                < doing
                    .at
                    .with_timezone(&chrono_tz::Europe::London)
                    .date_naive()
    };
    assert!(
        as_done(&scripts).iter().any(small_hours),
        "no night round in 60 days"
    );
}

#[test]
fn late_scans_arrive_1_to_30_hours_later_and_a_visit_stays_together() {
    let (scripts, _) = played(41, Size::larkholm(), clumsy(), 40);
    let mut late = 0;
    let mut last: BTreeMap<&str, &Doing> = BTreeMap::new();
    for doing in scripts.iter().flat_map(|s| &s.doings) {
        let What::Scan(line) = &doing.what else {
            continue;
        };
        if doing.is_late() {
            let delay = doing.arrives_at - doing.at;
            assert!(
                delay >= TimeDelta::hours(1) && delay <= TimeDelta::hours(30),
                "{delay}"
            );
            late += 1;
        }
        let before = last.insert(doing.station, doing);
        if let Some(before) = before.filter(|_| !line.starts_with("P.")) {
            assert!(
                before.at < doing.at,
                "{line} at {} was torn from its visit",
                doing.station
            );
            assert!(doing.at - before.at < TimeDelta::minutes(30));
            assert_eq!(before.is_late(), doing.is_late());
        }
    }
    assert!(late > 200, "{late}");
}

#[test]
fn every_scan_is_a_code_that_stations_read_except_the_nonsense() {
    let (scripts, _) = played(42, Size::small(), clumsy(), 110);
    let mut letters = BTreeSet::new();
    for doing in as_done(&scripts) {
        if let What::Scan(line) = &doing.what {
            match code(line) {
                Some((letter, _)) => _ = letters.insert(letter),
                None => assert_eq!(doing.answer, Expected::Wrong, "{line}"),
            }
            let sent = doing.sent_line().unwrap();
            if doing.is_late() {
                let (at, rest) = sent.strip_prefix('@').unwrap().split_once(' ').unwrap();
                assert_eq!(at.parse::<DateTime<Utc>>().unwrap(), doing.at);
                assert_eq!(rest, line);
            } else {
                assert_eq!(&sent, line);
            }
        }
    }
    assert_eq!(letters.into_iter().collect::<String>(), "ABCGHKMNOPQRSTVW");
}

#[test]
fn the_ledger_misses_exactly_the_turns_that_were_passed_over() {
    let (_, dairy) = played(50, Size::small(), clumsy(), 100);
    let ledger = dairy.ledger();
    let last = ledger.last_day().unwrap();
    let states = ledger.state_at(ends(last));
    let left_on: BTreeSet<(NaiveDate, usize)> = ledger
        .deeds()
        .iter()
        .filter(|deed| matches!(deed.act.kind(), Kind::Dispatched | Kind::Discarded))
        .flat_map(|deed| deed.wheels.iter().map(|wheel| (deed.day, *wheel)))
        .collect();
    let passed_over: BTreeSet<(NaiveDate, &str)> = ledger
        .passed_over()
        .iter()
        .flat_map(|missed| missed.wheels.iter().map(|wheel| (missed.day, *wheel)))
        .filter(|missed| !left_on.contains(missed))
        .map(|(day, wheel)| (day, ledger.wheel_id(wheel).unwrap()))
        .collect();
    let missed: BTreeSet<(NaiveDate, &str)> = states
        .iter()
        .flat_map(|wheel| {
            wheel
                .missed_turn_days
                .iter()
                .map(|day| (*day, wheel.id.as_str()))
        })
        .collect();
    assert!(missed.len() > 100, "{}", missed.len());
    assert_eq!(missed, passed_over);
    let (day, _) = *missed.first().unwrap();
    assert_eq!(
        ledger.missed_on(day).len(),
        missed.iter().filter(|m| m.0 == day).count()
    );
}

#[test]
fn a_turn_that_is_still_in_a_handheld_is_not_known_yet() {
    let (_, dairy) = played(51, Size::small(), clumsy(), 60);
    let ledger = dairy.ledger();
    let kept = |deed: &&floor_sim::Deed| {
        deed.act == Act::Turned && deed.voided.is_none() && deed.arrives_at > ends(deed.day)
    };
    let deed = ledger
        .deeds()
        .iter()
        .find(kept)
        .expect("a turn sent in the day after");
    let name = ledger.wheel_id(deed.wheels[0]).unwrap();
    let misses = |states: Vec<floor_sim::WheelState>| {
        let wheel = states.into_iter().find(|wheel| wheel.id == name).unwrap();
        wheel.missed_turn_days.contains(&deed.day)
    };
    assert!(!misses(ledger.state_at(ends(deed.day))));
    assert!(misses(ledger.known_at(ends(deed.day))));
    assert!(!misses(ledger.known_at(deed.arrives_at)));
}

#[test]
fn mistakes_happen_about_as_often_as_asked() {
    let asked = Mistakes::default();
    let (_, dairy) = played(60, Size::larkholm(), asked.clone(), 120);
    let ledger = dairy.ledger();
    let sum = ledger.summary(monday(), ledger.last_day().unwrap());
    let turn_scans = |deed: &&floor_sim::Deed| deed.act == Act::Turned && deed.voided.is_none();
    let scans = ledger.deeds().iter().filter(turn_scans).count() as f64;
    let about = |what: &str, found: usize, expected: f64| {
        let slack = 4.0 * expected.sqrt() + 3.0;
        assert!(
            (found as f64 - expected).abs() < slack,
            "{what}: {found}, not about {expected}"
        );
    };
    let rounds = scans / 15.0;
    about(
        "missed",
        ledger.passed_over().len(),
        scans * asked.missed_turn,
    );
    about("double", sum.doubles, scans * asked.double_scan);
    about("undone", sum.voided, rounds * asked.undone);
    about("nonsense", sum.nonsense, rounds * asked.nonsense);
    let late_rounds = sum.late / 14;
    about("late", late_rounds, rounds * asked.late_round * 0.85);
    assert_eq!(sum.contradictions, asked.turned_after_dispatch_on.len());
    assert_eq!(sum.strangers, asked.stranger_on.len());
    assert_eq!(sum.needles_short, asked.needle_short_on.len());
    assert_eq!(sum.returned, asked.return_on.len());
    assert_eq!(sum.held, sum.released, "every hold is over by now");
    assert!(sum.stopped >= 1, "nobody tried to dispatch a held wheel");
    assert!(sum.discarded >= asked.discard_on.len() + asked.return_on.len());
}

#[test]
fn a_fault_warms_one_room_for_most_of_a_day() {
    let mistakes = Mistakes {
        warm_room_on: vec![5],
        ..Mistakes::none()
    };
    let (scripts, _) = played(70, Size::small(), mistakes, 10);
    let mut coldest: BTreeMap<&str, f64> = BTreeMap::new();
    let mut readings: Vec<(&str, f64)> = Vec::new();
    for doing in as_done(&scripts) {
        if let What::Climate {
            room,
            temperature_c,
            humidity_pct,
        } = doing.what
        {
            assert!((60.0..=100.0).contains(&humidity_pct), "{humidity_pct}");
            let least = coldest.entry(room).or_insert(temperature_c);
            *least = least.min(temperature_c);
            readings.push((room, temperature_c));
        }
    }
    let warm = |(room, temperature): &&(&str, f64)| *temperature > coldest[*room] + 3.0;
    let warm: Vec<&str> = readings
        .iter()
        .filter(warm)
        .map(|(room, _)| *room)
        .collect();
    let half_hours = warm.len();
    assert!((30..50).contains(&half_hours), "{half_hours} half hours");
    assert_eq!(
        warm.iter().collect::<BTreeSet<_>>().len(),
        1,
        "one room only"
    );
}

#[test]
fn no_size_and_no_date_is_too_odd() {
    for (vats_a_day, wheels_a_vat) in [(0, 0), (4, 60), (usize::MAX, usize::MAX)] {
        let size = Size {
            vats_a_day,
            wheels_a_vat,
        };
        for start in [NaiveDate::MIN, NaiveDate::MAX, monday()] {
            let mut dairy = Dairy::new(1, start, size, clumsy());
            let days: Vec<DayScript> = (0..75).map(|_| dairy.next_day()).collect();
            let late = |deed: &&floor_sim::Deed| day_of(deed.at) != deed.day;
            assert_eq!(dairy.ledger().deeds().iter().find(late), None);
            assert!(days.iter().all(|day| !day.doings.is_empty()));
        }
    }
}
