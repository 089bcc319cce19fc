//! Every page and every call that takes a code says of one that nobody knows that there is no
//! such thing, with what may have been meant, and never that all is well. A route that is in no
//! table here fails.

use std::collections::BTreeSet;

use names::Kind;
use serde_json::{Value, json};

use crate::house::{Browser, House};
use crate::recall::records;

/// What is sent.
enum Sent {
    Get,
    Form(&'static str),
    Json(fn() -> Value),
}

/// The route, what is asked of it with a name that nobody knows, what is sent, the kind, and
/// what may have been meant, as far as it can be told.
type Row = (&'static str, &'static str, Sent, Kind, &'static str);

#[rustfmt::skip]
const PAGES: &[Row] = &[
    ("/stands/{kind}/{id}", "/stands/stillage/S08", Sent::Get, Kind::Stillage, "S07"),
    ("/stands/{kind}/{id}", "/stands/stack/K9", Sent::Get, Kind::Stack, ""),
    ("/stands/{kind}/{id}", "/stands/hoop/H99", Sent::Get, Kind::Hoop, ""),
    ("/wheels/{wheel}", "/wheels/311-07", Sent::Get, Kind::Wheel, "311-01"),
    ("/batches/{batch}", "/batches/312", Sent::Get, Kind::Batch, "311"),
    ("/batches/{batch}", "/batches/311?warmer=R9&by_c=2", Sent::Get, Kind::Room, "R0"),
    ("/batches/{batch}", "/batches/311?warmer=R9", Sent::Get, Kind::Room, "R0"),
    ("/portions", "/portions?batch=312", Sent::Get, Kind::Batch, "311"),
    ("/rooms", "/rooms?air=R9", Sent::Get, Kind::Room, "R0"),
    ("/floor", "/floor?room=R9", Sent::Get, Kind::Room, "R0"),
    ("/alerts", "/alerts", Sent::Form("alert=not_turned-nowhere&note=on+it"), Kind::Alert, ""),
    ("/orders", "/orders?customer=HARBOR&recipe=larkholm-blue&grade=A&wheels=5&by=2100-03-04", Sent::Get, Kind::Customer, "HARBOUR"),
    ("/orders", "/orders?customer=HARBOUR&recipe=larkholm-bleu&grade=A&wheels=5&by=2100-03-04", Sent::Get, Kind::Recipe, "larkholm-blue"),
    ("/orders", "/orders", Sent::Form("order=W1&customer=HARBOR&recipe=larkholm-blue&grade=A&wheels=5&kg=&every_weeks=&arrive_on=2100-03-04"), Kind::Customer, "HARBOUR"),
    ("/orders", "/orders", Sent::Form("order=W1&customer=HARBOUR&recipe=larkholm-bleu&grade=A&wheels=5&kg=&every_weeks=&arrive_on=2100-03-04"), Kind::Recipe, "larkholm-blue"),
    ("/orders/cancel", "/orders/cancel", Sent::Form("order=A-71&reason=no"), Kind::Order, "A-17"),
    ("/orders/confirm", "/orders/confirm", Sent::Form("order=A-71"), Kind::Order, "A-17"),
    ("/entry/{topic}", "/entry/vat.fillt", Sent::Get, Kind::Form, "vat.filled"),
    ("/entry/{topic}", "/entry/vat.filled", Sent::Form("batch=312&lot=M1&volume_l=20"), Kind::Batch, "311"),
    ("/entry/{topic}", "/entry/vat.filled", Sent::Form("batch=311&lot=M1&volume_l=20"), Kind::Lot, ""),
    ("/entry/{topic}", "/entry/lab.sampled", Sent::Form("sample=L1&batch=312&wheels=&test=listeria"), Kind::Batch, "311"),
    ("/entry/{topic}", "/entry/lab.sampled", Sent::Form("sample=L1&batch=&wheels=311-01,311-09&test=listeria"), Kind::Wheel, "311-01"),
    ("/entry/{topic}", "/entry/lab.swabbed", Sent::Form("sample=L1&room=R9&point=drain&zone=3&test=listeria"), Kind::Room, "R0"),
    ("/entry/{topic}", "/entry/lab.resulted", Sent::Form("sample=L9&test=listeria&value=absent&verdict=satisfactory"), Kind::Sample, ""),
    ("/entry/{topic}", "/entry/tool.sanitised", Sent::Form("tool=SC2&method=hot"), Kind::Tool, "SC1"),
    ("/entry/{topic}", "/entry/control.checked", Sent::Form("control=milk-heet&value=72"), Kind::Check, "milk-heat"),
    ("/entry/{topic}", "/entry/deviation.decided", Sent::Form("deviation=019c0000-0000-7000-8000-000000000000&action=held&consequence=held"), Kind::Deviation, ""),
    ("/recall", "/recall?what=lot&code=CUL2027", Sent::Get, Kind::Lot, ""),
    ("/recall", "/recall?what=batch&code=312", Sent::Get, Kind::Batch, "311"),
    ("/recall", "/recall?what=wheel&code=311-07", Sent::Get, Kind::Wheel, "311-01"),
    ("/recall/paper", "/recall/paper?what=lot&code=CUL2027&paper=notices", Sent::Get, Kind::Lot, ""),
    ("/recall/paper", "/recall/paper?what=batch&code=311&paper=batch&batch=312", Sent::Get, Kind::Batch, "311"),
    ("/recall/paper", "/recall/paper?what=batch&code=311&paper=notice", Sent::Get, Kind::Paper, "notices"),
    ("/holds", "/holds", Sent::Form("hold=Q1&what=lot&code=CUL2027&reason=why"), Kind::Lot, ""),
    ("/holds", "/holds", Sent::Form("hold=Q1&what=batch&code=312&reason=why"), Kind::Batch, "311"),
    ("/holds", "/holds", Sent::Form("hold=Q1&what=wheel&code=311-07&reason=why"), Kind::Wheel, "311-01"),
    ("/holds/end", "/holds/end", Sent::Form("hold=Q9&reason=why"), Kind::Hold, ""),
    ("/corrections", "/corrections?batch=312", Sent::Get, Kind::Batch, "311"),
    ("/corrections", "/corrections?stand=stillage/S08", Sent::Get, Kind::Stillage, "S07"),
    ("/people/erase", "/people/erase", Sent::Form("badge=M2"), Kind::Person, "M1"),
    ("/stations/send-away", "/stations/send-away", Sent::Form("station=tablet-9"), Kind::Station, "tablet-1"),
];

#[rustfmt::skip]
const CALLS: &[Row] = &[
    ("/api/v1/due", "/api/v1/due?room=R9", Sent::Get, Kind::Room, "R0"),
    ("/api/v1/wheels/{wheel}", "/api/v1/wheels/311-07", Sent::Get, Kind::Wheel, "311-01"),
    ("/api/v1/batches/{batch}", "/api/v1/batches/312", Sent::Get, Kind::Batch, "311"),
    ("/api/v1/forecasts", "/api/v1/forecasts?warmer=R9&by_c=2", Sent::Get, Kind::Room, "R1"),
    ("/api/v1/forecasts/{what}", "/api/v1/forecasts/312", Sent::Get, Kind::BatchOrWheel, "311"),
    ("/api/v1/forecasts/{what}", "/api/v1/forecasts/311?warmer=R9&by_c=2", Sent::Get, Kind::Room, "R1"),
    ("/api/v1/alerts/{alert}/acknowledgement", "/api/v1/alerts/not_turned-nowhere/acknowledgement", Sent::Json(|| json!({ "note": "on it" })), Kind::Alert, ""),
    ("/api/v1/orders", "/api/v1/orders", Sent::Json(|| order("HARBOR", "larkholm-blue")), Kind::Customer, "HARBOUR"),
    ("/api/v1/orders", "/api/v1/orders", Sent::Json(|| order("HARBOUR", "larkholm-bleu")), Kind::Recipe, "larkholm-blue"),
    ("/api/v1/orders/{order}/cancellation", "/api/v1/orders/A-71/cancellation", Sent::Json(|| json!({ "reason": "no" })), Kind::Order, "A-17"),
    ("/api/v1/orders/{order}/confirmation", "/api/v1/orders/A-71/confirmation", Sent::Json(|| json!({})), Kind::Order, "A-17"),
    ("/api/v1/promise", "/api/v1/promise?customer=HARBOR&recipe=larkholm-blue&wheels=5&by=2100-03-04", Sent::Get, Kind::Customer, "HARBOUR"),
    ("/api/v1/promise", "/api/v1/promise?customer=HARBOUR&recipe=grey&wheels=5&by=2100-03-04", Sent::Get, Kind::Recipe, "larkholm-blue"),
];

/// Routes that look nothing up by a code, and why.
#[rustfmt::skip]
const NO_NAMES: &[&str] = &[
    // Nothing is named.
    "/", "/sign-out", "/today", "/entry", "/station", "/me",
    "/api/v1/openapi.json", "/api/v1/standing", "/api/v1/floor", "/api/v1/plan", "/api/v1/rooms",
    "/api/v1/told", "/api/v1/allocation", "/api/v1/picks", "/api/v1/live", "/api/v1/station",
    "/api/{*rest}",
    // Who may sign in is not told to those who may not: a badge is never suggested.
    "/sign-in", "/setup", "/api/v1/session",
    // New people and new stations.
    "/people", "/stations",
    // The station itself answers, as over its port.
    "/api/v1/station/scan",
    // Where a list goes on: a code in an order, whether or not it is there.
    "/api/v1/wheels",
    // Looks for anything: tested beside.
    "/find",
    // Whose fact may be corrected is asked of the table of rights.
    "/api/v1/facts/{fact}/void",
];

fn order(customer: &str, recipe: &str) -> Value {
    json!({
        "order": "W1", "customer": customer, "market": "NORTH", "arrive_on": "2100-03-04",
        "lines": [{ "recipe": recipe, "grade": "A", "wheels": 5 }],
    })
}

fn routes(source: &str) -> BTreeSet<String> {
    let routes = source.split(".route(").skip(1);
    let path = |rest: &str| rest.split('"').nth(1).unwrap().to_owned();
    routes.map(path).collect()
}

#[test]
fn every_route_is_in_a_table_here() {
    let mut routed = routes(include_str!("../../src/page.rs"));
    routed.extend(routes(include_str!("../../src/api.rs")));
    let rows = PAGES.iter().chain(CALLS).map(|row| row.0);
    let known: BTreeSet<String> = rows
        .chain(NO_NAMES.iter().copied())
        .map(str::to_owned)
        .collect();
    assert_eq!(routed, known);
}

/// What stands behind a `?` and is no code: counts, days, choices between words, where a list
/// goes on, what is sought.
const NO_CODES: &[&str] = &[
    "after",
    "all",
    "by",
    "by_c",
    "contact",
    "day",
    "days",
    "from",
    "grade",
    "limit",
    "next",
    "open",
    "over",
    "pierce_later_days",
    "q",
    "short",
    "sure_pct",
    "wheels",
    "what",
    "word",
];

/// A code that a form begins with, and that is looked up when the form is sent.
const OF_FORMS: &[(&str, &str)] = &[("/holds", "code")];

/// A code behind the `?` is looked up like one in the path: a parameter without a row fails.
#[test]
fn every_parameter_that_is_a_code_is_in_a_table_here() {
    let document = gateway::api::openapi::document();
    let calls = gateway::api::openapi::CALLS.iter().flat_map(|call| {
        let parameters = document["paths"][call.path][call.method]["parameters"].as_array();
        let in_query = parameters.into_iter().flatten();
        let in_query = in_query.filter(|parameter| parameter["in"] == "query");
        let named = in_query.map(|it| (call.path, it["name"].as_str().unwrap()));
        named.collect::<Vec<_>>()
    });
    let pages = gateway::parameters::pages().iter();
    let pages = pages.flat_map(|(page, names)| names.iter().map(|name| (*page, *name)));
    let all: Vec<(&str, &str)> = calls.chain(pages).collect();
    assert!(all.contains(&("/api/v1/promise", "customer")), "{all:?}");
    let tried = |route: &str, name: &str| {
        PAGES.iter().chain(CALLS).any(|row| {
            let query = row.1.split_once('?').map_or("", |(_, query)| query);
            let mut names = query.split('&').filter_map(|pair| pair.split('=').next());
            row.0 == route && names.any(|of| of == name)
        })
    };
    let untried: Vec<_> = all
        .into_iter()
        .filter(|(_, name)| !NO_CODES.contains(name))
        .filter(|of| !OF_FORMS.contains(of))
        .filter(|(route, name)| !tried(route, name))
        .collect();
    assert!(
        untried.is_empty(),
        "no unknown name is tried of {untried:?}"
    );
}

/// A route with something in each of its places.
fn filled(route: &str) -> String {
    let part = |part: &str| match part {
        "{kind}" => "stillage".to_owned(),
        "{id}" => "S07".to_owned(),
        "{topic}" => "vat.filled".to_owned(),
        "{fact}" => "019c0000-0000-7000-8000-000000000000".to_owned(),
        part if part.starts_with('{') => "311".to_owned(),
        part => part.to_owned(),
    };
    let parts: Vec<String> = route.split('/').map(part).collect();
    parts.join("/")
}

/// What is asked behind the `?` is known, or it is an error: of every route that there is.
#[tokio::test(flavor = "multi_thread")]
async fn what_a_page_or_call_cannot_be_asked_is_refused_and_so_is_a_value_that_is_none() {
    let house = House::start().await;
    let mut manager = house.tablet("tablet-1", "M1", "407193");
    let mut wrong = Vec::new();
    let mut tried = BTreeSet::new();
    let document = gateway::api::openapi::document();
    for call in gateway::api::openapi::CALLS {
        tried.insert(call.path.to_owned());
        let path = filled(call.path);
        let mut send = |query: &str| match call.method {
            "get" => manager.get(&format!("{path}?{query}")),
            _ => manager.post(&format!("{path}?{query}"), &json!({})),
        };
        let answer = send("person=ZZ9");
        if answer.status != 400 || !answer.text.contains("person") {
            wrong.push(format!("{path}: {} {}", answer.status, answer.text));
        }
        let parameters = document["paths"][call.path][call.method]["parameters"].as_array();
        for parameter in parameters.into_iter().flatten() {
            let name = parameter["name"].as_str().unwrap();
            if parameter["in"] == "query" {
                let answer = send(&format!("{name}=!!"));
                if answer.status != 400 || !answer.text.contains("does not fit") {
                    wrong.push(format!("{path} {name}: {} {}", answer.status, answer.text));
                }
            }
        }
    }
    for page in routes(include_str!("../../src/page.rs")) {
        let posted = [
            "/sign-out",
            "/orders/cancel",
            "/orders/confirm",
            "/holds/end",
        ];
        let posted = posted.contains(&page.as_str())
            || page.ends_with("/erase")
            || page.ends_with("/send-away");
        let path = format!("{}?person=ZZ9", filled(&page));
        let answer = match posted {
            true => manager.form(&path, ""),
            false => manager.get(&path),
        };
        if answer.status != 400 || !answer.text.contains("person") {
            wrong.push(format!("{path}: {}", answer.status));
        }
        let takes = gateway::parameters::pages().iter();
        let mut takes = takes.filter(|(known, _)| *known == page);
        let counts = ["from", "days", "open", "over", "short", "all", "by_c"];
        for name in takes.next().map_or(&[][..], |(_, names)| *names) {
            let path = format!("{}?{name}=!!", filled(&page));
            if counts.contains(name) && manager.get(&path).status == 200 {
                wrong.push(path);
            }
        }
        tried.insert(page);
    }
    for (page, _) in gateway::parameters::pages() {
        assert!(tried.contains(*page), "there is no page {page}");
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_scan_without_its_station_or_with_an_impossible_time_is_told_what_to_send() {
    let house = House::start().await;
    let mut tablet = house.tablet("tablet-1", "M1", "407193");
    for (scan, words) in [
        (json!({ "seq": 1, "line": "A.TURN" }), "`station`"),
        (json!([{ "seq": 1, "line": "A.TURN" }]), "`station`"),
        (
            json!({ "station": "tablet-1", "seq": 1, "line": "A.TURN", "occurred_at": "9999-12-31T00:00:00Z" }),
            "9999",
        ),
        (
            json!({ "station": "tablet-1", "seq": 1, "line": "A.TURN", "occurred_at": "soon" }),
            "2026-03-03T06:40:00Z",
        ),
        (
            json!({ "station": "tablet-1", "seq": 1, "lime": "A.TURN" }),
            "`lime`",
        ),
    ] {
        let answer = tablet.post("/api/v1/station/scan", &scan);
        assert_eq!(answer.status, 400, "{scan}");
        let said = answer.json()["words"].as_str().unwrap().to_owned();
        assert!(said.contains(words), "{scan}: {said}");
    }
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_name_that_nobody_knows_is_said_to_be_none_on_every_page_and_call() {
    let house = House::with_desk().await;
    house.six_wheels().await;
    house.vat_started().await;
    house.promise("A-17", "HARBOUR", &["311-02"]).await;
    let (stop, worker) = records(&house).await;
    let mut manager = house.tablet("tablet-1", "M1", "407193");
    house.until(&mut manager, "/floor", "S07").await;
    house.until(&mut manager, "/api/v1/wheels", "311-06").await;
    house.until(&mut manager, "/api/v1/orders", "A-17").await;
    house
        .until(&mut manager, "/api/v1/allocation", "\"lines\"")
        .await;
    house
        .until(&mut manager, "/api/v1/forecasts/311", "\"ready\"")
        .await;
    house
        .until(&mut manager, "/recall?what=batch&code=311", "311-06")
        .await;
    let before = house.bus.floor_end().await.unwrap();
    let mut wrong = Vec::new();
    for (rows, page) in [(PAGES, true), (CALLS, false)] {
        for (_, path, sent, kind, near) in rows {
            let answer = match sent {
                Sent::Get => manager.get(path),
                Sent::Form(form) => manager.form(path, form),
                Sent::Json(body) => manager.post(path, &body()),
            };
            let begins = match page {
                true => format!("There is no {kind} "),
                false => format!("there is no {kind} "),
            };
            let mut right = answer.status == 404 && answer.text.contains(&begins);
            right &= near.is_empty() || answer.text.contains(near);
            if !page {
                let body = answer.json();
                right &= body["code"] == "unknown";
                right &= body["unknown"]["kind"] == json!(kind);
            }
            if !right {
                wrong.push(format!("{path}: {} {}", answer.status, answer.text));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    let recorded = house.bus.floor_end().await.unwrap() - before;
    let forecasts = house.stated("forecaster", 0).await.len() as u64;
    assert!(recorded <= forecasts, "nothing of all this was recorded");

    what_is_meant_is_found(&house, &mut manager).await;
    stop.request();
    worker.await.unwrap().unwrap();
    house.end().await;
}

/// A code in another case is the same; what is not in the books yet is held when somebody says
/// so; what is sought is offered.
async fn what_is_meant_is_found(house: &House, manager: &mut Browser) {
    for path in [
        "/stands/stillage/s07",
        "/rooms?air=r1",
        "/api/v1/due?room=r1",
    ] {
        assert_eq!(manager.get(path).status, 200, "{path}");
    }
    let sought = manager.get("/find?q=S.S08");
    assert_eq!(sought.status, 404);
    assert!(sought.text.contains("/find?q=S07"), "{}", sought.text);
    let early = "hold=Q-EARLY&what=lot&code=CUL2027&reason=supplier+rang&not_yet=yes";
    assert_eq!(manager.form("/holds", early).status, 303);
    let page = house.until(manager, "/holds", "Q-EARLY").await;
    assert!(
        page.text.contains("It keeps 0 wheels so far"),
        "{}",
        page.text
    );
    // A hold over something does not bring it into the books.
    assert_eq!(manager.get("/recall?what=lot&code=CUL2027").status, 404);
}
