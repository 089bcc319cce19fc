//! A floor of 200 000 wheels and a book of 20 000 orders, every page of it. Slow: run it by
//! hand, `cargo test --release -p gateway --test gateway large -- --ignored --nocapture`. A
//! twentieth of it runs with all other tests: what is not given in parts shows there too.

use std::time::{Duration, Instant};

use chrono::{DateTime, TimeDelta, Utc};
use facts::{
    Event, Fact, FactIdSource, Grade, OrderCancelled, OrderId, OrderLine, OrderPlaced, WheelId,
    WheelLoaded, WheelMoved, WheelPortioned, WheelUnhooped,
};
use quantity::Grams;

use crate::house::{House, code, utc_now};
use crate::recall::records;

const BATCHES: usize = 1_000;
const PER_BATCH: usize = 200;
const PER_STILLAGE: usize = 24;
const ORDERS: usize = 20_000;
/// Of them, those of which something is still to come.
const OPEN: usize = 400;

/// Writes a long past into the log.
struct Past<'h> {
    house: &'h House,
    ids: FactIdSource,
    numbered: u64,
    waiting: Vec<Fact>,
}

impl Past<'_> {
    async fn state(&mut self, at: DateTime<Utc>, event: impl Into<Event>) {
        self.numbered += 1;
        self.waiting.push(Fact {
            id: self.ids.next(at),
            site: self.house.site.id,
            station: code("past"),
            station_seq: self.numbered,
            person: Some(code("M1")),
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event: event.into(),
        });
        if self.waiting.len() == 2_000 {
            self.send().await;
        }
    }

    async fn send(&mut self) {
        let facts = std::mem::take(&mut self.waiting);
        self.house.bus.publish_facts(&facts).await.unwrap();
    }

    async fn wheels(&mut self, batch: usize, made: DateTime<Utc>) {
        let id = code(&format!("B{batch:04}"));
        let started = facts::VatStarted {
            batch: id,
            vat: code("V1"),
            recipe: code("larkholm-blue"),
            recipe_version: 1,
            milk_l: quantity::Litres::new(8_000.0).unwrap(),
            milk_lots: Vec::new(),
        };
        self.state(made, started).await;
        let wheels: Vec<WheelId> = (1..=PER_BATCH)
            .map(|n| code(&format!("B{batch:04}-{n:03}")))
            .collect();
        for wheel in &wheels {
            let portioned = WheelPortioned {
                wheel: *wheel,
                batch: id,
                weight_g: Grams::new(4_200).unwrap(),
                scale: None,
                tare_g: None,
                mixer: None,
            };
            self.state(made, portioned).await;
        }
        for (n, wheels) in wheels.chunks(PER_STILLAGE).enumerate() {
            let stillage = code(&format!("S{batch:04}{n}"));
            let via = Some(facts::Carrier::Stillage(stillage));
            let wheels = || wheels.to_vec();
            let after = |days: i64| made + TimeDelta::days(days);
            let unhooped = WheelUnhooped {
                wheels: wheels(),
                via: None,
            };
            self.state(after(5), unhooped).await;
            let loaded = WheelLoaded {
                wheels: wheels(),
                stillage,
            };
            self.state(after(5), loaded).await;
            let moved = WheelMoved {
                wheels: wheels(),
                via,
                room: code(["R1", "R2", "R3"][batch % 3]),
                position: None,
            };
            self.state(after(6), moved).await;
        }
    }

    async fn order(&mut self, n: usize, now: DateTime<Utc>) {
        let open = n < OPEN;
        let order: OrderId = code(&format!("N{n:05}"));
        let days = i64::try_from(n % 40).unwrap();
        let at = now - TimeDelta::days(2 + days);
        let placed = OrderPlaced {
            order,
            customer: "HARBOUR".to_owned(),
            market: code("NORTH"),
            arrive_on: (now + TimeDelta::days(3 + days)).date_naive(),
            lines: vec![OrderLine {
                recipe: code("larkholm-blue"),
                grade: Grade::A,
                wheels: 50,
                weight_g: None,
                each_g: None,
                age_days: None,
                least_life_days: None,
                mixing: None,
            }],
            standing: None,
        };
        self.state(at, placed).await;
        if !open {
            let reason = "delivered by another dairy".to_owned();
            self.state(at, OrderCancelled { order, reason }).await;
        }
    }
}

