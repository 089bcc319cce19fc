//! Who did it is who was signed in on that device at that moment, and they do what their role
//! may do.

use chrono::{DateTime, TimeDelta, Utc};
use serde_json::{Value, json};

use crate::house::{Browser, House, utc_now};

/// Nobody at a tablet is taken for the manager who was signed in there, at whatever time they
/// say; the number of the next scan.
fn nobody_is_m1(tablet: &mut Browser, mut seq: u64, began: DateTime<Utc>) -> u64 {
    for at in [
        began,
        utc_now(),
        utc_now() + TimeDelta::hours(1),
        utc_now() + TimeDelta::hours(11),
        utc_now() - TimeDelta::days(13),
    ] {
        for line in ["A.RELEASE", "A.TURN"] {
            let (level, words, facts) = send(tablet, &as_other(seq, line, "M1", at));
            assert_eq!(
                (level.as_str(), facts),
                ("wrong", 0),
                "{line} {at}: {words}"
            );
            assert!(words.contains("M1 must sign in"), "{words}");
            seq += 1;
        }
    }
    seq
}

/// What a scan came to: its level, words and how many facts.
fn said(answer: &Value) -> (String, String, usize) {
    let receipt = &answer["results"][0]["receipt"];
    let text = |name: &str| receipt[name].as_str().unwrap_or_default().to_owned();
    let facts = receipt["facts"].as_array().map_or(0, Vec::len);
    (text("level"), text("words"), facts)
}

fn send(tablet: &mut Browser, scan: &Value) -> (String, String, usize) {
    let answer = tablet.post("/api/v1/station/scan", scan);
    assert_eq!(answer.status, 200, "{}", answer.text);
    said(&answer.json())
}

fn as_other(seq: u64, line: &str, person: &str, at: DateTime<Utc>) -> Value {
    json!({ "station": "tablet-1", "seq": seq, "line": line, "person": person, "occurred_at": at })
}

