//! What a station's worker that turned bad can take back, under the shipped permissions.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::path::Path;
use std::time::Duration;

use bus::broker::{ChildBroker, Guard};
use bus::permissions::Grants;
use bus::{Bus, Draft, Outbox, Shutdown, Stored};
use chrono::{DateTime, TimeDelta, Utc};
use facts::{Event, Fact, FactId, VatStarted, Voided, WheelPortioned, WheelTurned};
use quantity::{Grams, Litres};
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

async fn user(broker: &ChildBroker, name: &'static str) -> Bus {
    let bus = Bus::connect(&broker.url_of(name), name).await.unwrap();
    bus.ready().await.unwrap();
    bus
}

/// A broker with the shipped permissions.
struct House {
    site: Site,
    dir: tempfile::TempDir,
    broker: ChildBroker,
    scheduler: Bus,
}

impl House {
    async fn opened() -> Self {
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
        // It makes the streams, which stations wait for.
        let scheduler = user(&broker, "scheduler").await;
        Self {
            site,
            dir,
            broker,
            scheduler,
        }
    }

    async fn worker(&self, name: &'static str, station: &'static str) -> Worker {
        Worker {
            bus: user(&self.broker, name).await,
            outbox: Outbox::open(&self.dir.path().join(station), self.site.id).unwrap(),
            station,
        }
    }

    /// The log folded at an instant, and what of it counts for nothing.
    async fn folded(&self, now: DateTime<Utc>) -> (Fold, Vec<(Stored, String)>) {
        let mut fold = Fold::open(&self.site, &self.dir.path().join("store")).unwrap();
        fold.live_from(0);
        let end = self.scheduler.floor_end().await.unwrap();
        let mut log = self.scheduler.floor_after(None).await.unwrap();
        let mut refused = Vec::new();
        while log.position().seq < end {
            for message in log.next_chunk(100).await.unwrap() {
                if let Err(reason) = fold.message(&message).unwrap() {
                    fold.alarm(&message, &reason);
                    refused.push((message, reason));
                }
            }
        }
        fold.reached(log.position());
        fold.advance(now);
        (fold, refused)
    }
}

/// A worker that states facts under a station's name.
struct Worker {
    bus: Bus,
    outbox: Outbox,
    station: &'static str,
}

impl Worker {
    async fn states(&self, at: DateTime<Utc>, event: impl Into<Event>) -> Fact {
        self.claims(at, at, event).await
    }

    /// States what is said to have happened at one time, and was received at another.
    async fn claims(
        &self,
        occurred_at: DateTime<Utc>,
        received: DateTime<Utc>,
        event: impl Into<Event>,
    ) -> Fact {
        let draft = Draft {
            claimed_at: None,
            occurred_at,
            person: Some(code("01")),
            event: event.into(),
        };
        let recorded = self
            .outbox
            .record(&code(self.station), vec![draft], received);
        let fact = recorded.unwrap().remove(0);
        let shutdown = Shutdown::new();
        let sent = async {
            while self.outbox.waiting() > 0 {
                tokio::time::sleep(Duration::from_millis(10)).await;
            }
        };
        tokio::select! {
            () = self.outbox.drain(&self.bus, &shutdown) => {}
            done = tokio::time::timeout(Duration::from_secs(20), sent) => done.unwrap(),
        }
        assert_eq!(self.outbox.refused(), 0, "the broker lets it state that");
        fact
    }
}

fn born(wheel: &str, batch: &str) -> WheelPortioned {
    WheelPortioned {
        wheel: code(wheel),
        batch: code(batch),
        weight_g: Grams::new(10_000).unwrap(),
        scale: None,
        tare_g: None,
        mixer: None,
    }
}

fn void(of: &Fact) -> Voided {
    Voided {
        fact: of.id,
        reason: "never happened".to_owned(),
    }
}

fn start() -> DateTime<Utc> {
    "2026-03-02T07:00:00Z".parse().unwrap()
}

