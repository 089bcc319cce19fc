//! The worker over a real broker, on seventy recorded days of the invented dairy.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::collections::BTreeMap;
use std::future::Future;
use std::path::Path;
use std::time::Duration;

use bus::broker::ChildBroker;
use bus::{Bus, Clock, Shutdown};
use chrono::{DateTime, TimeDelta, Utc};
use facts::wire::{self, Read};
use facts::{Event, Fact, ForecastTold};
use forecast::{Query, Short, WarmerBy};
use recipe::Origin;
use serde_json::Value;
use site::Site;
use tokio::task::JoinHandle;

const RECORDED: &str = include_str!("../../../tests/data/larkholm-70-days.ndjson");
const SITE: &str = include_str!("../../../deploy/demo/larkholm.toml");
const RECIPE: &str = include_str!("../../../deploy/demo/larkholm-blue.toml");

async fn within<T>(doing: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(120), doing)
        .await
        .expect("this should not take two minutes")
}

fn site() -> Site {
    let origin = Origin {
        file: "larkholm.toml",
        text: SITE,
    };
    Site::parse(&origin, Path::new(""), |_| Ok(RECIPE.to_owned())).unwrap()
}

fn recorded() -> Vec<Fact> {
    let facts = RECORDED
        .lines()
        .filter_map(|line| match wire::from_line(line) {
            Ok(Read::Fact(fact)) => Some(fact),
            _ => None,
        });
    facts.collect()
}

type Worker = (Shutdown, JoinHandle<anyhow::Result<()>>);

async fn start(bus: &Bus, data: &Path, now: DateTime<Utc>) -> Worker {
    let site = site();
    let clock = tokio::spawn({
        let (bus, site) = (bus.clone(), site.id);
        async move { Clock::from_bus(&bus, &site).await }
    });
    while !clock.is_finished() {
        tick(bus, now).await;
        tokio::task::yield_now().await;
    }
    let clock = clock.await.unwrap().unwrap();
    let shutdown = Shutdown::new();
    let (bus, data, stop) = (bus.clone(), data.to_owned(), shutdown.clone());
    let run = async move { forecaster::run(site, bus, clock, &data, stop).await };
    (shutdown, tokio::spawn(run))
}

async fn stop((shutdown, run): Worker) {
    shutdown.request();
    within(run).await.unwrap().unwrap();
}

async fn tick(bus: &Bus, now: DateTime<Utc>) {
    let end = bus.floor_end().await.unwrap_or(0);
    bus.tick(&site().id, now, end).await.unwrap();
}