#[tokio::test(flavor = "multi_thread")]
async fn nobody_acts_as_a_manager_who_has_signed_out() {
    let mut house = House::start().await;
    house.six_wheels().await;
    house.hold("311-04", "Q7").await;
    house.admit("O1", "operator", "8052");
    let began = utc_now();
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut tablet, "/wheels/311-04", "Q7").await;
    let manager = tablet.clone();
    tokio::time::sleep(std::time::Duration::from_secs(3)).await;
    tablet.sign_in("O1", "8052");
    let seq = nobody_is_m1(&mut tablet, 1, began);
    // Nor after the gateway was started again.
    house.close().await;
    house.open().await;
    let seq = nobody_is_m1(&mut tablet, seq, began);
    // The operator is an operator.
    let own = json!({ "station": "tablet-1", "seq": seq, "line": "A.RELEASE" });
    let (level, words, _) = send(&mut tablet, &own);
    assert_eq!(level, "wrong");
    assert!(words.contains("needs a manager"), "{words}");
    // Now that they have scanned, the manager's own signature is of no use either.
    let signed = manager.kept_scan("tablet-1", seq + 1, "A.TURN", "", began);
    let (level, words, _) = send(&mut tablet, &signed);
    assert_eq!(level, "wrong");
    assert!(words.contains("later scans already"), "{words}");
    let facts = house.stated("tablet-1", 0).await;
    assert!(facts.is_empty(), "{facts:?}");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn scans_kept_out_of_reach_are_of_the_session_that_signed_them() {
    let mut house = House::start().await;
    house.six_wheels().await;
    house.admit("O1", "operator", "8052");
    house.admit("O2", "operator", "6417");
    let mut tablet = house.tablet("tablet-1", "O1", "8052");
    house.until(&mut tablet, "/floor", "S07").await;
    tablet.scan("tablet-1", 1, "A.TURN");
    let first = tablet.clone();
    let made = utc_now();
    let kept = |seq, line: &str, at| first.kept_scan("tablet-1", seq, line, "TURN", at);
    // The gateway is started again, and someone else signs in first.
    house.close().await;
    house.open().await;
    tokio::time::sleep(std::time::Duration::from_secs(3)).await;
    tablet.sign_in("O2", "6417");
    // What is signed cannot be changed.
    let mut seq = 2;
    for (field, other) in [
        ("line", json!("W.311-06")),
        ("action", json!("MOVE")),
        ("occurred_at", json!(utc_now() - TimeDelta::seconds(1))),
        ("session", json!("0123456789abcdef")),
        ("signature", json!("00")),
    ] {
        let mut forged = kept(seq, "W.311-01", made);
        forged[field] = other;
        let (level, words, facts) = send(&mut tablet, &forged);
        assert_eq!((level.as_str(), facts), ("wrong", 0), "{field}: {words}");
        seq += 1;
    }
    // Nor is it of use after the end of its session.
    tokio::time::sleep(std::time::Duration::from_secs(3)).await;
    let late = kept(seq, "W.311-01", utc_now());
    assert_eq!(send(&mut tablet, &late).0, "wrong");
    let kept = kept(seq + 1, "W.311-01", made);
    let (level, words, facts) = send(&mut tablet, &kept);
    assert_eq!((level.as_str(), facts), ("ok", 1), "{words}");
    let facts = house.stated("tablet-1", 1).await;
    assert_eq!(facts[0].person.unwrap().as_str(), "O1");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn out_of_reach_what_is_scanned_after_a_sign_out_is_nobodys() {
    let mut house = House::start().await;
    house.six_wheels().await;
    house.admit("O1", "operator", "8052");
    let mut tablet = house.tablet("tablet-1", "O1", "8052");
    house.until(&mut tablet, "/floor", "S07").await;
    tablet.scan("tablet-1", 1, "A.TURN");
    // The tablet is out of reach and does not hear that a manager signs O1 out.
    let pause = || tokio::time::sleep(std::time::Duration::from_secs(3));
    let before = tablet.kept_scan("tablet-1", 2, "W.311-01", "TURN", utc_now());
    pause().await;
    house.admit("O1", "operator", "8052");
    pause().await;
    let after = tablet.kept_scan("tablet-1", 3, "W.311-02", "TURN", utc_now());
    let mut unsigned = tablet.kept_scan("tablet-1", 4, "W.311-03", "TURN", utc_now());
    unsigned["signature"] = Value::Null;
    pause().await;
    house.close().await;
    house.open().await;
    tablet.sign_in("O1", "8052");
    let (level, words, facts) = send(&mut tablet, &before);
    assert_eq!((level.as_str(), facts), ("ok", 1), "{words}");
    for later in [after, unsigned] {
        let (level, words, facts) = send(&mut tablet, &later);
        assert_eq!((level.as_str(), facts), ("wrong", 0), "{words}");
        assert!(words.contains("O1 must sign in"), "{words}");
    }
    let facts = house.stated("tablet-1", 1).await;
    assert_eq!(facts.len(), 1);
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_shift_change_out_of_reach_records_each_in_their_own_name() {
    let house = House::start().await;
    house.six_wheels().await;
    house.admit("O1", "operator", "8052");
    house.admit("O2", "operator", "6417");
    let mut tablet = house.tablet("tablet-1", "O1", "8052");
    house.until(&mut tablet, "/floor", "S07").await;
    tablet.scan("tablet-1", 1, "A.TURN");
    let mut waiting: Vec<Value> = (2..)
        .zip(["W.311-01", "W.311-02"])
        .map(|(seq, line)| tablet.kept_scan("tablet-1", seq, line, "TURN", utc_now()))
        .collect();
    tablet.sign_in("O2", "6417");
    waiting.push(json!({ "station": "tablet-1", "seq": 4, "line": "A.TURN" }));
    waiting.push(json!({ "station": "tablet-1", "seq": 5, "line": "W.311-03" }));
    let answer = tablet.post("/api/v1/station/scan", &json!(waiting)).json();
    assert_eq!(answer["results"].as_array().unwrap().len(), 4, "{answer}");
    let facts = house.stated("tablet-1", 3).await;
    let people: Vec<_> = facts
        .iter()
        .map(|fact| fact.person.unwrap().to_string())
        .collect();
    assert_eq!(people, ["O1", "O1", "O2"]);
    // Sent again, nothing is recorded twice.
    let again = tablet.post("/api/v1/station/scan", &json!(waiting)).json();
    let results = again["results"].as_array().unwrap();
    assert!(
        results.iter().all(|result| result["again"] == true),
        "{again}"
    );
    assert_eq!(house.stated("tablet-1", 3).await.len(), 3);
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_operator_states_no_laboratorys_result_and_is_not_offered_it() {
    let house = House::start().await;
    house.admit("O1", "operator", "8052");
    let mut operator = house.browser();
    operator.sign_in("O1", "8052");
    let offered = operator.get("/entry").text;
    let mut manager = house.manager();
    let all = manager.get("/entry").text;
    for (topic, form) in [
        (
            "lab.resulted",
            "sample=S1&test=listeria&value=not+found&verdict=satisfactory",
        ),
        (
            "deviation.decided",
            "deviation=D1&action=none&consequence=goes_on",
        ),
    ] {
        let path = format!("/entry/{topic}");
        let link = format!("href=\"{path}\"");
        assert!(!offered.contains(&link) && all.contains(&link), "{topic}");
        assert_eq!(operator.get(&path).status, 403, "{topic}");
        assert_eq!(manager.get(&path).status, 200, "{topic}");
        let stated = operator.form(&path, form);
        assert_eq!(stated.status, 403, "{topic}: {}", stated.text);
        assert!(stated.text.contains("needs a manager"), "{}", stated.text);
    }
    assert!(offered.contains("href=\"/entry/milk.received\""));
    assert!(house.stated("gateway", 0).await.is_empty());
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn another_role_ends_the_sessions_of_the_one_before() {
    let house = House::start().await;
    house.admit("I1", "ironer", "9164");
    let mut tablet = house.tablet("tablet-1", "I1", "9164");
    let waiting = tablet.kept_scan("tablet-1", 1, "A.IRON", "", utc_now());
    let unsigned = as_other(2, "A.IRON", "I1", utc_now());
    tokio::time::sleep(std::time::Duration::from_secs(3)).await;
    house.admit("I1", "operator", "9164");
    let gone = tablet.scan("tablet-1", 1, "A.TURN");
    assert_eq!(
        (gone.status, gone.json()["code"].clone()),
        (401, json!("sign_in"))
    );
    tablet.sign_in("I1", "9164");
    // What they did as an ironer they did as one.
    let (level, words, _) = send(&mut tablet, &waiting);
    assert_eq!(level, "next", "{words}");
    // Where browsers cannot sign, too.
    let (level, words, _) = send(&mut tablet, &unsigned);
    assert_eq!(level, "next", "{words}");
    let now = json!({ "station": "tablet-1", "seq": 3, "line": "A.IRON" });
    assert_eq!(send(&mut tablet, &now).0, "wrong");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn whoever_signs_in_on_a_device_signs_out_whoever_was_there() {
    let house = House::start().await;
    house.admit("O1", "operator", "8052");
    house.admit("O2", "operator", "6417");
    let mut tablet = house.tablet("tablet-1", "O1", "8052");
    let mut before = tablet.clone();
    assert_eq!(before.get("/api/v1/session").status, 200);
    tablet.sign_in("O2", "6417");
    assert_eq!(before.get("/api/v1/session").status, 401);
    assert_eq!(tablet.get("/api/v1/session").json()["badge"], "O2");
    house.end().await;
}
