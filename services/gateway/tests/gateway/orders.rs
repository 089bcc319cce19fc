//! Orders in the browser and by the API, with a dispatch desk behind them.

use chrono::{Datelike as _, NaiveDate, TimeDelta, Weekday};
use facts::{
    Event, Fact, FactIdSource, Grade, StationId, VatStarted, WheelGraded, WheelId, WheelPortioned,
};
use quantity::{Grams, Litres};
use serde_json::json;

use crate::house::{House, code, utc_now};

/// Eight wheels of batch 300, made 65 days ago and graded A.
async fn ripe_wheels(house: &House) {
    let ids = FactIdSource::default();
    let now = utc_now();
    let made = now - TimeDelta::days(65);
    let wheels: Vec<WheelId> = (1..=8).map(|n| code(&format!("300-0{n}"))).collect();
    let started = VatStarted {
        batch: code("300"),
        vat: code("V1"),
        recipe: code("larkholm-blue"),
        recipe_version: 1,
        milk_l: Litres::new(400.0).unwrap(),
        milk_lots: Vec::new(),
    };
    let portioned = wheels.iter().map(|wheel| {
        Event::from(WheelPortioned {
            wheel: *wheel,
            batch: code("300"),
            weight_g: Grams::new(4_900).unwrap(),
            scale: None,
            tare_g: None,
            mixer: None,
        })
    });
    let graded = WheelGraded {
        wheels: wheels.clone(),
        via: None,
        grade: Grade::A,
    };
    let events: Vec<(bool, Event)> = std::iter::once((false, started.into()))
        .chain(portioned.map(|event| (false, event)))
        .chain([(true, graded.into())])
        .collect();
    let facts: Vec<Fact> = (1..)
        .zip(events)
        .map(|(seq, (late, event))| {
            let base = if late {
                now - TimeDelta::hours(1)
            } else {
                made
            };
            let at = base + TimeDelta::seconds(i64::try_from(seq).unwrap());
            Fact {
                id: ids.next(at),
                site: house.site.id,
                station: code::<StationId>("past"),
                station_seq: seq,
                person: None,
                occurred_at: at,
                claimed_at: None,
                recorded_at: at,
                event,
            }
        })
        .collect();
    house.bus.publish_facts(&facts).await.unwrap();
}

/// A Wednesday at least a week from now.
fn wednesday() -> NaiveDate {
    let first = utc_now().date_naive() + TimeDelta::days(7);
    let to = |day: &NaiveDate| day.weekday() == Weekday::Wed;
    first.iter_days().find(to).unwrap()
}

fn form(order: &str, wheels: &str, arrive_on: &str) -> String {
    format!(
        "order={order}&customer=HARBOUR&recipe=larkholm-blue&grade=A&wheels={wheels}&kg=&arrive_on={arrive_on}&every_weeks="
    )
}

