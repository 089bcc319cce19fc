//! What was refused stays refused, and what may be taken back is by one table.

use chrono::TimeDelta;
use serde_json::{Value, json};

use crate::house::{Browser, House, utc_now};

fn receipt(answer: &Value) -> Value {
    answer["results"][0]["receipt"].clone()
}

/// Scans a line and gives its receipt; every one is answered at once, refused or not.
fn scan(tablet: &mut Browser, line: &str) -> Value {
    let next = tablet.get("/api/v1/station").json()["next_seq"].as_u64();
    let answer = tablet.scan("tablet-1", next.unwrap(), line);
    assert_eq!(answer.status, 200, "{line}: {}", answer.text);
    receipt(&answer.json())
}

fn refused(receipt: &Value) -> bool {
    let level = receipt["level"].as_str().unwrap();
    ["wrong", "stop"].contains(&level) && receipt["facts"] == json!([])
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_dispatch_has_a_receipt_and_never_happens_by_itself() {
    let mut house = House::with_desk().await;
    house.vat_started().await;
    house.six_wheels().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut tablet, "/floor", "S07").await;
    house
        .until(&mut tablet, "/api/v1/allocation", "lines")
        .await;
    scan(&mut tablet, "A.DISPATCH");
    scan(&mut tablet, "O.O-1");
    let then = utc_now();
    let one = json!({ "station": "tablet-1", "seq": 3, "line": "W.311-01", "occurred_at": then });
    let answer = tablet.post("/api/v1/station/scan", &one);
    assert_eq!(
        answer.status, 200,
        "final, not to be sent again: {}",
        answer.text
    );
    let first = receipt(&answer.json());
    assert!(refused(&first), "{first}");
    // The same again is the same, and it is found among the station's receipts.
    let again = tablet.post("/api/v1/station/scan", &one).json();
    assert_eq!(again["results"][0]["again"], true);
    assert_eq!(receipt(&again)["words"], first["words"]);
    let latest = tablet.get("/api/v1/station").json()["latest"][0].clone();
    assert_eq!(latest["words"], first["words"]);
    // Left out of reach for three minutes, it would count as kept: it is refused all the same.
    house.close().await;
    house.open().await;
    for (seq, minutes) in [(4, 3), (5, 60)] {
        let old = json!({
            "station": "tablet-1", "seq": seq, "line": "W.311-01",
            "occurred_at": then - TimeDelta::minutes(minutes),
        });
        let answer = tablet.post("/api/v1/station/scan", &old);
        assert_eq!(answer.status, 200, "{}", answer.text);
        assert!(refused(&receipt(&answer.json())), "{}", answer.text);
    }
    // Everything after it is taken.
    scan(&mut tablet, "A.TURN");
    assert_eq!(scan(&mut tablet, "S.S07")["level"], "ok");
    let facts = house.stated("tablet-1", 1).await;
    let topics: Vec<_> = facts.iter().map(|fact| fact.event.topic()).collect();
    assert_eq!(topics, ["wheel.turned"]);
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_refused_card_leaves_nothing_set_also_after_a_restart() {
    let mut house = House::start().await;
    house.six_wheels().await;
    house.admit("O1", "operator", "8052");
    let mut tablet = house.tablet("tablet-1", "O1", "8052");
    house.until(&mut tablet, "/floor", "S07").await;
    for card in ["A.IRON", "A.RELEASE", "A.PORTION"] {
        scan(&mut tablet, "A.HOLD");
        scan(&mut tablet, "Q.Q1");
        assert!(refused(&scan(&mut tablet, card)), "{card}");
        assert_eq!(tablet.get("/api/v1/station").json()["action"], Value::Null);
        assert!(refused(&scan(&mut tablet, "W.311-01")), "{card}");
    }
    house.close().await;
    house.open().await;
    assert_eq!(tablet.get("/api/v1/station").json()["action"], Value::Null);
    assert!(refused(&scan(&mut tablet, "W.311-01")));
    assert!(house.stated("tablet-1", 0).await.is_empty());
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_scan_that_meant_another_action_than_is_set_is_refused() {
    let house = House::start().await;
    house.six_wheels().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut tablet, "/floor", "S07").await;
    scan(&mut tablet, "A.DISCARD");
    let shown = |seq: u64, action: &str| json!({ "station": "tablet-1", "seq": seq, "line": "W.311-01", "action": action });
    for (seq, action) in [(2, "TURN"), (3, "")] {
        let answer = tablet
            .post("/api/v1/station/scan", &shown(seq, action))
            .json();
        assert!(refused(&receipt(&answer)), "{answer}");
        assert_eq!(answer["action"], "DISCARD", "it hears what is set");
    }
    scan(&mut tablet, "A.TURN");
    let answer = tablet
        .post("/api/v1/station/scan", &shown(5, "TURN"))
        .json();
    assert_eq!(receipt(&answer)["recorded"], "wheel.turned");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_a_device_gave_up_is_never_done_and_what_was_done_is_told() {
    let house = House::start().await;
    house.six_wheels().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut tablet, "/floor", "S07").await;
    scan(&mut tablet, "A.TURN");
    // Never arrived: given up, and a late copy of it changes nothing.
    let mut lost = json!({ "station": "tablet-1", "seq": 2, "line": "W.311-01" });
    let late = lost.clone();
    lost["withdrawn"] = json!(true);
    let answer = tablet.post("/api/v1/station/scan", &lost).json();
    assert!(refused(&receipt(&answer)), "{answer}");
    let answer = tablet.post("/api/v1/station/scan", &late).json();
    assert_eq!(answer["results"][0]["again"], true);
    assert!(refused(&receipt(&answer)), "{answer}");
    // Arrived, and its answer was lost: that it is done is told.
    let mut done = json!({ "station": "tablet-1", "seq": 3, "line": "W.311-02" });
    tablet.post("/api/v1/station/scan", &done);
    done["withdrawn"] = json!(true);
    let answer = tablet.post("/api/v1/station/scan", &done).json();
    assert_eq!(answer["results"][0]["again"], true);
    assert_eq!(receipt(&answer)["recorded"], "wheel.turned");
    assert_eq!(house.stated("tablet-1", 1).await.len(), 1);
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_keeps_people_safe_is_not_undone_at_a_station() {
    let house = House::start().await;
    house.six_wheels().await;
    house.admit("O1", "operator", "8052");
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut tablet, "/floor", "S07").await;
    scan(&mut tablet, "A.HOLD");
    scan(&mut tablet, "Q.Q1");
    let held = scan(&mut tablet, "W.311-01");
    assert_eq!(held["undo_until"], Value::Null, "{held}");
    let undo = scan(&mut tablet, "A.UNDO");
    assert!(refused(&undo), "{undo}");
    assert!(
        undo["words"].as_str().unwrap().contains("manager"),
        "{undo}"
    );
    // Somebody else's record, and one's own of before.
    scan(&mut tablet, "A.TURN");
    let turned = scan(&mut tablet, "W.311-02");
    assert!(turned["undo_until"].is_string(), "{turned}");
    tablet.sign_in("O1", "8052");
    assert!(refused(&scan(&mut tablet, "A.UNDO")));
    let seq = tablet.get("/api/v1/station").json()["next_seq"].clone();
    let theirs = json!({ "station": "tablet-1", "seq": seq, "undoes": turned["seq"] });
    assert!(refused(&receipt(
        &tablet.post("/api/v1/station/scan", &theirs).json()
    )));
    let facts = house.stated("tablet-1", 2).await;
    assert!(facts.iter().all(|fact| fact.event.topic() != "fact.voided"));
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_correction_names_a_record_that_is_there_and_still_counts() {
    let house = House::start().await;
    house.six_wheels().await;
    let mut manager = house.manager();
    house.until(&mut manager, "/wheels/311-01", "311-01").await;
    let mut void = |fact: &str, reason: &str| {
        let path = format!("/api/v1/facts/{fact}/void");
        let answer = manager.post(&path, &json!({ "reason": reason }));
        let words = answer.json()["words"]
            .as_str()
            .unwrap_or_default()
            .to_owned();
        (answer.status, words, answer.json())
    };
    for nothing in [
        "019c0000-0000-7000-8000-000000000000",
        "0fffffff-ffff-7000-8000-000000000000",
        "x",
    ] {
        let (status, words, _) = void(nothing, "never was");
        assert_eq!(status, 404, "{words}");
        assert!(words.contains("there is no"), "{words}");
    }
    let fact = house.stated("past", 1).await[0].id.to_string();
    assert_eq!(void(&fact, " ").0, 400, "a reason is needed");
    let (status, words, done) = void(&fact, "another batch");
    assert_eq!(status, 200, "{words}");
    let correction = done["facts"][0].as_str().unwrap().to_owned();
    let (status, words, _) = void(&fact, "again");
    assert_eq!(status, 409);
    assert!(
        words.contains("corrected already (another batch)"),
        "{words}"
    );
    let (status, words, _) = void(&correction, "no");
    assert_eq!(status, 409);
    assert!(words.contains("record it anew"), "{words}");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_manager_without_the_right_to_release_takes_no_wheel_from_under_a_hold() {
    let house = House::where_only("09").await;
    house.six_wheels().await;
    house.hold("311-04", "Q7").await;
    let mut manager = house.manager();
    house.until(&mut manager, "/wheels/311-04", "Q7").await;
    let fact = house.stated("lab", 1).await[0].id;
    let path = format!("/api/v1/facts/{fact}/void");
    let refused = manager.post(&path, &json!({ "reason": "all is well" }));
    assert_eq!(refused.status, 403);
    let words = refused.json()["words"].as_str().unwrap().to_owned();
    let says = "your correction would not count: this record keeps wheels from leaving, and only badge 09 may let them go";
    assert_eq!(words, says);
    // Another recipe may have no hold.
    let moved = "batch=311&recipe=larkholm-blue&recipe_version=1&reason=dry&not_yet=yes";
    let refused = manager.form("/entry/vat.recipe_changed", moved);
    assert_eq!(refused.status, 403);
    assert!(
        refused.text.contains("only badge 09 may"),
        "{}",
        refused.text
    );
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_batch_goes_on_by_a_recipe_that_the_site_has() {
    let house = House::start().await;
    house.six_wheels().await;
    let mut manager = house.manager();
    house.until(&mut manager, "/wheels/311-01", "311-01").await;
    let mut moves = |recipe: &str, version: u32| {
        let form = format!("batch=311&recipe={recipe}&recipe_version={version}&reason=dry");
        manager.form("/entry/vat.recipe_changed", &form)
    };
    let unknown = moves("larkholm-bleu", 1);
    assert_eq!(unknown.status, 404);
    assert!(
        unknown.text.contains("did you mean larkholm-blue?"),
        "{}",
        unknown.text
    );
    let unknown = moves("larkholm-blue", 99);
    assert_eq!(unknown.status, 404);
    assert!(
        unknown.text.contains("has no version 99; it has v1"),
        "{}",
        unknown.text
    );
    assert_eq!(moves("larkholm-blue", 1).status, 303);
    let stated = house.stated("gateway", 1).await;
    assert_eq!(stated[0].event.topic(), "vat.recipe_changed");
    house.end().await;
}
