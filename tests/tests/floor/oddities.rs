//! What cannot be right is kept, and people are told.

use chrono::TimeDelta;
use facts::WheelTurned;
use floor_tests::{Floor, Given, code, portioned, time};
use serde_json::Value;

async fn ask(floor: &Floor, question: &[&str]) -> Value {
    serde_json::from_str(&floor.ask_as_people_do(question).await.well()).unwrap()
}

fn alert<'a>(picture: &'a Value, situation: &str) -> Option<&'a Value> {
    let alerts = picture["alerts"].as_array().unwrap();
    alerts.iter().find(|alert| alert["situation"] == situation)
}

#[tokio::test(flavor = "multi_thread")]
async fn two_wheels_with_one_serial_are_kept_and_flagged() {
    let mut floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
    let (mut one, mut other) = (Given::at("portion-1"), Given::at("portion-2"));
    one.makes(floor.now, "311", 3);
    let later = floor.now + TimeDelta::minutes(2);
    other.states(later, later, portioned("311-02", "311"));
    floor.store(&[one.facts, other.facts].concat()).await;
    floor.now += TimeDelta::minutes(10);
    let scheduler = floor.worker("scheduler");
    floor.folded(&scheduler).await;

    let life = ask(&floor, &["wheel", "311-02"]).await;
    assert_eq!(life["wheel"]["flags"][0]["kind"], "born_twice", "{life:#}");
    let flagged: Vec<_> = life["life"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|line| line["flags"] != serde_json::json!([]))
        .map(|line| (&line["station"], &line["flags"][0]))
        .collect();
    assert_eq!(
        flagged,
        [(
            &Value::from("portion-2"),
            &Value::from("portioned twice: two wheels may carry this serial")
        )]
    );
    let unflagged = ask(&floor, &["wheel", "311-01"]).await;
    assert_eq!(unflagged["wheel"]["flags"], serde_json::json!([]));
    let picture = ask(&floor, &["floor"]).await;
    let told = alert(&picture, "contradiction").expect("an alert");
    assert_eq!(told["subject"]["wheel"], "311-02");
}

#[tokio::test(flavor = "multi_thread")]
async fn a_station_whose_clock_is_an_hour_ahead_is_named_and_its_fact_is_folded() {
    let floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
    let (mut portion, mut drain) = (Given::at("portion-1"), Given::at("drain-1"));
    portion.makes(floor.now, "311", 1);
    let turn = WheelTurned {
        wheels: vec![code("311-01")],
        via: None,
    };
    drain.states(floor.now, floor.now + TimeDelta::hours(1), turn);
    floor.store(&[portion.facts, drain.facts].concat()).await;
    let scheduler = floor.worker("scheduler");
    floor.folded(&scheduler).await;

    let picture = ask(&floor, &["floor"]).await;
    let told = alert(&picture, "clock_wrong").expect("an alert");
    assert_eq!(told["subject"]["station"], "drain-1");
    assert_eq!(picture["counts"]["facts"], 3);
    let life = ask(&floor, &["wheel", "311-01"]).await;
    assert_eq!(life["wheel"]["turns"], 1);
}
