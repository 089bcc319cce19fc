//! A broker, a station and a reader for the tests.

use std::future::Future;
use std::path::Path;
use std::time::Duration;

use bus::broker::{ChildBroker, Guard};
use bus::permissions::Grants;
use bus::{Bus, Draft, FloorLog, Outbox, Stored};
use chrono::{DateTime, Utc};
use facts::{Fact, RoomCleaned, RoomId, SiteId, StationId, wire};

/// Fails a test that hangs; no test depends on how long anything takes.
pub async fn within<T>(doing: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(120), doing)
        .await
        .expect("this should not take minutes")
}

pub async fn broker(dir: &Path) -> ChildBroker {
    within(ChildBroker::start(dir)).await.unwrap()
}

pub async fn broker_on(dir: &Path, port: u16) -> ChildBroker {
    within(ChildBroker::start_on(dir, port)).await.unwrap()
}

/// What is granted at a dairy with one scanner, one scale and one room sensor.
pub fn grants() -> Grants {
    Grants {
        site: site(),
        scanners: vec![station("S1")],
        scales: vec![station("scale-1")],
        air: vec!["larkholm/air/R1".to_owned()],
        demo: false,
    }
}

/// A broker with users.
pub async fn guarded(dir: &Path, grants: Grants) -> ChildBroker {
    let guard = Guard { grants, mqtt: None };
    within(ChildBroker::start_guarded(dir, &guard))
        .await
        .unwrap()
}

/// Signed in as a worker; the streams are there once the scheduler was.
pub async fn user(broker: &ChildBroker, worker: &str) -> Bus {
    let bus = Bus::connect(&broker.url_of(worker), worker).await.unwrap();
    within(bus.ready()).await.unwrap();
    bus
}

/// Connected, with the streams made.
pub async fn connect(url: &str) -> Bus {
    let bus = Bus::connect(url, "test").await.unwrap();
    within(bus.ready()).await.unwrap();
    bus
}

pub fn site() -> SiteId {
    SiteId::new("larkholm").unwrap()
}

pub fn station(name: &str) -> StationId {
    StationId::new(name).unwrap()
}

pub fn noon() -> DateTime<Utc> {
    "2031-03-04T12:00:00Z".parse().unwrap()
}

pub fn cleaned(method: &str) -> Draft {
    Draft {
        occurred_at: noon(),
        claimed_at: None,
        person: None,
        event: RoomCleaned {
            room: RoomId::new("R1").unwrap(),
            method: method.to_owned(),
        }
        .into(),
    }
}

pub fn drafts(count: usize) -> Vec<Draft> {
    (0..count).map(|n| cleaned(&format!("brush {n}"))).collect()
}

/// Facts recorded in an outbox and not sent.
pub fn recorded(outbox: &Outbox, count: usize) -> Vec<Fact> {
    outbox
        .record(&station("S1"), drafts(count), noon())
        .unwrap()
}

/// Facts of one station, numbered from 1.
pub fn some_facts(count: usize) -> Vec<Fact> {
    let dir = tempfile::tempdir().unwrap();
    recorded(&Outbox::open(dir.path(), site()).unwrap(), count)
}

/// Reads on until `count` more messages were taken.
pub async fn take(log: &mut FloorLog, count: usize) -> Vec<Stored> {
    let mut taken = Vec::new();
    while taken.len() < count {
        taken.extend(within(log.next_chunk(count - taken.len())).await.unwrap());
    }
    taken
}

/// Everything in the log now.
pub async fn everything(bus: &Bus) -> Vec<Stored> {
    let end = bus.floor_end().await.unwrap();
    let mut log = bus.floor_after(None).await.unwrap();
    take(&mut log, usize::try_from(end).unwrap()).await
}

pub fn fact(stored: &Stored) -> Fact {
    match stored.read().unwrap() {
        wire::Read::Fact(fact) => fact,
        wire::Read::UnknownType(unknown) => panic!("unknown type {}", unknown.ty),
    }
}

pub fn facts_of(stored: &[Stored]) -> Vec<Fact> {
    stored.iter().map(fact).collect()
}

/// Stores a message that is no fact.
pub async fn store_raw(bus: &Bus, subject: &str, header: (&str, &str), body: &'static [u8]) {
    let mut headers = async_nats::HeaderMap::new();
    headers.insert(header.0, header.1);
    async_nats::jetstream::new(bus.client().clone())
        .publish_with_headers(subject.to_owned(), headers, body.into())
        .await
        .unwrap()
        .await
        .unwrap();
}

pub fn copy_folder(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy_folder(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}