#[tokio::test(flavor = "multi_thread")]
async fn an_order_is_asked_for_entered_told_and_cancelled_in_the_browser() {
    let house = House::with_desk().await;
    ripe_wheels(&house).await;
    let mut manager = house.manager();
    house
        .until(&mut manager, "/orders", "Nothing that is ordered is short")
        .await;
    house
        .until(&mut manager, "/api/v1/allocation", "batch")
        .await;
    let day = wednesday();
    let ask = format!("/orders?customer=HARBOUR&recipe=larkholm-blue&grade=A&wheels=5&by={day}");
    let answer = house
        .until(&mut manager, &ask, "yes: 5 from batch 300")
        .await;
    assert!(answer.text.contains("An answer reserves nothing"));
    let bad = manager.get("/orders?customer=HARBOUR&recipe=larkholm-blue&grade=A&wheels=many&by=x");
    assert!(bad.text.contains("write a whole number of wheels"));

    let placed = manager.form("/orders", &form("W1", "5", &day.to_string()));
    assert_eq!(
        (placed.status, placed.headers["location"].as_str()),
        (303, "/orders")
    );
    let page = house
        .until(&mut manager, "/orders", "class=\"shipments\"")
        .await;
    for says in [
        "<strong>W1</strong>",
        "HARBOUR",
        "NORTH-ROAD",
        "5 wheels larkholm-blue A",
    ] {
        assert!(page.text.contains(says), "{says}: {}", page.text);
    }
    let told = manager.form("/orders/confirm", "order=W1");
    assert_eq!(told.status, 303, "{}", told.text);
    house
        .until(&mut manager, "/orders", "customer was told")
        .await;

    // More than there is: short, with why.
    let placed = manager.form("/orders", &form("W2", "40", &day.to_string()));
    assert_eq!(placed.status, 303);
    let page = house.until(&mut manager, "/orders", "wheels short").await;
    assert!(page.text.contains("W2/1"), "{}", page.text);
    let cancelled = manager.form("/orders/cancel", "order=W2&reason=a+typing+error");
    assert_eq!(cancelled.status, 303);
    house
        .until(&mut manager, "/orders", "Nothing that is ordered is short")
        .await;
    let stated = house.stated("gateway", 4).await;
    let topics: Vec<String> = stated
        .iter()
        .map(|fact| fact.event.topic().to_string())
        .collect();
    assert_eq!(
        topics,
        [
            "order.placed",
            "order.confirmed",
            "order.placed",
            "order.cancelled"
        ]
    );
    assert!(
        stated
            .iter()
            .all(|fact| fact.person.unwrap().as_str() == "M1")
    );

    // The same in German, and drawn whole.
    let wishes = "tongue=de&weight=kg&temperature=C&theme=dark&hand=left";
    assert_eq!(manager.form("/me", wishes).status, 303);
    let page = manager.get("/orders").text;
    assert!(page.contains("Aufträge und Versand") && page.contains("<html lang=\"de\""));
    assert_eq!(page.matches("<h1").count(), 1);
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_is_wrong_with_an_order_is_said_and_only_those_who_work_here_enter_one() {
    let house = House::with_desk().await;
    ripe_wheels(&house).await;
    let mut manager = house.manager();
    house
        .until(&mut manager, "/api/v1/allocation", "batch")
        .await;
    let day = wednesday().to_string();
    for (fields, says) in [
        (form("W1", "5", "2020-03-04"), "2020-03-04 is past"),
        (form("W1", "0", &day), "0 wheels: write at least 1"),
        (form("W1", "90000", &day), "at most 20000"),
        (form("", "5", &day), "1 to 20 letters"),
        (form("W1", "5", "tomorrow"), "is no date such as"),
        (
            form("W1", "", &day).replace("kg=", "kg=heavy"),
            "write kilograms such as",
        ),
    ] {
        let answer = manager.form("/orders", &fields);
        assert_eq!(answer.status, 400, "{fields}");
        assert!(answer.text.contains(says), "{says}: {}", answer.text);
    }
    let nobody = form("W1", "5", &day).replace("HARBOUR", "HARBOR");
    let nobody = manager.form("/orders", &nobody);
    assert_eq!(nobody.status, 404);
    let says = "There is no customer HARBOR; did you mean HARBOUR?";
    assert!(nobody.text.contains(says), "{}", nobody.text);
    for (path, fields) in [
        ("/orders/cancel", "order=W9&reason=none"),
        ("/orders/confirm", "order=W9"),
    ] {
        let none = manager.form(path, fields);
        assert_eq!(none.status, 404);
        assert!(none.text.contains("There is no order W9"), "{}", none.text);
    }

    // By the API: the same order twice is one, another under its number is refused.
    let order = |wheels: u32| {
        json!({
            "order": "W1", "customer": "HARBOUR", "market": "NORTH", "arrive_on": day,
            "lines": [{ "recipe": "larkholm-blue", "grade": "A", "wheels": wheels }],
        })
    };
    let first = manager.post("/api/v1/orders", &order(5)).json();
    assert_eq!(first["facts"].as_array().unwrap().len(), 1);
    house.until(&mut manager, "/api/v1/orders", "\"W1\"").await;
    house
        .until(&mut manager, "/api/v1/allocation", "\"W1\"")
        .await;
    let again = manager.post("/api/v1/orders", &order(5)).json();
    assert_eq!(again["facts"], json!([]));
    let other = manager.post("/api/v1/orders", &order(6));
    assert_eq!(other.status, 400);
    assert!(
        other.json()["words"]
            .as_str()
            .unwrap()
            .contains("with other content")
    );
    let told = manager.post("/api/v1/orders/W1/confirmation", &json!({}));
    assert_eq!(told.status, 200, "{}", told.text);
    let late = json!({ "arrive_on": "2100-01-01" });
    let late = manager.post("/api/v1/orders/W1/confirmation", &late);
    assert_eq!(late.status, 400, "{}", late.text);

    // Without the page's token, and by someone who only looks.
    let mut forged = manager.clone();
    forged.token = None;
    let answer = forged.form("/orders", &form("W3", "5", &day));
    assert_eq!(answer.status, 403);
    house.admit("I7", "inspector", "593817");
    let mut inspector = house.browser();
    inspector.sign_in("I7", "593817");
    let page = inspector.get("/orders");
    assert_eq!(page.status, 200);
    assert!(!page.text.contains("method=\"post\" action=\"/orders"));
    for (path, fields) in [
        ("/orders", form("W3", "5", &day)),
        ("/orders/cancel", "order=W1&reason=no".to_owned()),
        ("/orders/confirm", "order=W1".to_owned()),
    ] {
        let answer = inspector.form(path, &fields);
        assert_eq!(answer.status, 403, "{path}");
    }
    assert_eq!(house.browser().get("/api/v1/orders").status, 401);
    house.end().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_dairy_without_a_dispatch_desk_has_no_orders_page() {
    let house = House::start().await;
    let mut manager = house.manager();
    assert!(!manager.get("/today").text.contains("href=\"/orders\""));
    let page = manager.get("/orders");
    assert_eq!(page.status, 404);
    assert!(page.text.contains("[dispatch]"), "{}", page.text);
    house.end().await;
}

/// Long lists come in parts, and each names the next.
#[tokio::test(flavor = "multi_thread")]
async fn orders_and_what_is_due_come_in_parts() {
    let house = House::with_desk().await;
    house.six_wheels().await;
    for order in ["P-3", "P-1", "P-2"] {
        house.promise(order, "HARBOUR", &[]).await;
    }
    let mut manager = house.manager();
    house.until(&mut manager, "/api/v1/orders", "P-2").await;
    let mut path = "/api/v1/orders?limit=2".to_owned();
    let mut listed = Vec::new();
    loop {
        let answer = manager.get(&path);
        let orders = answer.json();
        let orders = orders.as_array().unwrap();
        assert!(orders.len() <= 2);
        listed.extend(
            orders
                .iter()
                .map(|order| order["id"].as_str().unwrap().to_owned()),
        );
        let Some(link) = answer.headers.get("link") else {
            break;
        };
        assert!(link.ends_with("; rel=\"next\""), "{link}");
        path = link[1..link.find('>').unwrap()].to_owned();
    }
    assert_eq!(listed, ["P-1", "P-2", "P-3"]);
    assert_eq!(
        manager
            .get("/api/v1/orders")
            .json()
            .as_array()
            .unwrap()
            .len(),
        3
    );

    house.until(&mut manager, "/api/v1/due", "S07").await;
    let whole = manager.get("/api/v1/due").json();
    let lines = whole["lines"].as_array().unwrap().len();
    assert_eq!(
        (&whole["of"], &whole["next"]),
        (&lines.into(), &serde_json::Value::Null)
    );
    let part = manager.get("/api/v1/due?limit=1").json();
    assert_eq!(part["lines"][0], whole["lines"][0]);
    assert_eq!(part["of"], lines);
    assert_eq!(part["next"].is_null(), lines == 1);
    let after = manager.get(&format!("/api/v1/due?after={lines}")).json();
    assert_eq!(after["lines"], serde_json::json!([]));
    assert_eq!(manager.get("/api/v1/due?limit=0").status, 400);
    house.end().await;
}