/// Whether a fact is taken back, as the wheel's page has it.
fn is_voided(fold: &Fold, wheel: &str, fact: FactId) -> bool {
    let wheel = answer::wheel(fold.floor().unwrap(), code(wheel)).unwrap();
    let line = wheel.life.iter().find(|line| line.fact == fact).unwrap();
    line.voided.is_some()
}

#[tokio::test(flavor = "multi_thread")]
async fn a_stations_worker_takes_back_no_other_stations_turn_and_people_hear_that_it_tried() {
    let house = House::opened().await;
    let portion = house.worker("scale-reader", "portion-1").await;
    let drain = house.worker("move-recorder", "drain-1").await;
    let (at, minute) = (start(), TimeDelta::minutes(1));
    portion.states(at, born("311-01", "311")).await;
    let turned = || WheelTurned {
        wheels: vec![code("311-01")],
        via: None,
    };
    let turn = drain.states(at + minute, turned()).await;
    let own = drain.states(at + minute * 2, turned()).await;
    let attack = portion.states(at + minute * 3, void(&turn)).await;
    drain.states(at + minute * 3, void(&own)).await;

    let (mut fold, refused) = house.folded(at + minute * 5).await;
    let nothing = !is_voided(&fold, "311-01", turn.id);
    assert!(nothing, "nothing has happened to it");
    let taken_back = is_voided(&fold, "311-01", own.id);
    assert!(taken_back, "a station takes back its own");

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

/// What a wheel is held by follows from its batch and recipe; and the worker says of each
/// device's clock what it likes.
#[tokio::test(flavor = "multi_thread")]
async fn a_stations_worker_makes_no_wheel_anew_that_it_made_weeks_ago() {
    let house = House::opened().await;
    let portion = house.worker("scale-reader", "portion-1").await;
    let vat = house.worker("move-recorder", "vat-1").await;
    let started = |batch: &str, recipe_version| VatStarted {
        batch: code(batch),
        vat: code("V1"),
        recipe: code("larkholm-blue"),
        recipe_version,
        milk_l: Litres::new(500.0).unwrap(),
        milk_lots: Vec::new(),
    };
    let (at, minute) = (start(), TimeDelta::minutes(1));
    let begun = vat.states(at, started("311", 1)).await;
    vat.states(at, started("312", 1)).await;
    let made = portion.states(at + minute, born("311-01", "311")).await;
    // A slip of the hand, put right in time.
    let slip = portion.states(at + minute * 2, born("312-01", "311")).await;
    portion.states(at + minute * 5, void(&slip)).await;
    portion.states(at + minute * 6, born("312-01", "312")).await;

    let later = at + TimeDelta::weeks(6);
    // The device's clock, so they say, was right the whole time.
    let claimed = made.occurred_at + minute;
    for (worker, of, anew) in [
        (&portion, &made, Event::from(born("311-01", "312"))),
        (&vat, &begun, started("311", 2).into()),
    ] {
        worker.claims(claimed, later, void(of)).await;
        worker.claims(claimed + minute, later + minute, anew).await;
    }

    let (fold, refused) = house.folded(later + minute * 2).await;
    assert!(!is_voided(&fold, "311-01", made.id));
    assert!(is_voided(&fold, "312-01", slip.id));
    let floor = fold.floor().unwrap();
    let batch = answer::batch(floor, code("311")).unwrap();
    let line = batch
        .record
        .iter()
        .find(|line| line.fact == begun.id)
        .unwrap();
    assert_eq!(line.voided, None);
    let reasons: Vec<_> = refused.iter().map(|(_, reason)| reason).collect();
    assert_eq!(reasons.len(), 2, "{reasons:?}");
    let words = "recorded more than 10 minutes before: so late a manager corrects it";
    assert!(
        reasons.iter().all(|reason| reason.contains(words)),
        "{reasons:?}"
    );
}
