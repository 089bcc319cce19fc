//! Customers, lanes and when things arrive.

use chrono::NaiveTime;
use dispatch::Now;
use dispatch::transit::Journeys;
use dispatch::wanted;

use crate::given::{CUSTOMERS, customers, day, monday, read_customers};

#[test]
fn a_shipment_waits_for_a_day_on_which_the_lane_delivers() {
    let customers = customers();
    let lane = &customers.lanes[&"NORTH-ROAD".parse().unwrap()];
    // Leaves on Thursday: Friday, or, slow, Saturday, which waits for Monday.
    let arrivals = lane.arrivals(day("2026-03-05"));
    let days: Vec<_> = arrivals.days().iter().map(|(day, _)| *day).collect();
    assert_eq!(days, [day("2026-03-06"), day("2026-03-09")]);
    assert_eq!(arrivals.likely(), Some(day("2026-03-06")));
    assert!((arrivals.share(|d| d <= day("2026-03-06")) - 0.94).abs() < 1e-12);
}

#[test]
fn nothing_leaves_or_arrives_on_a_closed_day() {
    let customers = customers();
    let lane = &customers.lanes[&"NORTH-ROAD".parse().unwrap()];
    // Christmas Day 2026 is a Friday.
    let arrivals = lane.arrivals(day("2026-12-24"));
    assert_eq!(arrivals.first(), Some(day("2026-12-28")));
    assert!(!lane.leaves_on(day("2026-12-25")));
}

#[test]
fn the_latest_shipment_that_is_sure_enough_is_taken() {
    let customers = customers();
    let two_bells = &customers.customers[&"TWOBELLS".parse().unwrap()];
    let (ways, _) = wanted::ways(&customers, two_bells, day("2026-03-11"), monday());
    assert_eq!(ways[0].leave_on, day("2026-03-10"));
    // Thursday's southern lorry is only 85 % sure: for 90 % it is Wednesday's.
    let southgate = &customers.customers[&"SOUTHGATE".parse().unwrap()];
    let (ways, _) = wanted::ways(&customers, southgate, day("2026-03-13"), monday());
    assert_eq!(ways[0].leave_on, day("2026-03-11"));
}

#[test]
fn after_the_cut_off_today_s_lorry_has_gone() {
    let customers = customers();
    let harbour = &customers.customers[&"HARBOUR".parse().unwrap()];
    let late = Now {
        time: NaiveTime::from_hms_opt(14, 1, 0).unwrap(),
        ..monday()
    };
    let leave = |now| wanted::ways(&customers, harbour, day("2026-03-03"), now).0[0].leave_on;
    assert_eq!(leave(monday()), day("2026-03-02"));
    assert_eq!(leave(late), day("2026-03-03"));
}

#[test]
fn a_dearer_lane_is_taken_when_the_usual_one_is_too_slow() {
    let customers = customers();
    let far = &customers.customers[&"FARSHORE".parse().unwrap()];
    let (ways, dearer) = wanted::ways(&customers, far, day("2026-03-26"), monday());
    assert_eq!(
        (ways[0].lane.as_str(), ways[0].leave_on),
        ("SEA", day("2026-03-17"))
    );
    assert!(dearer.iter().all(|way| way.lane.as_str() == "AIR"));
    let (ways, _) = wanted::ways(&customers, far, day("2026-03-06"), monday());
    assert_eq!(ways[0].lane.as_str(), "AIR");
}

#[test]
fn journeys_teach_how_slow_a_lane_is() {
    let mut journeys = Journeys::default();
    for _ in 0..40 {
        journeys.note("NORTH-ROAD".parse().unwrap(), chrono::Weekday::Tue, 2);
    }
    let customers = customers().learned(&journeys);
    let harbour = &customers.customers[&"HARBOUR".parse().unwrap()];
    // Tuesday's lorry is now nearly always late for Wednesday: Monday's must be taken.
    let (ways, _) = wanted::ways(&customers, harbour, day("2026-03-11"), monday());
    assert_eq!(ways[0].leave_on, day("2026-03-09"));
}

#[test]
fn a_wrong_customers_file_is_told_with_line_and_column() {
    let wrong = |from: &str, to: &str| {
        let text = CUSTOMERS.replacen(from, to, 1);
        assert_ne!(text, CUSTOMERS);
        read_customers(&text).unwrap_err().to_string()
    };
    let cases = [
        (
            "lanes = [\"NORTH-ROAD\"]",
            "lanes = [\"NORTH-RAOD\"]",
            "there is no [[lane]] NORTH-RAOD",
        ),
        (
            "slow_days = 2",
            "slow_days = 1",
            "slow_days must be more than the usual 1",
        ),
        (
            "slow_pct = 6",
            "slow_pct = 160",
            "slow_pct must be 0 to 100 %",
        ),
        ("slow_pct = 6\n", "", "slow_days needs slow_pct beside it"),
        (
            "cut_off = \"14:00\"",
            "cut_off = \"2 pm\"",
            "write a local time such as \"11:00\"",
        ),
        ("\"2026-12-25\"", "\"25.12.2026\"", "is no day: write it as"),
        (
            "\"Mon\", \"Tue\", \"Wed\", \"Thu\"",
            "\"Moon\"",
            "\"Moon\" is no weekday",
        ),
        (
            "id = \"SOUTH\"",
            "id = \"NORTH\"",
            "NORTH stands here twice",
        ),
        (
            "day = \"Thu\"",
            "day = \"Fri\"",
            "leaving_on names Fri, but the lane does not leave",
        ),
        (
            "name = \"Harbour Delicatessen\"",
            "name = \"\"",
            "name is empty",
        ),
        (
            "on_time_pct = 85",
            "on_time_pct = 0",
            "on_time_pct must be 1 to 100 %",
        ),
        (
            "sscc_prefix = \"0950600\"",
            "sscc_prefix = \"09506000000000\"",
            "at most 13 digits",
        ),
        (
            "wheels_per_case = 2",
            "wheels_per_case = 0",
            "wheels_per_case must be 1 to 1000",
        ),
        (
            "legal_least_age_days = 60",
            "legal_least_age_days = -1",
            "must be 0 to 3660 days",
        ),
        (
            "temperature_c = [2, 8]",
            "temperature_c = [8, 2]",
            "temperature_c must be [least, most]",
        ),
    ];
    for (from, to, message) in cases {
        let error = wrong(from, to);
        assert!(error.starts_with("customers.toml:"), "{error}");
        assert!(error.contains(message), "{error}");
        assert!(error.contains(" | "), "{error}");
    }
    assert!(
        read_customers("")
            .unwrap_err()
            .to_string()
            .contains("deploy/demo")
    );
}
