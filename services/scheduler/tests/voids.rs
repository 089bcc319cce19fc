//! What a station's worker that turned bad can take back, under the shipped permissions.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::path::Path;
use std::time::Duration;

use bus::broker::{ChildBroker, Guard};
use bus::permissions::Grants;
use bus::{Bus, Draft, Outbox, Shutdown};
use chrono::{DateTime, TimeDelta, Utc};
use facts::{Event, Fact, Voided, WheelPortioned, WheelTurned};
use quantity::Grams;
use recipe::Origin;
use ripening::answer;
use scheduler::Fold;
use site::Site;

fn code<T: std::str::FromStr<Err = facts::BadCode>>(text: &str) -> T {
    text.parse().expect("a code")
}

/// The demo's site, as it is shipped.
fn site() -> Site {
    let text = include_str!("../../../deploy/demo/larkholm.toml");
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/demo");
    let file = "larkholm.toml";
    let open = |path: &Path| std::fs::read_to_string(path).map_err(|e| e.to_string());
    Site::parse(&Origin { file, text }, &folder, open).unwrap()
}

/// A worker that states facts under a station's name.
struct Worker<'b> {
    bus: &'b Bus,
    outbox: Outbox,
    station: &'static str,
}

impl Worker<'_> {
    async fn states(&self, at: DateTime<Utc>, event: impl Into<Event>) -> Fact {
        let draft = Draft {
            occurred_at: at,
            person: Some(code("01")),
            event: event.into(),
        };
        let recorded = self.outbox.record(&code(self.station), vec![draft], at);
        let fact = recorded.unwrap().remove(0);
        let shutdown = Shutdown::new();
        let sent = async {
            while self.outbox.waiting() > 0 {
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
        };
        tokio::select! {
            () = self.outbox.drain(self.bus, &shutdown) => {}
            done = tokio::time::timeout(Duration::from_secs(20), sent) => done.unwrap(),
        }
        assert_eq!(self.outbox.refused(), 0, "the broker lets it state that");
        fact
    }
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stations_worker_takes_back_no_other_stations_turn_and_people_hear_that_it_tried() {
    let site = site();
    let dir = tempfile::tempdir().unwrap();
    let named = |scale: bool| {
        let stations = site.stations.iter();
        let named = stations.filter(move |station| station.scale.is_some() == scale);
        named.map(|station| station.id).collect()
    };
    let grants = Grants {
        site: site.id,
        scanners: named(false),
        scales: named(true),
        air: Vec::new(),
        demo: false,
    };
    let guard = Guard { grants, mqtt: None };
    let folder = dir.path().join("broker");
    let broker = ChildBroker::start_guarded(&folder, &guard).await.unwrap();
    let user = async |name: &'static str| {
        let bus = Bus::connect(&broker.url_of(name), name).await.unwrap();
        bus.ready().await.unwrap();
        bus
    };
    let scheduler = user("scheduler").await;
    let (scales, scanners) = (user("scale-reader").await, user("move-recorder").await);
    let worker = |bus, station| Worker {
        bus,
        outbox: Outbox::open(&dir.path().join(station), site.id).unwrap(),
        station,
    };
    let (portion, drain) = (worker(&scales, "portion-1"), worker(&scanners, "drain-1"));

    let at: DateTime<Utc> = "2026-03-02T07:00:00Z".parse().unwrap();
    let minute = TimeDelta::minutes(1);
    let wheel = code("311-01");
    let born = WheelPortioned {
        wheel,
        batch: code("311"),
        weight_g: Grams::new(10_000).unwrap(),
        scale: None,
        tare_g: None,
        mixer: None,
    };
    portion.states(at, born).await;
    let turned = || WheelTurned {
        wheels: vec![wheel],
        via: None,
    };
    let turn = drain.states(at + minute, turned()).await;
    let own = drain.states(at + minute * 2, turned()).await;
    let void = |of: &Fact| Voided {
        fact: of.id,
        reason: "never happened".to_owned(),
    };
    let attack = portion.states(at + minute * 3, void(&turn)).await;
    drain.states(at + minute * 3, void(&own)).await;

    let mut fold = Fold::open(&site, &dir.path().join("store")).unwrap();
    fold.live_from(0);
    let end = scheduler.floor_end().await.unwrap();
    let mut log = scheduler.floor_after(None).await.unwrap();
    let mut refused = Vec::new();
    while log.position().seq < end {
        for message in log.next_chunk(100).await.unwrap() {
            if let Err(reason) = fold.message(&message) {
                fold.alarm(&message, &reason);
                refused.push((message, reason));
            }
        }
    }
    fold.reached(log.position());
    fold.advance(at + minute * 5);
    let life = answer::wheel(fold.floor().unwrap(), wheel).unwrap().life;
    let line = |of: &Fact| life.iter().find(|line| line.fact == of.id).unwrap();
    assert_eq!(line(&turn).voided, None, "nothing has happened to it");
    assert!(line(&own).voided.is_some(), "a station takes back its own");

    let [(message, reason)] = refused.as_slice() else {
        panic!("{} refused", refused.len());
    };
    let id = attack.id.to_string();
    assert!(message.headers_as_text().any(|(_, value)| value == id));
    let words = "of station drain-1: a station takes back only its own records";
    assert!(reason.contains(words), "{reason}");
    let told = fold.write().unwrap();
    let told = told
        .iter()
        .map(|(_, effect)| String::from_utf8_lossy(&effect.body));
    let told: Vec<_> = told.filter(|body| body.contains(words)).collect();
    assert_eq!(told.len(), 1, "people hear of it once");
}