/// Rows that one page shows at most: 200 of each of its tables, and their heads.
const MOST_ROWS: usize = 620;
/// Rows of a recall, which is a paper: it is whole, for as many wheels as one answer has.
const MOST_IN_A_RECALL: usize = 12_000;
/// Bytes that one page has at most.
const MOST_BYTES: usize = 2_000_000;

#[tokio::test(flavor = "multi_thread")]
async fn every_page_of_a_floor_of_10_000_wheels_and_1_000_orders_comes_in_parts() {
    every_page_of(20).await;
}

#[tokio::test(flavor = "multi_thread")]
#[ignore = "minutes: 200 000 wheels"]
async fn every_page_of_a_floor_of_200_000_wheels_and_20_000_orders() {
    let share = std::env::var("WHEELWARD_LARGE_SHARE");
    every_page_of(share.map_or(1, |share| share.parse().unwrap())).await;
}

#[allow(clippy::disallowed_methods)] // measures how long pages take
async fn every_page_of(share: usize) {
    let house = House::with_desk().await;
    let (stop, worker) = records(&house).await;
    let now = utc_now();
    let began = Instant::now();
    let mut past = Past {
        house: &house,
        ids: FactIdSource::default(),
        numbered: 0,
        waiting: Vec::new(),
    };
    for batch in 0..BATCHES / share {
        let age = 8 + i64::try_from(batch % 60).unwrap();
        past.wheels(batch, now - TimeDelta::days(age)).await;
    }
    for n in 0..ORDERS / share {
        past.order(n, now).await;
    }
    past.send().await;
    eprintln!("{} facts stated in {:?}", past.numbered, began.elapsed());

    let mut browser = house.manager();
    browser.patience(Duration::from_secs(600));
    let began = Instant::now();
    let standing = || async {
        let end = house.bus.floor_end().await.unwrap();
        let asked = house.bus.ask(&house.site.id, "standing", &()).await;
        asked.is_ok_and(|standing: scheduler::Standing| standing.seq >= end)
    };
    while !standing().await {
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    eprintln!("folded in {:?}", began.elapsed());
    let mut wrong = Vec::new();
    let held = "what=batch&code=B0001&hold=LARGE1&reason=a+sample";
    let answer = browser.form("/holds", held);
    assert_eq!(answer.status, 303, "{}", answer.text);
    for path in [
        "/today",
        "/today?from=200",
        "/floor",
        "/floor?days=7",
        "/floor?room=R1&from=200",
        "/floor?days=-3",
        "/alerts",
        "/alerts?from=200",
        "/orders",
        "/orders?open=200",
        "/orders?over=0",
        "/orders?over=19400",
        "/orders?short=200",
        "/holds",
        "/find?q=B000",
        "/find?q=LARGE1",
        "/find?q=HARBOUR",
        "/batches/B0001",
        "/wheels/B0001-001",
        "/stands/stillage/S00010",
        "/rooms",
        "/portions",
        "/corrections",
        "/recall?what=batch&code=B0001",
        "/api/v1/floor",
        "/api/v1/due",
        "/api/v1/orders",
        "/api/v1/allocation",
        "/api/v1/wheels",
    ] {
        let began = Instant::now();
        let mut answer = browser.get(path);
        // The dispatch desk and the records may still be reading.
        while answer.status == 503 && began.elapsed() < Duration::from_secs(300) {
            tokio::time::sleep(Duration::from_millis(500)).await;
            answer = browser.get(path);
        }
        let waited = began.elapsed();
        let began = Instant::now();
        answer = browser.get(path);
        let took = began.elapsed();
        let rows = answer.text.matches("<tr").count() + answer.text.matches("<li").count();
        eprintln!(
            "{:>4} {:>9} bytes {rows:>5} rows {:>8.1?} (first {:>8.1?}) {path}",
            answer.status,
            answer.text.len(),
            took,
            waited
        );
        let page = !path.starts_with("/api/");
        let nothing = path == "/find?q=B000" && answer.status == 404;
        let most = match path.starts_with("/recall") {
            true => MOST_IN_A_RECALL,
            false => MOST_ROWS,
        };
        let whole = page && (answer.text.len() > MOST_BYTES || rows > most);
        if answer.status != 200 && !nothing || whole {
            wrong.push(format!(
                "{path}: {} {} bytes {rows} rows",
                answer.status,
                answer.text.len()
            ));
        }
    }
    assert!(wrong.is_empty(), "{wrong:#?}");
    stop.request();
    worker.await.unwrap().unwrap();
    house.end().await;
}
