//! The pages say what the floor knows, and what people correct shows.

use crate::house::{Browser, House, utc_now};

const PAGES: [&str; 8] = [
    "/today",
    "/floor",
    "/alerts",
    "/rooms",
    "/portions",
    "/find",
    "/me",
    "/people",
];

fn in_german(browser: &mut Browser) {
    let form = "tongue=de&weight=lb&temperature=F&theme=dark&hand=left";
    assert_eq!(browser.form("/me", form).status, 303);
}

#[tokio::test(flavor = "multi_thread")]
async fn an_empty_dairy_has_pages_that_say_so_in_plain_words() {
    let house = House::start().await;
    let mut manager = house.manager();
    for (page, says) in [
        ("/today", "Nothing is asked for today"),
        ("/floor", "No wheel stands here yet"),
        ("/alerts", "Nothing is wrong"),
        ("/portions", "No batch was portioned yet"),
        ("/stations", "No browser is a station yet"),
        ("/rooms", "No reading of its air"),
    ] {
        let answer = manager.get(page);
        assert_eq!(answer.status, 200, "{page}");
        assert!(answer.text.contains(says), "{page}: {}", answer.text);
    }
    let found = manager.get("/find?q=nothing");
    assert_eq!(found.status, 404);
    assert!(found.text.contains("Nothing goes by"), "{}", found.text);
    assert_eq!(manager.get("/wheels/311-01").status, 404);
    assert_eq!(manager.get("/batches/311").status, 404);
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn every_page_is_whole_for_a_keyboard_and_a_screen_reader_in_both_languages() {
    let house = House::start().await;
    house.six_wheels().await;
    let mut manager = house.manager();
    house.until(&mut manager, "/floor", "S07").await;
    house.until(&mut manager, "/wheels/311-01", "311-01").await;
    for german in [false, true] {
        if german {
            in_german(&mut manager);
        }
        let lang = if german {
            "<html lang=\"de\""
        } else {
            "<html lang=\"en\""
        };
        for page in PAGES.iter().chain(&[
            "/wheels/311-01",
            "/batches/311",
            "/stands/stillage/S07",
            "/stations",
        ]) {
            let text = manager.get(page).text;
            assert!(text.contains(lang), "{page}");
            assert_eq!(text.matches("<h1").count(), 1, "{page}");
            assert_eq!(text.matches("<main").count(), 1, "{page}");
            assert!(text.contains("href=\"#main\""), "{page}");
            for svg in text.split("<svg").skip(1) {
                let tag = svg.split('>').next().unwrap();
                assert!(
                    tag.contains("aria-hidden") || tag.contains("aria-label"),
                    "{page}: {tag}"
                );
            }
            let inputs = text.matches("<input").count() - text.matches("type=\"hidden\"").count();
            assert!(text.matches("<label").count() >= inputs, "{page}");
        }
    }
    let wheel = manager.get("/wheels/311-01").text;
    assert!(wheel.contains("9.26 lb"), "a person's own units");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_wrong_record_is_voided_with_a_reason_and_shown_on_demand() {
    let house = House::start().await;
    house.six_wheels().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut tablet, "/floor", "S07").await;
    tablet.scan("tablet-1", 1, "A.TURN");
    let turned = tablet.scan("tablet-1", 2, "W.311-01").json();
    let fact = turned["results"][0]["receipt"]["facts"][0]
        .as_str()
        .unwrap()
        .to_owned();
    house.until(&mut tablet, "/wheels/311-01", &fact).await;
    let form = format!("fact={fact}&back=/wheels/311-01&reason=it+was+the+one+beside+it");
    let answer = tablet.form("/corrections", &form);
    assert_eq!(
        (answer.status, answer.headers["location"].as_str()),
        (303, "/wheels/311-01")
    );
    house
        .until(&mut tablet, "/wheels/311-01", "1 record was corrected")
        .await;
    assert!(!tablet.get("/wheels/311-01").text.contains(&fact));
    let all = tablet.get("/wheels/311-01?all=true").text;
    assert!(all.contains(&fact) && all.contains("it was the one beside it"));
    let listed = tablet.get("/corrections").text;
    // The table of rights is the one that the command prints and stations go by, cell by cell.
    for right in authority::people::table() {
        use authority::people::{Identification, TakenBack};
        let mark = format!("data-kind=\"{}\"", right.kind);
        let row = listed
            .split(&mark)
            .last()
            .unwrap()
            .split("</tr>")
            .next()
            .unwrap();
        let cells: Vec<&str> = row.split("<td>").skip(1).collect();
        let role = right.role.map_or("workers", |role| role.key());
        assert!(
            cells[0].to_lowercase().contains(role),
            "{}: {row}",
            right.kind
        );
        let known = match (right.role, right.known) {
            (None, _) => "–",
            (_, Identification::Nobody) => "badge, where badges are named",
            (_, Identification::Badge) => "badge<",
            (_, Identification::Pin) => "badge and PIN",
        };
        assert!(cells[1].contains(known), "{}: {row}", right.kind);
        let back = match right.taken_back {
            TakenBack::ByOwner => "whoever recorded it, or a manager",
            TakenBack::ByManager => "only a manager, with a reason",
            TakenBack::ByReleaser => "only a manager who may release holds, with a reason",
        };
        assert!(cells[2].contains(back), "{}: {row}", right.kind);
        assert_eq!(
            cells[2].contains('·'),
            right.unless.is_some(),
            "{}",
            right.kind
        );
    }
    assert!(listed.contains("it was the one beside it") && listed.contains(&fact));
    let stated = house.stated("gateway", 1).await;
    assert_eq!(stated[0].event.topic(), "fact.voided");
    assert_eq!(stated[0].person.unwrap().as_str(), "M1");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_batch_is_forecast_with_a_picture_and_what_if() {
    let house = House::with_desk().await;
    house.six_wheels().await;
    house.vat_started().await;
    house.admit("O1", "operator", "8052");
    let mut browser = house.browser();
    browser.sign_in("O1", "8052");
    let page = house
        .until(&mut browser, "/batches/311", "A forecast releases nothing")
        .await;
    assert!(page.text.contains("<svg") && page.text.contains("What if"));
    let warmer = "warmer=R3&by_c=2";
    let page = browser.get(&format!("/batches/311?{warmer}&pierce_later_days=4"));
    assert!(page.text.contains("4 days later"), "{}", page.text);
    let page = browser.get("/batches/311?warmer=R1&by_c=warm");
    assert!(page.text.contains("is no number"), "{}", page.text);

    let api = "/api/v1/forecasts/311";
    let one: serde_json::Value =
        serde_json::from_str(&browser.get(&format!("{api}?{warmer}")).text).unwrap();
    let earlier = one["what_if"]["by_days"].as_f64().unwrap();
    assert!(earlier < 0.0, "a warmer room is quicker: {one}");
    assert_eq!(browser.get(&format!("{api}?warmer=R1")).status, 400);
    let far = browser.get(&format!("{api}?warmer=R1&by_c=90"));
    assert!(
        far.status >= 400 && far.text.contains("up to 20 °C"),
        "{}",
        far.text
    );
    assert_eq!(browser.get("/api/v1/forecasts/NOSUCH").status, 404);
    let all: serde_json::Value =
        serde_json::from_str(&browser.get("/api/v1/forecasts").text).unwrap();
    assert_eq!(all[0]["batch"], "311");
    // Where no forecaster answers, the page says so and shows the rest.
    for path in ["/wheels/311-01", "/rooms?air=R1"] {
        assert_eq!(browser.get(path).status, 200, "{path}");
    }
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_workers_tell_is_on_the_page_until_it_is_over() {
    let house = House::start().await;
    house.admit("O1", "operator", "8052");
    let mut browser = house.browser();
    browser.sign_in("O1", "8052");
    let mut told = bus::telling::Told::open(&house.dir.path().join("told.txt")).unwrap();
    let short = "short-A.7-1-2026-06-01".to_owned();
    let words = "A.7/1: short 14 wheels".to_owned();
    let now = utc_now();
    let mut owed = vec![bus::telling::Telling::warning(short.clone(), words)];
    told.tell(&house.bus, &house.site.id, now, &mut owed)
        .await
        .unwrap();
    house
        .until(&mut browser, "/alerts", "A.7/1: short 14 wheels")
        .await;
    let form = format!("alert={short}&note=two+more+vats");
    assert_eq!(browser.form("/alerts", &form).status, 303);
    house.until(&mut browser, "/alerts", "two more vats").await;
    let listed = browser.get("/api/v1/told").text;
    assert!(listed.contains(&short), "{listed}");
    let over = bus::telling::Telling::cleared(short, "no longer short".to_owned());
    told.tell(&house.bus, &house.site.id, now, &mut vec![over])
        .await
        .unwrap();
    house
        .until(&mut browser, "/alerts", "Nothing is wrong")
        .await;
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_message_that_counts_for_nothing_is_on_the_alerts_page() {
    let house = House::start().await;
    let mut manager = house.browser();
    manager.sign_in(crate::house::MANAGER.0, crate::house::MANAGER.1);
    let subject = format!("floor.{}.wheel.turned.room-1", house.site.id);
    let client = house.bus.client();
    client.publish(subject, "rubbish".into()).await.unwrap();
    client.flush().await.unwrap();
    house
        .until(&mut manager, "/alerts", "counts for nothing")
        .await;
    let listed = manager.get("/api/v1/told").text;
    assert!(listed.contains("rejected-room-1"), "{listed}");
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn an_alert_is_acknowledged_with_a_name_and_a_note() {
    let house = House::start().await;
    house.six_wheels().await;
    house.admit("O1", "operator", "8052");
    let mut browser = house.browser();
    browser.sign_in("O1", "8052");
    let page = house
        .until(&mut browser, "/alerts", "name=\"alert\"")
        .await
        .text;
    let alert = page.split("name=\"alert\" value=\"").nth(1).unwrap();
    let alert = alert.split('"').next().unwrap();
    let form = format!("alert={alert}&note=turned+by+hand+at+six");
    assert_eq!(browser.form("/alerts", &form).status, 303);
    let page = house
        .until(&mut browser, "/alerts", "turned by hand at six")
        .await;
    assert!(page.text.contains("Name O1"));
    let stated = house.stated("gateway", 1).await;
    assert_eq!(stated[0].event.topic(), "alert.acknowledged");
    assert_eq!(stated[0].person.unwrap().as_str(), "O1");
    assert_eq!(
        browser
            .form("/alerts", &format!("alert={alert}&note="))
            .status,
        400
    );
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn things_are_found_by_code_and_day() {
    let house = House::start().await;
    house.six_wheels().await;
    let mut manager = house.manager();
    house.until(&mut manager, "/floor", "S07").await;
    for (asked, leads) in [
        ("311-04", "/wheels/311-04"),
        ("w.311-04", "/wheels/311-04"),
        ("311", "/batches/311"),
        ("S.S07", "/stands/stillage/S07"),
        ("R2", "/rooms"),
    ] {
        let answer = manager.get(&format!("/find?q={asked}"));
        assert_eq!(answer.status, 303, "{asked}: {}", answer.text);
        assert_eq!(answer.headers["location"], leads, "{asked}");
    }
    // What is neither wheel nor batch is found all the same, with the page that tells of it.
    house.hold("311-04", "LAB7").await;
    let found = house
        .until(&mut manager, "/find?q=lab7", "hold LAB7")
        .await
        .text;
    for says in ["href=\"/holds\"", "href=\"/wheels/311-04\""] {
        assert!(found.contains(says), "{found}");
    }
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn pages_hear_that_the_floor_has_moved() {
    let house = House::start().await;
    let mut manager = house.manager();
    let cookies: Vec<_> = manager
        .cookies
        .iter()
        .map(|(k, v)| format!("{k}={v}"))
        .collect();
    let (url, cookies) = (format!("{}/api/v1/live", house.url), cookies.join("; "));
    let (send, mut heard) = tokio::sync::mpsc::unbounded_channel();
    std::thread::spawn(move || {
        use std::io::BufRead as _;
        let answer = ureq::get(&url).header("cookie", &cookies).call().unwrap();
        let lines = std::io::BufReader::new(answer.into_body().into_reader()).lines();
        for line in lines.map_while(Result::ok) {
            if line.starts_with("data:") && send.send(line).is_err() {
                return;
            }
        }
    });
    let first = heard.recv().await.unwrap();
    house.six_wheels().await;
    let second = heard.recv().await.unwrap();
    assert_ne!(first, second);
    assert_eq!(manager.get("/api/v1/session").status, 200);
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn the_floor_is_shown_as_it_stood_and_as_it_will_be_due() {
    let house = House::start().await;
    house.six_wheels().await;
    let mut manager = house.manager();
    house.until(&mut manager, "/floor", "S07").await;
    // They were portioned ten days ago: the furthest look back is a week, and finds them.
    let past = manager.get("/floor?days=-7").text;
    assert!(
        past.contains("As it stood on") && past.contains("S07"),
        "{past}"
    );
    let ahead = manager.get("/floor?days=3").text;
    assert!(ahead.contains("if nothing is done until then"), "{ahead}");
    assert!(ahead.contains("<a class=\"stand missed\""), "{ahead}");
    for odd in ["x", ""] {
        let answer = manager.get(&format!("/floor?days={odd}"));
        assert_eq!(answer.status, 400, "{odd}");
    }
    for odd in ["99999999999", "-99"] {
        assert_eq!(
            manager.get(&format!("/floor?days={odd}")).status,
            200,
            "{odd}"
        );
    }
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_customers_wheels_are_found_by_the_customers_name() {
    let house = House::start().await;
    house.six_wheels().await;
    let mut manager = house.manager();
    house.until(&mut manager, "/floor", "S07").await;
    house
        .promise("A-17", "Fernleigh Stores", &["311-02", "311-05"])
        .await;
    let found = house
        .until(&mut manager, "/find?q=fernleigh", "311-05")
        .await;
    assert!(found.text.contains("Fernleigh Stores") && found.text.contains("311-02"));
    assert!(!found.text.contains("/wheels/311-04"), "{}", found.text);
    house.end().await;
}
