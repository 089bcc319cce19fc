//! The API's description agrees with what is answered.

use std::collections::BTreeSet;

use gateway::api::openapi::{CALLS, document};
use serde_json::{Value, json};

use crate::house::House;

fn schema_of(document: &Value, path: &str, method: &str, what: &[&str]) -> Value {
    let mut schema = &document["paths"][path][method];
    for key in what {
        schema = &schema[key];
    }
    let mut schema = schema["content"]["application/json"]["schema"].clone();
    schema["components"] = document["components"].clone();
    schema
}

fn check(document: &Value, path: &str, method: &str, answer: &Value, good: bool) {
    let what: &[&str] = if good {
        &["responses", "200"]
    } else {
        &["responses", "default"]
    };
    let schema = schema_of(document, path, method, what);
    let validator = jsonschema::validator_for(&schema).unwrap();
    let wrong: Vec<_> = validator
        .iter_errors(answer)
        .map(|e| e.to_string())
        .collect();
    assert!(wrong.is_empty(), "{method} {path}: {wrong:?}\n{answer}");
}

#[test]
fn every_call_is_described_once_and_every_reference_leads_somewhere() {
    let document = document();
    let calls: BTreeSet<_> = CALLS.iter().map(|call| (call.path, call.method)).collect();
    assert_eq!(calls.len(), CALLS.len());
    let text = document.to_string();
    for part in text.split("\"$ref\":\"").skip(1) {
        let pointer = part.split('"').next().unwrap().trim_start_matches('#');
        assert!(document.pointer(pointer).is_some(), "{pointer}");
    }
}

#[test]
fn every_route_is_described() {
    let source = include_str!("../../src/api.rs");
    let routed: BTreeSet<_> = source
        .split("\"/api/v1/")
        .skip(1)
        .map(|rest| format!("/api/v1/{}", rest.split('"').next().unwrap()))
        .collect();
    let described: BTreeSet<_> = CALLS.iter().map(|call| call.path.to_owned()).collect();
    assert_eq!(routed, described);
}

#[tokio::test(flavor = "multi_thread")]
async fn answers_good_and_bad_are_as_described() {
    let house = House::with_desk().await;
    house.six_wheels().await;
    house.vat_started().await;
    let document = house.browser().get("/api/v1/openapi.json").json();
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut tablet, "/floor", "S07").await;
    house.until(&mut tablet, "/api/v1/wheels", "311-06").await;
    house
        .until(&mut tablet, "/api/v1/allocation", "\"lines\"")
        .await;
    house
        .until(&mut tablet, "/api/v1/forecasts/311", "\"ready\"")
        .await;
    let mut stranger = house.browser();
    for call in CALLS
        .iter()
        .filter(|call| call.method == "get" && !call.path.ends_with("/live"))
    {
        let path = call
            .path
            .replace("{wheel}", "311-01")
            .replace("{batch}", "311")
            .replace("{what}", "311");
        let path = if path.ends_with("/promise") {
            format!("{path}?customer=HARBOUR&recipe=larkholm-blue&wheels=5&by=2100-03-04")
        } else {
            path
        };
        let answer = tablet.get(&path);
        assert_eq!(answer.status, 200, "{path}: {}", answer.text);
        check(&document, call.path, "get", &answer.json(), true);
        if call.signed {
            let refused = stranger.get(&path);
            assert_eq!(refused.status, 401, "{path}");
            check(&document, call.path, "get", &refused.json(), false);
        }
    }
    tablet.scan("tablet-1", 1, "A.TURN");
    let one = json!({ "station": "tablet-1", "seq": 2, "line": "S.S07" });
    let request = schema_of(&document, "/api/v1/station/scan", "post", &["requestBody"]);
    for body in [&one, &json!([one])] {
        assert!(jsonschema::is_valid(&request, body), "{body}");
        let answer = tablet.post("/api/v1/station/scan", body).json();
        check(&document, "/api/v1/station/scan", "post", &answer, true);
    }
    assert!(!jsonschema::is_valid(&request, &json!({ "seq": 2 })));
    let refused = tablet.scan("tablet-1", 2, "W.1");
    check(
        &document,
        "/api/v1/station/scan",
        "post",
        &refused.json(),
        false,
    );
    // What was scanned last may still end the alert that is seen first.
    let note = loop {
        let floor = house
            .until(&mut tablet, "/api/v1/floor", "\"alert\":\"")
            .await;
        let floor = floor.json();
        let alerts = floor["alerts"].as_array().unwrap().iter();
        let alert = alerts.filter_map(|line| line["alert"].as_str()).next();
        let Some(alert) = alert.map(|alert| alert.replace('#', "%23")) else {
            continue;
        };
        let note = tablet.post(
            &format!("/api/v1/alerts/{alert}/acknowledgement"),
            &json!({ "note": "on it" }),
        );
        if note.json()["code"] != "unknown" {
            break note;
        }
    };
    check(
        &document,
        "/api/v1/alerts/{alert}/acknowledgement",
        "post",
        &note.json(),
        true,
    );
    let acknowledged = house.stated("gateway", 1).await[0].id;
    let void = tablet.post(
        &format!("/api/v1/facts/{acknowledged}/void"),
        &json!({ "reason": "no" }),
    );
    check(
        &document,
        "/api/v1/facts/{fact}/void",
        "post",
        &void.json(),
        true,
    );
    let wrong = tablet.send("PUT", "/api/v1/session", "application/json", b"{}");
    assert_eq!(wrong.status, 405);
    check(&document, "/api/v1/session", "post", &wrong.json(), false);
    house.end().await;
}
