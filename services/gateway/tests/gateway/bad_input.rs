//! Whatever is sent is answered with words, and never with a failure of ours.

use proptest::prelude::*;
use serde_json::{Value, json};

use crate::house::House;

/// Every address that takes something.
const TAKING: [(&str, &str); 4] = [
    ("POST", "/api/v1/session"),
    ("POST", "/api/v1/station/scan"),
    (
        "POST",
        "/api/v1/alerts/not_turned-stillage-S07-1/acknowledgement",
    ),
    (
        "POST",
        "/api/v1/facts/019c0000-0000-7000-8000-000000000000/void",
    ),
];

#[tokio::test(flavor = "multi_thread")]
async fn malformed_json_is_answered_with_words_on_every_call() {
    let house = House::start().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    let bad = [
        "",
        "{",
        "[]x",
        "null",
        "7",
        "\"text\"",
        "{}",
        "[{}]",
        "[[[[",
        "{\"line\": 7}",
        "{\"station\":\"\",\"seq\":1}",
        "{\"station\":\"tablet-1\",\"seq\":-1,\"line\":\"A.TURN\"}",
        "{\"station\":\"tablet-1\",\"seq\":1e99,\"line\":\"A.TURN\"}",
        "{\"station\":\"tablet-1\",\"seq\":1}",
        "{\"station\":\"tablet-1\",\"seq\":1,\"line\":\"A.TURN\",\"undoes\":1}",
        "{\"station\":\"tablet-1\",\"seq\":1,\"line\":\"A.TURN\",\"occurred_at\":\"yesterday\"}",
        "{\"badge\":7}",
        "{\"note\":\"\"}",
        "{\"reason\":\"  \"}",
        "\u{0}\u{1}",
    ];
    for (method, path) in TAKING {
        for body in bad {
            let answer = tablet.send(method, path, "application/json", body.as_bytes());
            assert!(
                (400..500).contains(&answer.status),
                "{path} {body}: {} {}",
                answer.status,
                answer.text
            );
            let words = answer.json()["words"].as_str().unwrap().to_owned();
            assert!(words.len() > 15, "{path} {body}: {words}");
        }
        let answer = tablet.send(method, path, "text/plain", b"hello");
        assert_eq!(answer.status, 415, "{path}");
        let answer = tablet.send(method, path, "application/json", b"\xff\xfe{}");
        assert!((400..500).contains(&answer.status), "{path}");
    }
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn malformed_forms_are_answered_with_words_on_every_page() {
    let house = House::start().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    for path in [
        "/setup",
        "/alerts",
        "/holds",
        "/holds/end",
        "/corrections",
        "/people",
        "/people/erase",
        "/stations",
        "/stations/send-away",
        "/me",
        "/entry/lab.resulted",
        "/entry/no.such",
    ] {
        for form in [
            "",
            "x",
            "%FF%FE=%00",
            "badge=%3Cscript%3E&name=&role=king&pin=1",
            "fact=1&back=//elsewhere.example&reason=%20",
            "station=%00&name=%00",
            "what=lot&hold=%22&code=%3C&reason=",
            "alert=../..&note=",
        ] {
            let answer = tablet.form(path, form);
            assert!(
                (400..500).contains(&answer.status),
                "{path} {form}: {} {}",
                answer.status,
                answer.text
            );
            assert!(answer.text.contains("role=\"alert\""), "{path} {form}");
        }
    }
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_ten_megabyte_scan_is_refused_with_words() {
    let house = House::start().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    let line = "W".repeat(10 << 20);
    let answer = tablet.scan("tablet-1", 1, &line);
    assert_eq!(answer.status, 413);
    assert!(
        answer.json()["words"]
            .as_str()
            .unwrap()
            .contains("one code at a time")
    );
    // What is long but fits is answered by the station itself.
    let answer = tablet.scan("tablet-1", 1, &"W".repeat(5_000));
    let receipt = &answer.json()["results"][0]["receipt"];
    assert_eq!(receipt["level"], "wrong");
    assert!(receipt["line"].as_str().unwrap().len() <= 512);
    let many: Vec<Value> = (2..300)
        .map(|seq| json!({ "station": "tablet-1", "seq": seq, "line": "A.TURN" }))
        .collect();
    let answer = tablet.post("/api/v1/station/scan", &Value::Array(many));
    assert_eq!(
        (answer.status, answer.json()["keep"].clone()),
        (413, json!(true))
    );
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_script_in_any_text_is_shown_and_never_run() {
    let house = House::start().await;
    house.six_wheels().await;
    let script = "<script>alert(1)</script>";
    let coded = "%3Cscript%3Ealert(1)%3C%2Fscript%3E";
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut tablet, "/floor", "S07").await;
    let form = format!("badge=X1&name={coded}&role=operator&pin=8052");
    assert_eq!(tablet.form("/people", &form).status, 303);
    let form = format!("station=tablet-2&name={coded}");
    assert_eq!(tablet.clone().form("/stations", &form).status, 303);
    tablet.scan("tablet-1", 1, &format!("E.{script}"));
    let said = json!({ "note": script });
    tablet.post(
        "/api/v1/alerts/not_turned-stillage-S07-1/acknowledgement",
        &said,
    );
    for page in [
        "/people",
        "/stations",
        "/station",
        "/alerts",
        &format!("/find?q={coded}"),
        &format!("/wheels/{coded}"),
        &format!("/stands/{coded}/{coded}"),
        &format!("/{coded}"),
        &format!("/sign-in?next=/{coded}"),
    ] {
        let answer = tablet.get(page);
        assert!(!answer.text.contains("<script>alert"), "{page}");
        assert!(answer.status < 500, "{page}");
    }
    let station = tablet.get("/station").text;
    assert!(station.contains("&lt;script&gt;"), "shown as text");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn codes_of_others_are_answered_in_words() {
    let house = House::start().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    tablet.scan("tablet-1", 1, "A.TURN");
    for (seq, line, says) in [
        (2, "4006381333931", "is no code of ours"),
        (3, "https://elsewhere.example/01/0950", "is no GTIN"),
        (4, "W.OTHER-99", "is not known here"),
        (5, "]d201095011010209178211234", "not of a wheel or batch"),
    ] {
        let answer = tablet.scan("tablet-1", seq, line).json();
        let receipt = &answer["results"][0]["receipt"];
        assert_eq!(receipt["level"], "wrong", "{receipt}");
        assert!(
            receipt["words"].as_str().unwrap().contains(says),
            "{receipt}"
        );
    }
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn no_path_query_or_scan_makes_the_gateway_fail() {
    let house = House::start().await;
    let tablet = house.tablet("tablet-1", "M1", "407193");
    let mut runner = proptest::test_runner::TestRunner::new(ProptestConfig {
        cases: 96,
        failure_persistence: None,
        ..ProptestConfig::default()
    });
    let seq = std::cell::Cell::new(1);
    runner
        .run(
            &("\\PC{0,40}", "[a-zA-Z0-9%/._?&=-]{0,40}"),
            |(line, path)| {
                let mut tablet = tablet.clone();
                seq.set(seq.get() + 1);
                let scanned = tablet.scan("tablet-1", seq.get(), &line);
                prop_assert!(scanned.status < 500, "{line:?}: {}", scanned.text);
                for begin in [
                    "/",
                    "/api/v1/",
                    "/wheels/",
                    "/find?q=",
                    "/api/v1/due?",
                    "/stands/",
                ] {
                    if let Some(answer) = tablet.try_call("GET", &format!("{begin}{path}"), None) {
                        prop_assert!(answer.status < 500, "{begin}{path}: {}", answer.text);
                    }
                }
                Ok(())
            },
        )
        .unwrap();
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn two_people_on_one_badge_are_one_person_in_the_record_and_one_can_be_put_out() {
    let house = House::start().await;
    house.six_wheels().await;
    house.admit("O1", "operator", "805214");
    let mut one = house.tablet("tablet-1", "O1", "805214");
    let mut other = house.tablet("tablet-2", "O1", "805214");
    house.until(&mut one, "/floor", "S07").await;
    for (tablet, station) in [(&mut one, "tablet-1"), (&mut other, "tablet-2")] {
        tablet.scan(station, 1, "A.TURN");
        let turned = tablet.scan(station, 2, "S.S07").json();
        assert_eq!(turned["results"][0]["receipt"]["person"], "O1", "{turned}");
    }
    // A new PIN ends every session of the badge: whoever does not know it is out.
    house.admit("O1", "operator", "552907");
    for (tablet, station) in [(&mut one, "tablet-1"), (&mut other, "tablet-2")] {
        let refused = tablet.scan(station, 3, "S.S07");
        assert_eq!(refused.status, 401, "{}", refused.text);
        assert_eq!(refused.json()["keep"], true);
    }
    one.sign_in("O1", "552907");
    assert_eq!(one.scan("tablet-1", 3, "S.S07").status, 200);
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn requests_recorded_and_sent_again_by_another_change_nothing() {
    let house = House::start().await;
    house.six_wheels().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut tablet, "/floor", "S07").await;
    tablet.scan("tablet-1", 1, "A.TURN");
    let once = tablet.scan("tablet-1", 2, "S.S07").json();
    for _ in 0..3 {
        let again = tablet.scan("tablet-1", 2, "S.S07").json();
        assert_eq!(again["results"][0]["again"], true);
        assert_eq!(
            again["results"][0]["receipt"],
            once["results"][0]["receipt"]
        );
    }
    assert_eq!(house.stated("tablet-1", 1).await.len(), 1);
    // With the session but without the device, and with the device but an ended session.
    let mut elsewhere = tablet.clone();
    elsewhere.cookies.remove("wheelward-station");
    assert_eq!(elsewhere.scan("tablet-1", 3, "S.S07").status, 403);
    let mut ended = tablet.clone();
    let gone = ended.send("DELETE", "/api/v1/session", "application/json", b"{}");
    assert_eq!(gone.status, 200, "{}", gone.text);
    assert_eq!(tablet.scan("tablet-1", 3, "S.S07").status, 401);
    assert_eq!(house.stated("tablet-1", 1).await.len(), 1);
    house.end().await;
}
