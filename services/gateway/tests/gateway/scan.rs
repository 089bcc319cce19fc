//! A browser as a station: the same core as behind a TCP scanner, each scan taken once.

use serde_json::{Value, json};
use tokio::time::Instant;

use crate::house::{House, utc_now};

fn receipts(answer: &Value) -> Vec<&Value> {
    let results = answer["results"].as_array().unwrap();
    results.iter().map(|result| &result["receipt"]).collect()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stillage_is_turned_by_a_named_person_and_the_same_number_again_changes_nothing() {
    let house = House::start().await;
    house.six_wheels().await;
    house.admit("O1", "operator", "8052");
    let mut tablet = house.tablet("tablet-1", "O1", "8052");
    house.until(&mut tablet, "/floor", "S07").await;

    let turn = tablet.scan("tablet-1", 1, "A.TURN");
    assert_eq!(turn.status, 200, "{}", turn.text);
    assert_eq!(turn.json()["action"], "TURN");
    let scan = json!({
        "station": "tablet-1", "seq": 2, "line": "S.S07", "occurred_at": utc_now(),
    });
    let first = tablet.post("/api/v1/station/scan", &scan).json();
    let receipt = receipts(&first)[0].clone();
    assert_eq!(receipt["words"], "6 wheels on S07 turned");
    assert_eq!(receipt["level"], "ok");
    assert_eq!(receipt["wheels"].as_array().unwrap().len(), 6);
    assert_eq!(receipt["recorded"], "wheel.turned");

    // The answer was lost on its way: the device sends it again, in a batch with the next.
    let again = json!([scan, { "station": "tablet-1", "seq": 3, "line": "W.311-02" }]);
    let answer = tablet.post("/api/v1/station/scan", &again).json();
    assert_eq!(answer["results"][0]["again"], true);
    assert_eq!(answer["results"][0]["receipt"], receipt);
    assert_eq!(answer["results"][1]["again"], false);
    assert_eq!(answer["next_seq"], 4);

    let facts = house.stated("tablet-1", 2).await;
    assert_eq!(facts.len(), 2);
    for (number, fact) in (1..).zip(&facts) {
        assert_eq!(fact.station_seq, number);
        assert_eq!(fact.event.topic(), "wheel.turned");
        assert_eq!(fact.person.unwrap().as_str(), "O1");
    }
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn another_scan_under_a_used_number_is_refused_and_told_a_free_one() {
    let house = House::start().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    tablet.scan("tablet-1", 1, "A.TURN");
    let other = tablet.scan("tablet-1", 1, "A.MOVE");
    assert_eq!(other.status, 409);
    assert_eq!(other.json()["code"], "seq_used");
    assert_eq!(other.json()["keep"], true);
    let gap = tablet.scan("tablet-1", 3, "A.MOVE");
    assert_eq!(
        (
            gap.status,
            gap.json()["code"].clone(),
            gap.json()["keep"].clone()
        ),
        (409, json!("seq_gap"), json!(true))
    );
    assert_eq!(tablet.get("/api/v1/station").json()["next_seq"], 2);
    assert_eq!(tablet.get("/api/v1/station").json()["action"], "TURN");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn after_a_restart_the_action_receipts_and_undo_are_as_before() {
    let mut house = House::start().await;
    house.six_wheels().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut tablet, "/floor", "S07").await;
    tablet.scan("tablet-1", 1, "A.MOVE");
    tablet.scan("tablet-1", 2, "R.R2");
    let moved = tablet.scan("tablet-1", 3, "S.S07");
    assert_eq!(
        receipts(&moved.json())[0]["words"],
        "6 wheels on S07 moved to R2"
    );

    house.close().await;
    house.open().await;
    let standing = tablet.get("/api/v1/station").json();
    assert_eq!(standing["action"], "MOVE", "{standing}");
    assert_eq!(standing["latest"][0]["seq"], 3);
    // The same room is still set, and the same number is still taken.
    let again = tablet.scan("tablet-1", 3, "S.S07").json();
    assert_eq!(again["results"][0]["again"], true);
    let one = tablet.scan("tablet-1", 4, "W.311-01").json();
    assert_eq!(receipts(&one)[0]["words"], "wheel 311-01 moved to R2");

    // Only the last record can be undone; it says which that is.
    let earlier = json!({ "station": "tablet-1", "seq": 5, "undoes": 3 });
    let earlier = tablet.post("/api/v1/station/scan", &earlier).json();
    assert_eq!(receipts(&earlier)[0]["level"], "wrong");
    let words = receipts(&earlier)[0]["words"].as_str().unwrap();
    assert!(words.contains("wheel 311-01 moved to R2"), "{words}");
    let undo = json!({ "station": "tablet-1", "seq": 6, "undoes": 4 });
    let undone = tablet.post("/api/v1/station/scan", &undo).json();
    assert_eq!(
        receipts(&undone)[0]["words"],
        "undone: wheel 311-01 moved to R2"
    );
    // Sent again it is the same undo; a second one finds nothing.
    let again = tablet.post("/api/v1/station/scan", &undo).json();
    assert_eq!(again["results"][0]["again"], true);
    let twice = json!({ "station": "tablet-1", "seq": 7, "undoes": 4 });
    let twice = tablet.post("/api/v1/station/scan", &twice).json();
    assert_eq!(receipts(&twice)[0]["level"], "wrong");
    // The card undoes the latest that is left.
    let card = tablet.scan("tablet-1", 8, "A.UNDO").json();
    assert_eq!(
        receipts(&card)[0]["words"],
        "undone: 6 wheels on S07 moved to R2"
    );

    let topics: Vec<_> = house.stated("tablet-1", 4).await;
    let topics: Vec<_> = topics.iter().map(|fact| fact.event.topic()).collect();
    assert_eq!(
        topics,
        ["wheel.moved", "wheel.moved", "fact.voided", "fact.voided"]
    );
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_held_wheel_at_dispatch_is_stopped_and_not_recorded() {
    let house = House::start().await;
    house.six_wheels().await;
    house.hold("311-04", "Q7").await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut tablet, "/wheels/311-04", "Q7").await;
    tablet.scan("tablet-1", 1, "A.DISPATCH");
    tablet.scan("tablet-1", 2, "O.O-1");
    let stopped = tablet.scan("tablet-1", 3, "S.S07").json();
    let receipt = receipts(&stopped)[0];
    assert_eq!(receipt["level"], "stop");
    assert!(
        receipt["words"].as_str().unwrap().contains("Q7"),
        "{receipt}"
    );
    assert_eq!(receipt["facts"], json!([]));
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn each_role_records_what_it_may() {
    let house = House::start().await;
    house.six_wheels().await;
    house.admit("O1", "operator", "8052");
    house.admit("I1", "ironer", "9164");
    house.admit("V1", "inspector", "7305");
    let mut tablet = house.tablet("tablet-1", "O1", "8052");
    house.until(&mut tablet, "/floor", "S07").await;
    let refused = tablet.scan("tablet-1", 1, "A.IRON").json();
    assert_eq!(receipts(&refused)[0]["level"], "wrong");
    assert_eq!(refused["action"], Value::Null);
    tablet.sign_in("I1", "9164");
    assert_eq!(
        tablet.scan("tablet-1", 2, "A.IRON").json()["action"],
        "IRON"
    );
    // What another person set never acts for whoever comes next.
    tablet.sign_in("O1", "8052");
    let refused = tablet.scan("tablet-1", 3, "W.311-01").json();
    let words = receipts(&refused)[0]["words"].as_str().unwrap();
    assert!(words.contains("no action yet"), "{words}");
    tablet.sign_in("V1", "7305");
    let looking = tablet.scan("tablet-1", 4, "W.311-01").json();
    assert_eq!(receipts(&looking)[0]["level"], "wrong");
    assert_eq!(receipts(&looking)[0]["facts"], json!([]));
    assert!(tablet.get("/today").status == 200);
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_expired_session_in_the_middle_of_a_batch_loses_nothing() {
    let house = House::start().await;
    house.six_wheels().await;
    house.admit("O1", "operator", "8052");
    house.admit("O2", "operator", "6417");
    let mut tablet = house.tablet("tablet-1", "O1", "8052");
    house.until(&mut tablet, "/floor", "S07").await;
    tablet.scan("tablet-1", 1, "A.TURN");
    let waiting = json!([
        tablet.kept_scan("tablet-1", 2, "W.311-01", "TURN", utc_now()),
        tablet.kept_scan("tablet-1", 3, "W.311-02", "TURN", utc_now()),
    ]);
    let mut expired = tablet.clone();
    expired.cookies.remove("wheelward-person");
    expired.token = None;
    let refused = expired.post("/api/v1/station/scan", &waiting);
    assert_eq!(refused.status, 401);
    assert_eq!(refused.json()["code"], "sign_in");
    assert_eq!(refused.json()["keep"], true);
    // Someone else signs in on the device; the scans are still O1's.
    expired.sign_in("O2", "6417");
    let taken = expired.post("/api/v1/station/scan", &waiting).json();
    assert_eq!(receipts(&taken).len(), 2, "{taken}");
    let facts = house.stated("tablet-1", 2).await;
    assert!(
        facts
            .iter()
            .all(|fact| fact.person.unwrap().as_str() == "O1")
    );
    // But nobody can scan in the name of someone who never was here.
    house.admit("O3", "operator", "3951");
    let forged = json!({ "station": "tablet-1", "seq": 4, "line": "W.311-03", "person": "O3" });
    let forged = expired.post("/api/v1/station/scan", &forged).json();
    let words = receipts(&forged)[0]["words"].as_str().unwrap();
    assert!(
        words.contains("O3 must sign in to send this scan"),
        "{words}"
    );
    assert_eq!(receipts(&forged)[0]["facts"], json!([]));
    house.end().await;
}

/// A tab is closed, the network goes: what was begun is written in its turn all the same, and
/// the same scan sent again at once gets its receipt.
#[tokio::test(flavor = "multi_thread")]
async fn a_call_that_is_broken_off_is_taken_once() {
    let house = House::start().await;
    house.six_wheels().await;
    house.admit("O1", "operator", "8052");
    let mut tablet = house.tablet("tablet-1", "O1", "8052");
    house.until(&mut tablet, "/floor", "S07").await;
    // Some calls are broken off before their usual time, some after it.
    let began = Instant::now();
    tablet.scan("tablet-1", 1, "A.TURN");
    let usual = began.elapsed();
    let last = 160_u64;
    let mut hasty = tablet.clone();
    let (mut broken, mut again) = (0, 0);
    for seq in 2..=last {
        let scan =
            json!({ "station": "tablet-1", "seq": seq, "line": format!("W.311-0{}", 1 + seq % 6) });
        let body = ("application/json", scan.to_string().into_bytes());
        hasty.patience(usual.mul_f64((seq % 20) as f64 / 10.0));
        if hasty
            .try_call("POST", "/api/v1/station/scan", Some(body))
            .is_none()
        {
            broken += 1;
        }
        let answer = tablet.post("/api/v1/station/scan", &scan).json();
        assert_eq!(receipts(&answer)[0]["level"], "ok", "{answer}");
        again += u32::from(answer["results"][0]["again"] == true);
    }
    assert!(broken > 10, "{broken} broken off");
    assert!(again > 10, "{again} taken before they were sent again");
    let many = usize::try_from(last - 1).unwrap();
    let facts = house.stated("tablet-1", many).await;
    assert_eq!(facts.len(), many, "each once");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_forged_or_sent_away_station_records_nothing() {
    let house = House::start().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    let forged = tablet.scan("tablet-2", 1, "A.TURN");
    assert_eq!(
        (forged.status, forged.json()["code"].clone()),
        (403, json!("other_station"))
    );
    let mut office = house.manager();
    let nowhere = office.scan("tablet-1", 1, "A.TURN");
    assert_eq!(
        (nowhere.status, nowhere.json()["code"].clone()),
        (403, json!("no_station"))
    );
    let taken = office.form("/stations", "station=room-1&name=Mine");
    assert_eq!(taken.status, 400, "a name of the site file");
    let taken = office.form("/stations", "station=gateway&name=Mine");
    assert_eq!(taken.status, 400, "a worker's name");
    office.form("/stations/send-away", "station=tablet-1");
    assert_eq!(tablet.scan("tablet-1", 1, "A.TURN").status, 403);
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn another_badge_is_asked_for_its_pin() {
    let house = House::start().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    let own = tablet.scan("tablet-1", 1, "P.M1").json();
    assert_eq!(receipts(&own)[0]["asks_pin_of"], Value::Null);
    let other = tablet.scan("tablet-1", 2, "P.O9").json();
    assert_eq!(receipts(&other)[0]["asks_pin_of"], "O9");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_group_scan_shows_its_wheels_before_anything_is_recorded_and_keeps_the_clocks_error() {
    let house = House::start().await;
    house.six_wheels().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut tablet, "/floor", "S07").await;
    tablet.scan("tablet-1", 1, "A.RIND");
    let scan = json!({ "station": "tablet-1", "seq": 2, "line": "S.S07", "skew_ms": 93_000 });
    let asked = tablet.post("/api/v1/station/scan", &scan).json();
    let receipt = receipts(&asked)[0];
    assert_eq!(receipt["level"], "next", "{receipt}");
    assert_eq!(receipt["facts"], json!([]));
    assert_eq!(receipt["wheels"].as_array().unwrap().len(), 6);
    assert_eq!(receipt["skew_ms"], 93_000);
    let page = house.manager().get("/stations").text;
    assert!(page.contains("its clock is off by 93 s"), "{page}");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_service_worker_may_look_after_the_station_page() {
    let house = House::start().await;
    let worker = house.browser().get("/assets/offline.js");
    assert_eq!(worker.headers["service-worker-allowed"], "/");
    assert!(worker.headers["content-type"].starts_with("text/javascript"));
    // Everything that it keeps is there.
    let needed = worker.text.split("const NEEDED = [").nth(1).unwrap();
    for name in needed.split(']').next().unwrap().split(", ") {
        let path = format!("/assets/{}", name.trim_matches('"'));
        assert_eq!(house.browser().get(&path).status, 200, "{path}");
    }
    house.end().await;
}
