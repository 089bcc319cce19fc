//! The dispatcher over a real broker, on seventy recorded days of the invented dairy.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::collections::BTreeMap;
use std::future::Future;
use std::path::Path;
use std::time::Duration;

use bus::broker::ChildBroker;
use bus::{Bus, Clock, Shutdown};
use chrono::{DateTime, NaiveDate, Utc};
use dispatch::office::Asked;
use dispatch::pick::PickList;
use dispatch::promise::Answer;
use dispatch::{Allocation, Order};
use dispatcher::{CHECK, Checked, NUMBERS, PickQuery};
use facts::wire::{self, Read};
use facts::{
    Event, Fact, FactIdSource, Grade, OrderCancelled, OrderLine, OrderPlaced, Standing,
    WheelDispatched, WheelHeld, WheelId,
};
use recipe::Origin;
use serde_json::Value;
use site::Site;
use station::{LEAVING, Leaving, Stays};
use tokio::task::JoinHandle;

const RECORDED: &str = include_str!("../../../tests/data/larkholm-70-days.ndjson");
const SITE: &str = include_str!("../../../deploy/demo/larkholm.toml");
const RECIPE: &str = include_str!("../../../deploy/demo/larkholm-blue.toml");
const CUSTOMERS: &str = include_str!("../../../deploy/demo/customers.toml");

async fn within<T>(doing: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(60), doing)
        .await
        .expect("this should not take a minute")
}

/// Hears alerts beside everything else: their ids and what they say.
fn listen(mut jobs: bus::Jobs) -> tokio::sync::mpsc::UnboundedReceiver<(String, Value)> {
    let (tell, heard) = tokio::sync::mpsc::unbounded_channel();
    tokio::spawn(async move {
        while let Some(job) = jobs.next().await {
            let told = serde_json::from_slice(&job.body).unwrap();
            assert!(job.subject.contains(".alert."), "{}", job.subject);
            job.done().await.unwrap();
            if tell.send((job.id.clone(), told)).is_err() {
                return;
            }
        }
    });
    heard
}

struct House {
    dir: tempfile::TempDir,
    broker: ChildBroker,
    bus: Bus,
    site: Site,
    now: DateTime<Utc>,
    numbered: u64,
    ids: FactIdSource,
    worker: Option<(Shutdown, JoinHandle<anyhow::Result<()>>)>,
    heard: tokio::sync::mpsc::UnboundedReceiver<(String, Value)>,
}

impl House {
    async fn new() -> Self {
        let dir = tempfile::tempdir().unwrap();
        let broker = ChildBroker::start(&dir.path().join("broker"))
            .await
            .unwrap();
        let bus = Bus::connect(&broker.url(), "test").await.unwrap();
        bus.ready().await.unwrap();
        std::fs::write(dir.path().join("customers.toml"), CUSTOMERS).unwrap();
        let text = format!("{SITE}\n[dispatch]\ncustomers = \"customers.toml\"\n");
        let origin = Origin {
            file: "larkholm.toml",
            text: &text,
        };
        let site = Site::parse(&origin, dir.path(), |_| Ok(RECIPE.to_owned())).unwrap();
        let facts: Vec<Fact> = RECORDED
            .lines()
            .filter_map(|line| match wire::from_line(line) {
                Ok(Read::Fact(fact)) => Some(fact),
                _ => None,
            })
            .collect();
        let now = facts.iter().map(|fact| fact.occurred_at).max().unwrap();
        bus.publish_facts(&facts).await.unwrap();
        let jobs = bus.jobs("test", &site.id, "alert.>").await.unwrap();
        let mut house = Self {
            dir,
            broker,
            bus,
            site,
            now,
            numbered: 0,
            ids: FactIdSource::default(),
            worker: None,
            heard: listen(jobs),
        };
        house.start().await;
        house
    }