/// Asks until there is an answer.
async fn ask(bus: &Bus, query: &Query, now: DateTime<Utc>) -> Value {
    loop {
        if let Ok(answer) = bus.ask::<Value>(&site().id, "forecast", query).await {
            return answer;
        }
        tick(bus, now).await;
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

async fn told(bus: &Bus) -> Vec<ForecastTold> {
    let mut log = bus.floor_after(None).await.unwrap();
    let end = bus.floor_end().await.unwrap();
    let mut told = Vec::new();
    while log.position().seq < end {
        for message in log.next_chunk(4_000).await.unwrap() {
            if let Ok(Read::Fact(fact)) = message.read()
                && let Event::ForecastTold(forecast) = fact.event
            {
                assert_eq!(fact.station.as_str(), "forecaster");
                told.push(forecast);
            }
        }
    }
    told
}

async fn told_at_least(bus: &Bus, least: u64, now: DateTime<Utc>) {
    let site = site().id;
    while bus.floor_count(&site, "batch.forecast").await.unwrap() < least {
        tick(bus, now).await;
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
}

/// A broker whose log has the recorded life; that life, and when it ends.
async fn house(dir: &Path) -> (ChildBroker, Bus, Vec<Fact>, DateTime<Utc>) {
    let broker = ChildBroker::start(&dir.join("broker")).await.unwrap();
    let bus = Bus::connect(&broker.url(), "test").await.unwrap();
    bus.ready().await.unwrap();
    let facts = recorded();
    let now = facts.iter().map(|fact| fact.occurred_at).max().unwrap();
    bus.publish_facts(&facts).await.unwrap();
    (broker, bus, facts, now)
}

#[tokio::test(flavor = "multi_thread")]
async fn a_batch_made_since_the_last_round_is_not_denied() {
    let dir = tempfile::tempdir().unwrap();
    let (_broker, bus, facts, now) = house(dir.path()).await;
    let worker = start(&bus, &dir.path().join("data"), now).await;
    within(ask(&bus, &Query::default(), now)).await;
    // Portions stir no round before their vat is closed.
    let portioned = facts::WheelPortioned {
        wheel: "NEW9-01".parse().unwrap(),
        batch: "NEW9".parse().unwrap(),
        weight_g: quantity::Grams::new(4_200).unwrap(),
        scale: None,
        tare_g: None,
        mixer: None,
    };
    let fact = Fact {
        id: facts::FactIdSource::default().next(now),
        station: "test-1".parse().unwrap(),
        station_seq: 1,
        occurred_at: now,
        event: portioned.into(),
        ..facts[0].clone()
    };
    bus.publish_facts(&[fact]).await.unwrap();
    for what in ["NEW9", "new9-01"] {
        let query = Query {
            what: Some(what.to_owned()),
            ..Query::default()
        };
        let said = async {
            loop {
                let answer = bus.ask::<Value>(&site().id, "forecast", &query).await;
                let words = answer.map_or_else(|error| error.to_string(), |told| told.to_string());
                if words.contains("not forecast yet: it was made") {
                    return;
                }
                tokio::time::sleep(Duration::from_millis(50)).await;
            }
        };
        within(said).await;
    }
    let query = Query {
        what: Some("NEW8".to_owned()),
        ..Query::default()
    };
    let answer = bus.ask::<Value>(&site().id, "forecast", &query).await;
    assert!(answer.unwrap_err().to_string().contains("there is no"));
    stop(worker).await;
}

#[tokio::test(flavor = "multi_thread")]
async fn every_batch_is_forecast_told_once_and_asked_about() {
    let dir = tempfile::tempdir().unwrap();
    let (broker, bus, _, now) = house(dir.path()).await;
    let data = dir.path().join("data");
    let worker = start(&bus, &data, now).await;

    let all = within(ask(&bus, &Query::default(), now)).await;
    let all: Vec<Short> = serde_json::from_value(all).unwrap();
    assert!(all.len() > 20, "{} batches in the house", all.len());
    within(told_at_least(&bus, all.len() as u64, now)).await;
    let first = told(&bus).await;
    let by_batch: BTreeMap<_, _> = first.iter().map(|told| (told.batch, told)).collect();
    assert_eq!(
        (first.len(), by_batch.len()),
        (all.len(), all.len()),
        "each once"
    );
    for short in &all {
        let ready = by_batch[&short.batch].ready;
        assert_eq!(ready.day, short.ready.0.date());
        assert!(ready.from <= ready.day && ready.day <= ready.until);
    }

    // What if, by the same question.
    let young = all.last().unwrap();
    let what = Some(young.batch.to_string());
    let query = Query {
        what,
        warmer: vec![WarmerBy {
            room: "R1".parse().unwrap(),
            by_c: -3.0,
            days: Some(14.0),
        }],
        pierce_later_days: 4.0,
        ..Query::default()
    };
    let one = within(ask(&bus, &query, now)).await;
    let later = one["what_if"]["by_days"].as_f64().unwrap();
    assert!(later > 3.0, "colder and pierced later: {later} days");
    let words = one["what_if"]["words"].as_str().unwrap();
    assert!(words.contains("4 days later"), "{words}");

    // Nonsense is refused in a sentence.
    for (query, says) in [
        (
            Query {
                what: Some("999-99".to_owned()),
                ..Query::default()
            },
            "no batch or wheel 999-99",
        ),
        (
            Query {
                pierce_later_days: 1e9,
                ..Query::default()
            },
            "up to 200 days",
        ),
    ] {
        let refused = bus.ask::<Value>(&site().id, "forecast", &query).await;
        let refused = refused.unwrap_err().to_string();
        assert!(refused.contains(says), "{refused}");
    }

    // Started again, it says nothing twice; a new day moves only what has moved.
    stop(worker).await;
    let worker = start(&bus, &data, now).await;
    within(ask(&bus, &Query::default(), now)).await;
    assert_eq!(told(&bus).await.len(), first.len());
    let tomorrow = now + TimeDelta::days(1);
    tick(&bus, tomorrow).await;
    within(told_at_least(&bus, first.len() as u64 + 1, tomorrow)).await;
    let all = within(ask(&bus, &Query::default(), tomorrow)).await;
    stop(worker).await;

    // A store in which a record does not read is put aside, and people hear of it.
    let store = data.join("forecaster/store");
    {
        let records = sled::open(&store).unwrap().open_tree("floor").unwrap();
        let (key, value) = records.scan_prefix("l/").next().unwrap().unwrap();
        records.insert(key, &value[..value.len() / 2]).unwrap();
    }
    let mut alerts = listen(bus.jobs("test", &site().id, "alert.>").await.unwrap());
    let worker = start(&bus, &data, tomorrow).await;
    assert_eq!(within(ask(&bus, &Query::default(), tomorrow)).await, all);
    let (name, alert) = within(alerts.recv()).await.unwrap();
    assert_eq!(name, "damaged-file-forecaster-store.damaged-1");
    let text = alert["text"].as_str().unwrap();
    assert!(text.contains("read again from the log"), "{text}");
    stop(worker).await;
    broker.stop().await;
}

/// Hears alerts beside everything else: their ids and what they say.
type Heard = tokio::sync::mpsc::UnboundedReceiver<(String, Value)>;

fn listen(mut jobs: bus::Jobs) -> Heard {
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

/// A fact of the office, about an hour before `now`, later ones later.
fn office(nth: u64, now: DateTime<Utc>, event: impl Into<Event>) -> Fact {
    let at = now - TimeDelta::hours(1) + TimeDelta::seconds(nth.cast_signed());
    Fact {
        id: facts::FactIdSource::default().next(at),
        site: site().id,
        station: "gateway".parse().unwrap(),
        station_seq: nth,
        person: None,
        occurred_at: at,
        claimed_at: None,
        recorded_at: at,
        event: event.into(),
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn people_hear_once_of_kilograms_that_nobody_can_explain_and_of_odd_drying() {
    let dir = tempfile::tempdir().unwrap();
    let broker = ChildBroker::start(&dir.path().join("broker"))
        .await
        .unwrap();
    let bus = Bus::connect(&broker.url(), "test").await.unwrap();
    bus.ready().await.unwrap();
    let mut facts = recorded();
    let now = facts.iter().map(|fact| fact.occurred_at).max().unwrap();
    // 500 l in; 20 kg of curd and 300 l of whey out: some 170 kg are missing.
    let batch = "MISSING".parse().unwrap();
    facts.push(office(
        1,
        now,
        facts::VatStarted {
            batch,
            vat: "V1".parse().unwrap(),
            recipe: "larkholm-blue".parse().unwrap(),
            recipe_version: 1,
            milk_l: quantity::Litres::new(500.0).unwrap(),
            milk_lots: Vec::new(),
        },
    ));
    let whey_l = quantity::Litres::new(300.0).ok();
    facts.push(office(2, now, facts::VatDrained { batch, whey_l }));
    for nth in 0..5 {
        facts.push(office(
            3 + nth,
            now,
            facts::WheelPortioned {
                wheel: format!("MISSING-{nth}").parse().unwrap(),
                batch,
                weight_g: quantity::Grams::new(4_000).unwrap(),
                scale: None,
                tare_g: None,
                mixer: None,
            },
        ));
    }
    // A wheel that lost a third of its weight in the two weeks between two weighings.
    for (nth, days, grams) in [(9, 14, 3_600), (10, 0, 2_400)] {
        let mut weighed = office(
            nth,
            now,
            facts::WheelWeighed {
                wheel: "260123A-01".parse().unwrap(),
                weight_g: quantity::Grams::new(grams).unwrap(),
                scale: None,
                tare_g: None,
            },
        );
        weighed.occurred_at -= TimeDelta::days(days);
        weighed.recorded_at = weighed.occurred_at;
        facts.push(weighed);
    }
    let weighing = facts.last().unwrap().clone();
    // Weights count with the next fact that forecasts turn on, or with the next day.
    facts.push(office(8, now, facts::VatClosed { batch, note: None }));
    bus.publish_facts(&facts).await.unwrap();
    let data = dir.path().join("data");
    let mut alerts = listen(bus.jobs("test", &site().id, "alert.>").await.unwrap());
    let worker = start(&bus, &data, now).await;
    let mut heard: BTreeMap<String, Value> = BTreeMap::new();
    within(async {
        while heard.len() < 2 {
            tick(&bus, now).await;
            let next = tokio::time::timeout(Duration::from_millis(100), alerts.recv());
            if let Ok(told) = next.await {
                let (id, told) = told.unwrap();
                assert!(heard.insert(id.clone(), told).is_none(), "{id} twice");
            }
        }
    })
    .await;
    let text = |name: &str| heard[name]["text"].as_str().unwrap().to_owned();
    assert!(text("yield-MISSING").contains("kg are unexplained"));
    assert!(text("drying-260123A").contains("faster than usual"));

    // Started again, nobody hears it twice; it is over when the weighing was wrong and more
    // whey is found.
    stop(worker).await;
    let reason = "the wrong wheel".to_owned();
    let fact = weighing.id;
    let void = office(11, now, facts::Voided { fact, reason });
    let whey_l = quantity::Litres::new(172.0).ok();
    let mut whey = office(7, now, facts::VatDrained { batch, whey_l });
    whey.station_seq = 12;
    bus.publish_facts(&[whey, void]).await.unwrap();
    let worker = start(&bus, &data, now).await;
    let next = async |alerts: &mut Heard, now| {
        loop {
            tick(&bus, now).await;
            let next = tokio::time::timeout(Duration::from_millis(100), alerts.recv());
            if let Ok(told) = next.await {
                break told.unwrap();
            }
        }
    };
    let mut over = Vec::new();
    for _ in 0..2 {
        over.push(within(next(&mut alerts, now)).await.0);
    }
    over.sort();
    assert_eq!(over, ["drying-260123A-cleared", "yield-MISSING-cleared"]);

    // When it comes again it is told again.
    let mut again = weighing;
    again.id = facts::FactIdSource::default().next(now);
    again.station_seq = 13;
    bus.publish_facts(&[again]).await.unwrap();
    let tomorrow = now + TimeDelta::days(1);
    let (name, told) = within(next(&mut alerts, tomorrow)).await;
    assert_eq!(name, "drying-260123A#2");
    assert_eq!(told["alert"], name);
    stop(worker).await;
    broker.stop().await;
}
