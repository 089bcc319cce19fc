//! What the broker refuses, or nobody here can read, holds up nothing and is not lost.

use bus::broker::{ChildBroker, Guard};
use bus::permissions::Grants;
use bus::{Bus, Outbox, Shutdown};
use facts::{WheelHeld, wire};

use crate::support::*;

fn held(name: &str) -> bus::Draft {
    let event = WheelHeld {
        hold: "H1".parse().unwrap(),
        wheels: vec![name.parse().unwrap()],
        reason: "a recipe's own".to_owned(),
    };
    bus::Draft {
        occurred_at: noon(),
        claimed_at: None,
        person: None,
        event: event.into(),
    }
}

#[tokio::test]
async fn one_refused_fact_of_a_thousand_is_kept_and_told_of_and_the_rest_leaves() {
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("broker");
    let first = guarded(&folder, grants()).await;
    let scheduler = user(&first, "scheduler").await;
    let bus = user(&first, "scale-reader").await;
    let outbox = Outbox::open(&dir.path().join("outbox"), site()).unwrap();
    // The site file has a second scale, and nobody made the permissions anew.
    let known = |n: usize| held(&format!("W{n}"));
    outbox
        .record(&station("scale-1"), (0..600).map(known).collect(), noon())
        .unwrap();
    outbox
        .record(&station("scale-2"), vec![held("W600")], noon())
        .unwrap();
    outbox
        .record(
            &station("scale-1"),
            (601..1000).map(known).collect(),
            noon(),
        )
        .unwrap();
    let shutdown = Shutdown::new();
    let draining = tokio::spawn({
        let (outbox, bus, shutdown) = (outbox.clone(), bus.clone(), shutdown.clone());
        async move { outbox.drain(&bus, &shutdown).await }
    });
    let mut told = within(user(&first, "gateway").await.tellings(&site()))
        .await
        .unwrap();
    let alarm = within(told.next()).await.unwrap().telling;
    assert_eq!(alarm.alert, "refused-facts-scale-2");
    assert!(
        alarm.text.contains("refused 1 of its facts"),
        "{}",
        alarm.text
    );
    assert_eq!((outbox.waiting(), outbox.refused()), (0, 1));
    assert_eq!(scheduler.floor_end().await.unwrap(), 999);
    let list = dir.path().join("outbox").join(bus::outbox::REFUSED_FILE);
    let text = std::fs::read_to_string(&list).unwrap();
    assert!(
        text.contains("W600") && text.contains("may not publish"),
        "{text}"
    );

    // They are made anew: the fact goes by itself, under its own number, and people hear it.
    let port = first.port();
    first.stop().await;
    let more = Grants {
        scales: vec![station("scale-1"), station("scale-2")],
        ..grants()
    };
    let guard = Guard {
        grants: more,
        mqtt: None,
    };
    let second = within(ChildBroker::start_guarded_on(&folder, &guard, port))
        .await
        .unwrap();
    let mut told = within(user(&second, "gateway").await.tellings(&site()))
        .await
        .unwrap();
    within(told.next()).await.unwrap();
    let over = within(told.next()).await.unwrap().telling;
    assert_eq!(over.step, bus::telling::Step::Cleared);
    assert_eq!((outbox.waiting(), outbox.refused()), (0, 0));
    let last = everything(&scheduler).await.pop().unwrap();
    assert_eq!(fact(&last).station, station("scale-2"));
    assert!(!list.exists());
    shutdown.request();
    within(draining).await.unwrap();
}

#[tokio::test]
async fn a_fact_of_a_later_version_is_sent_as_it_is_and_what_was_set_aside_is_tried_again() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(&dir.path().join("broker")).await;
    let bus = connect(&broker.url()).await;
    let folder = dir.path().join("outbox");
    let first = some_facts(1).remove(0);
    let later = |number: u64, ty: &str| {
        format!(
            r#"{{"specversion":"1.0","id":"0190b6b0-0000-7000-8000-00000000000{number}","source":"/sites/larkholm/stations/S1","type":"{ty}","time":"2031-03-04T12:00:00Z","sequence":"{number:012}","data":{{"song":"all"}}}}"#
        )
    };
    let sung = later(3, "floor.wheel.sung.v2");
    {
        let db = sled::open(&folder).unwrap();
        let tree = db.open_tree("facts").unwrap();
        let key = |kind: u8, position: u64| [&[kind][..], &position.to_be_bytes()].concat();
        let line = wire::to_line(&first).unwrap();
        tree.insert(key(b'w', 1), line.as_bytes()).unwrap();
        // Set aside by an earlier version, which could not read it.
        tree.insert(key(b'x', 2), later(2, "floor.wheel.hummed.v1").as_bytes())
            .unwrap();
        tree.insert(key(b'w', 3), sung.as_bytes()).unwrap();
        tree.insert(key(b'w', 4), "no fact at all").unwrap();
        tree.insert(b"nS1", &4_u64.to_be_bytes()).unwrap();
        db.flush().unwrap();
    }
    // What an earlier version kept is taken over once, and lies beside it.
    drop(Outbox::open(&folder, site()).unwrap());
    assert!(folder.join("earlier/db").is_file() && !folder.join("db").exists());
    let outbox = Outbox::open(&folder, site()).unwrap();
    assert_eq!(
        recorded(&outbox, 1)[0].station_seq,
        5,
        "their numbers count"
    );
    drain(&outbox, &bus).await;
    let read = everything(&bus).await;
    let types: Vec<_> = read
        .iter()
        .map(|stored| match stored.read().unwrap() {
            wire::Read::Fact(fact) => fact.event.ty().to_owned(),
            wire::Read::UnknownType(unknown) => unknown.ty,
        })
        .collect();
    assert_eq!(
        types,
        [
            "floor.room.cleaned.v1",
            "floor.wheel.hummed.v1",
            "floor.wheel.sung.v2",
            "floor.room.cleaned.v1"
        ]
    );
    assert_eq!(read[2].body, br#"{"song":"all"}"#.as_slice());
    assert_eq!(outbox.refused(), 1, "what is no fact at all is kept");
    assert!(
        outbox.refusals().unwrap()[0]
            .reason
            .contains("cannot be read")
    );
    assert_eq!(outbox.waiting(), 0);
}

/// Drains until nothing waits.
async fn drain(outbox: &Outbox, bus: &Bus) {
    let shutdown = Shutdown::new();
    let watch = async {
        while outbox.waiting() > 0 {
            tokio::task::yield_now().await;
        }
        shutdown.request();
    };
    within(async { tokio::join!(outbox.drain(bus, &shutdown), watch) }).await;
}