    async fn start(&mut self) {
        let clock = tokio::spawn({
            let (bus, site) = (self.bus.clone(), self.site.id);
            async move { Clock::from_bus(&bus, &site).await }
        });
        while !clock.is_finished() {
            self.tick().await;
            tokio::task::yield_now().await;
        }
        let clock = clock.await.unwrap().unwrap();
        let shutdown = Shutdown::new();
        let (site, bus) = (self.site.clone(), self.bus.clone());
        let (data, stop) = (self.dir.path().join("data"), shutdown.clone());
        let run = async move { dispatcher::run(site, bus, clock, &data, stop).await };
        self.worker = Some((shutdown, tokio::spawn(run)));
    }

    async fn stop(&mut self) {
        let (shutdown, run) = self.worker.take().unwrap();
        shutdown.request();
        within(run).await.unwrap().unwrap();
    }

    async fn tick(&self) {
        let end = self.bus.floor_end().await.unwrap_or(0);
        self.bus.tick(&self.site.id, self.now, end).await.unwrap();
    }

    async fn state(&mut self, event: impl Into<Event>) {
        self.numbered += 1;
        let fact = Fact {
            id: self.ids.next(self.now),
            site: self.site.id,
            station: "order-desk".parse().unwrap(),
            station_seq: self.numbered,
            person: None,
            occurred_at: self.now,
            claimed_at: None,
            recorded_at: self.now,
            event: event.into(),
        };
        self.bus.publish_facts(&[fact]).await.unwrap();
    }

    /// Asks until what comes is as it should be.
    async fn ask<T: serde::de::DeserializeOwned>(
        &self,
        name: &str,
        query: &impl serde::Serialize,
        good: impl Fn(&T) -> bool,
    ) -> T {
        within(async {
            loop {
                self.tick().await;
                if let Ok(answer) = self.bus.ask::<T>(&self.site.id, name, query).await
                    && good(&answer)
                {
                    return answer;
                }
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
        })
        .await
    }

    async fn stays(&self, order: Option<&str>, wheels: &[&str]) -> Vec<String> {
        let leaving = Leaving {
            after_seq: self.bus.floor_end().await.unwrap(),
            order: order.map(|order| order.parse().unwrap()),
            customer: None,
            market: None,
            wheels: wheels.iter().map(|wheel| wheel.parse().unwrap()).collect(),
        };
        self.ask::<Stays>(LEAVING, &leaving, |_| true).await.reasons
    }

    async fn alert(&mut self) -> (String, String) {
        within(async {
            loop {
                self.tick().await;
                let next = tokio::time::timeout(Duration::from_millis(100), self.heard.recv());
                if let Ok(told) = next.await {
                    let (id, told) = told.unwrap();
                    return (id, told["text"].as_str().unwrap().to_owned());
                }
            }
        })
        .await
    }
}

fn line(wheels: u32) -> OrderLine {
    OrderLine {
        recipe: "larkholm-blue".parse().unwrap(),
        grade: Grade::A,
        wheels,
        weight_g: None,
        each_g: None,
        age_days: None,
        least_life_days: None,
        mixing: None,
    }
}

fn placed(order: &str, arrive_on: &str, wheels: u32) -> OrderPlaced {
    OrderPlaced {
        order: order.parse().unwrap(),
        customer: "HARBOUR".to_owned(),
        market: "NORTH".parse().unwrap(),
        arrive_on: arrive_on.parse().unwrap(),
        lines: vec![line(wheels)],
        standing: None,
    }
}

fn of(allocation: &Allocation, order: &str) -> usize {
    let lines = allocation.lines.iter();
    let of = lines.filter(|line| line.key.order.as_str() == order);
    of.map(|line| line.assigned_count()).sum()
}

#[tokio::test(flavor = "multi_thread")]
async fn orders_are_allocated_and_every_wheel_is_asked_about_before_it_leaves() {
    let mut house = House::new().await;
    // Before dawn on Monday 16 March 2026, still Sunday's dairy day: the next lorry to the
    // north leaves on Monday and is there on Tuesday.
    house.state(placed("O1", "2026-03-18", 6)).await;
    let got = |order: &'static str, wheels| {
        move |allocation: &Allocation| of(allocation, order) == wheels
    };
    let first: Allocation = house.ask("allocation", &(), got("O1", 6)).await;
    let line = &first.lines[0];
    assert!(line.shortage.is_none() && line.certainty > 0.8, "{line:?}");

    // What is held, unknown, of another order's grade or of no order at all stays.
    let held = house.stays(Some("O1"), &["260105A-01"]).await;
    assert!(
        held[0].contains("260105A-01") && held[0].contains("under hold"),
        "{held:?}"
    );
    let unknown = house.stays(Some("O1"), &["NOSUCH-01"]).await;
    assert!(unknown[0].contains("no wheel NOSUCH-01"), "{unknown:?}");
    let grade = house.stays(Some("O1"), &["260107A-05"]).await;
    assert!(grade[0].contains("lower than ordered"), "{grade:?}");
    let ungraded = house.stays(Some("O1"), &["260120A-03"]).await;
    assert!(ungraded[0].contains("not graded"), "{ungraded:?}");
    let order = house.stays(Some("O9"), &["260106A-01"]).await;
    assert!(order[0].contains("no order O9"), "{order:?}");
    assert_eq!(house.stays(Some("O1"), &["260106A-01"]).await, [""; 0]);

    // A hold set a moment ago counts: the question waits for the log.
    let wheels: Vec<WheelId> = vec!["260106A-01".parse().unwrap()];
    let hold = "SWAB-1".parse().unwrap();
    let reason = "swab".to_owned();
    house
        .state(WheelHeld {
            wheels,
            hold,
            reason,
        })
        .await;
    let held = house.stays(Some("O1"), &["260106A-01"]).await;
    assert!(held[0].contains("under hold SWAB-1"), "{held:?}");

    // More than is wanted stays: the first six of seven go.
    let seven = [
        "260106A-02",
        "260106A-03",
        "260106A-04",
        "260106A-05",
        "260107A-01",
        "260107A-02",
        "260107A-03",
    ];
    let stays = house.stays(Some("O1"), &seven).await;
    assert_eq!(stays.len(), 1, "{stays:?}");
    assert!(stays[0].contains("260107A-03") && stays[0].contains("has enough"));
    let wheels = seven[..6]
        .iter()
        .map(|wheel| wheel.parse().unwrap())
        .collect();
    let sent = |wheels| WheelDispatched {
        wheels,
        via: None,
        order: Some("O1".parse().unwrap()),
        market: None,
        sale: None,
    };
    house.state(sent(wheels)).await;
    let done = house.stays(Some("O1"), &["260107A-03"]).await;
    assert!(done[0].contains("has everything"), "{done:?}");

    // Names alone are asked about as they are scanned, before any wheel.
    let order = house.stays(Some("O9"), &[]).await;
    assert!(
        order[0].contains("no order O9; did you mean O1?"),
        "{order:?}"
    );
    let done = house.stays(Some("O1"), &[]).await;
    assert!(done[0].contains("has everything"), "{done:?}");
    // What arrives beyond the days that are looked at has not everything: it waits.
    house.state(placed("FAR", "2026-08-19", 2)).await;
    let far = house.stays(Some("FAR"), &["260107A-03"]).await;
    assert!(
        far[0].contains(
            "not looked at yet: it next arrives on Wed 19 Aug 2026, beyond the next 60 days"
        ),
        "{far:?}"
    );

    // A cancelled order lets nothing go.
    house.state(placed("O2", "2026-03-19", 2)).await;
    assert_eq!(house.stays(Some("O2"), &["260107A-03"]).await, [""; 0]);
    assert_eq!(house.stays(Some("O2"), &[]).await, [""; 0]);
    let order = "O2".parse().unwrap();
    let reason = "closed for the week".to_owned();
    house.state(OrderCancelled { order, reason }).await;
    let stays = house.stays(Some("O2"), &["260107A-03"]).await;
    assert!(
        stays[0].contains("was cancelled (closed for the week)"),
        "{stays:?}"
    );
    // Without an order: at the dairy's own door.
    assert_eq!(house.stays(None, &["260107A-03"]).await, [""; 0]);
    assert!(!house.stays(None, &["260105A-02"]).await.is_empty());
    house.stop().await;
    house.broker.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn what_will_be_short_is_told_once_and_told_over() {
    let mut house = House::new().await;
    house.state(placed("MANY", "2026-03-25", 400)).await;
    let (name, text) = house.alert().await;
    assert_eq!(name, "short-MANY-1-2026-03-25");
    assert!(text.contains("MANY") && text.contains("short"), "{text}");
    // Another while the desk still rests from the last allocation, and no tick to wake it.
    house.state(placed("MORE", "2026-03-26", 400)).await;
    let (name, _) = within(house.heard.recv()).await.unwrap();
    assert_eq!(name, "short-MORE-1-2026-03-26");
    let order = "MORE".parse().unwrap();
    let reason = "a typing error".to_owned();
    house.state(OrderCancelled { order, reason }).await;
    let (name, _) = within(house.heard.recv()).await.unwrap();
    assert_eq!(name, "short-MORE-1-2026-03-26-cleared");
    // Not again after a restart.
    house.stop().await;
    house.start().await;
    house
        .ask::<Allocation>("allocation", &(), |allocation| !allocation.lines.is_empty())
        .await;
    let order = "MANY".parse().unwrap();
    let reason = "a typing error".to_owned();
    house.state(OrderCancelled { order, reason }).await;
    let (name, text) = house.alert().await;
    assert_eq!(name, "short-MANY-1-2026-03-25-cleared");
    assert!(text.contains("no longer short"), "{text}");
    house.stop().await;
    house.broker.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn promises_picks_and_new_orders_are_answered() {
    let mut house = House::new().await;
    let asked = |wheels, by: &str| Asked {
        customer: "HARBOUR".parse().unwrap(),
        recipe: "larkholm-blue".parse().unwrap(),
        grade: Grade::A,
        wheels,
        by: by.parse::<NaiveDate>().unwrap(),
        sure_pct: 80,
    };
    let yes: Answer = house
        .ask("promise", &asked(5, "2026-03-20"), |_| true)
        .await;
    assert!(yes.words.to_lowercase().starts_with("yes"), "{}", yes.words);
    let no: Answer = house
        .ask("promise", &asked(5_000, "2026-03-20"), |_| true)
        .await;
    assert!(no.words.to_lowercase().starts_with("no"), "{}", no.words);
    let site = house.site.id;
    for (query, says) in [
        (asked(0, "2026-03-20"), "1 or more"),
        (asked(5, "2026-03-01"), "is over"),
    ] {
        let refused = house.bus.ask::<Answer>(&site, "promise", &query).await;
        let refused = refused.unwrap_err().to_string();
        assert!(refused.contains(says), "{refused}");
    }

    // A promise is no order: the check says what is wrong, then it is placed.
    let wrong = placed("O5", "2026-03-01", 5);
    let checked: Checked = house.ask(CHECK, &wrong, |_| true).await;
    assert!(checked.troubles[0].contains("is past"), "{checked:?}");
    let standing = OrderPlaced {
        standing: Some(Standing {
            every_weeks: 1,
            until: None,
            except: Vec::new(),
        }),
        ..placed("O5", "2026-03-17", 5)
    };
    let checked: Checked = house.ask(CHECK, &standing, |_| true).await;
    assert_eq!(checked.troubles, [""; 0]);
    house.state(standing.clone()).await;
    let checked: Checked = house
        .ask(CHECK, &standing, |checked: &Checked| checked.known)
        .await;
    assert_eq!(checked.troubles, [""; 0]);
    let orders: Vec<Order> = house.ask("orders", &(), |_| true).await;
    assert_eq!(orders.len(), 1);

    // Monday's walk: what arrives on Tuesday.
    let day = Some("2026-03-16".parse().unwrap());
    let list: PickList = house
        .ask("picks", &PickQuery { day }, |list: &PickList| {
            !list.stops.is_empty()
        })
        .await;
    let picked: BTreeMap<_, _> = list
        .stops
        .iter()
        .flat_map(|stop| &stop.wheels)
        .map(|pick| (pick.wheel, pick.line.order))
        .collect();
    assert_eq!(picked.len(), 5);

    // The next day it is allocated anew, by the same wheels where nothing speaks against it.
    house.now = "2026-03-16T06:00:00Z".parse().unwrap();
    let leaves_on_monday = |allocation: &Allocation| {
        let mut parts = allocation.lines.iter().flat_map(|line| &line.assigned);
        parts.any(|part| part.leave_on.date().to_string() == "2026-03-16")
    };
    house
        .ask::<Allocation>("allocation", &(), |allocation| {
            allocation.today.date().to_string() == "2026-03-16" && leaves_on_monday(allocation)
        })
        .await;
    // Once the day's lorries are gone nothing is planned to leave with them, though nobody has
    // scanned anything since.
    house.now = "2026-03-16T15:00:00Z".parse().unwrap();
    house
        .ask::<Allocation>("allocation", &(), |allocation| {
            !leaves_on_monday(allocation)
        })
        .await;
    assert!(Path::new(&house.dir.path().join("data/dispatcher/yesterday.json")).exists());
    house.stop().await;
    house.broker.stop().await;
}

#[tokio::test(flavor = "multi_thread")]
async fn two_packers_at_once_and_one_after_a_restart_get_numbers_of_their_own() {
    let mut house = House::new().await;
    let mut given = std::collections::BTreeSet::new();
    for round in 0..3 {
        for n in [1, 2, 7] {
            let pack = || house.ask::<Vec<facts::Sscc>>(NUMBERS, &n, |_| true);
            let both = tokio::join!(pack(), pack());
            // None of these is ever recorded: their packers' line is down.
            for numbers in [both.0, both.1] {
                assert_eq!(numbers.len(), n);
                for number in numbers {
                    assert!(given.insert(number), "{number} twice, round {round}");
                }
            }
        }
        house.stop().await;
        house.start().await;
    }
    assert_eq!(given.len(), 3 * 20);
}

#[tokio::test(flavor = "multi_thread")]
async fn a_damaged_file_stops_nothing_is_told_once_and_no_number_is_given_without_its_own() {
    let mut house = House::new().await;
    house.state(placed("MANY", "2026-03-25", 400)).await;
    assert_eq!(house.alert().await.0, "short-MANY-1-2026-03-25");
    let given = house.ask::<Vec<facts::Sscc>>(NUMBERS, &3, |_| true).await;
    house.stop().await;
    let folder = house.dir.path().join("data/dispatcher");
    let files = ["case-numbers.json", "today.json", "told.txt"];
    let whole = files.map(|name| std::fs::read(folder.join(name)).unwrap());
    for (name, whole) in files.iter().zip(&whole) {
        std::fs::write(folder.join(name), &whole[..whole.len() - 3]).unwrap();
    }
    // However often it is started, it answers, and each is told once.
    for _ in 0..2 {
        house.start().await;
        house
            .ask::<Allocation>("allocation", &(), |allocation| of(allocation, "MANY") > 0)
            .await;
        let refused = house
            .bus
            .ask::<Vec<facts::Sscc>>(&house.site.id, NUMBERS, &1);
        let refused = within(refused).await.unwrap_err().to_string();
        assert!(refused.contains("nobody knows which"), "{refused}");
        house.stop().await;
    }
    let mut told = Vec::new();
    while let Ok((name, text)) = house.heard.try_recv() {
        told.push(name);
        let text = text["text"].as_str().unwrap();
        assert!(text.contains("dispatcher/"), "{text}");
    }
    let damaged = [
        "case-numbers-unknown",
        "damaged-file-dispatcher-today.json.damaged-1",
        "damaged-file-dispatcher-told.txt.damaged-1",
    ];
    assert_eq!(told, damaged);
    // Mended: it is over, and numbers go on after those given before.
    std::fs::write(folder.join(files[0]), &whole[0]).unwrap();
    for name in &files[1..] {
        std::fs::remove_file(folder.join(format!("{name}.damaged-1"))).unwrap();
    }
    house.start().await;
    for name in damaged {
        assert_eq!(house.alert().await.0, format!("{name}-cleared"));
    }
    let more = house.ask::<Vec<facts::Sscc>>(NUMBERS, &3, |_| true).await;
    assert!(more.iter().all(|number| !given.contains(number)));
    house.stop().await;
    house.broker.stop().await;
}
