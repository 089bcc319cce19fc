//! The outbox and its way to the log.

use std::collections::BTreeMap;

use bus::{Bus, Outbox, OutboxError, Shutdown};
use facts::Fact;

use crate::support::*;

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

fn by_number(facts: &[Fact]) -> BTreeMap<u64, &Fact> {
    facts.iter().map(|f| (f.station_seq, f)).collect()
}

#[tokio::test]
async fn facts_recorded_while_the_broker_is_away_are_kept_and_sent_once_it_is_back() {
    let dir = tempfile::tempdir().unwrap();
    let first = broker(&dir.path().join("broker")).await;
    let port = first.port();
    let bus = connect(&first.url()).await;
    let outbox = Outbox::open(&dir.path().join("outbox"), site()).unwrap();
    let mut all = recorded(&outbox, 5);
    drain(&outbox, &bus).await;

    first.stop().await;
    all.extend(recorded(&outbox, 700));
    assert_eq!(outbox.waiting(), 700);
    drop(outbox);
    let outbox = Outbox::open(&dir.path().join("outbox"), site()).unwrap();
    assert_eq!(outbox.waiting(), 700, "also after the worker was restarted");

    let shutdown = Shutdown::new();
    let draining = tokio::spawn({
        let (outbox, bus, shutdown) = (outbox.clone(), bus.clone(), shutdown.clone());
        async move { outbox.drain(&bus, &shutdown).await }
    });
    let second = broker_on(&dir.path().join("broker"), port).await;
    let mut log = within(async {
        bus.connected().await;
        bus.floor_after(None).await.unwrap()
    })
    .await;
    assert_eq!(facts_of(&take(&mut log, 705).await), all);
    shutdown.request();
    within(draining).await.unwrap();
    assert_eq!(outbox.waiting(), 0);
    assert_eq!(bus.floor_end().await.unwrap(), 705);
    drop(second);
}

#[tokio::test]
async fn numbers_go_on_after_the_outbox_was_closed_and_each_station_has_its_own() {
    let dir = tempfile::tempdir().unwrap();
    let outbox = Outbox::open(dir.path(), site()).unwrap();
    let numbers = |outbox: &Outbox, name: &str, count| -> Vec<u64> {
        let facts = outbox
            .record(&station(name), drafts(count), noon())
            .unwrap();
        facts.iter().map(|f| f.station_seq).collect()
    };
    assert_eq!(numbers(&outbox, "S1", 3), [1, 2, 3]);
    assert_eq!(numbers(&outbox, "S2", 2), [1, 2]);
    drop(outbox);
    let outbox = Outbox::open(dir.path(), site()).unwrap();
    assert_eq!(numbers(&outbox, "S1", 2), [4, 5]);
    // Whose code is written otherwise in the site file is the same station.
    assert_eq!(numbers(&outbox, "s2", 1), [3]);
    assert_eq!(numbers(&outbox, "S2", 1), [4]);
    assert_eq!(outbox.waiting(), 9);
}

#[tokio::test]
async fn a_batch_with_duplicates_inside_is_stored_once() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let facts = some_facts(6);
    bus.publish_facts(&facts[..3]).await.unwrap();
    // Some stored before, one twice in the same batch.
    let mixed = [&facts[1..], &facts[4..5]].concat();
    bus.publish_facts(&mixed).await.unwrap();
    assert_eq!(facts_of(&everything(&bus).await), facts);
}

#[tokio::test]
async fn sending_everything_again_stores_nothing_twice() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let facts = some_facts(500);
    for _ in 0..3 {
        bus.publish_facts(&facts).await.unwrap();
    }
    assert_eq!(facts_of(&everything(&bus).await), facts);
}

#[tokio::test]
async fn sending_again_after_an_unknown_answer_stores_nothing_twice_even_when_the_broker_restarted()
{
    let dir = tempfile::tempdir().unwrap();
    let first = broker(dir.path()).await;
    let port = first.port();
    let bus = connect(&first.url()).await;
    let facts = some_facts(400);
    // The broker is killed while facts are on their way: what the sender then knows about
    // each of them depends on the moment.
    let sending = tokio::spawn({
        let (bus, facts) = (bus.clone(), facts.clone());
        async move { bus.publish_facts(&facts).await }
    });
    let mut log = bus.floor_after(None).await.unwrap();
    take(&mut log, 1).await;
    first.kill_hard().await;
    let second = broker_on(dir.path(), port).await;
    let _ = within(sending).await.unwrap();
    within(async {
        while bus.publish_facts(&facts).await.is_err() {
            bus.connected().await;
        }
    })
    .await;
    let read = facts_of(&everything(&bus).await);
    assert_eq!(read.len(), 400);
    assert_eq!(by_number(&read), by_number(&facts));
    drop(second);
}

#[tokio::test]
async fn killing_the_broker_again_and_again_while_it_drains_loses_nothing_and_doubles_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let mut broker = broker(&dir.path().join("broker")).await;
    let port = broker.port();
    let bus = connect(&broker.url()).await;
    let outbox = Outbox::open(&dir.path().join("outbox"), site()).unwrap();
    let shutdown = Shutdown::new();
    let draining = tokio::spawn({
        let (outbox, bus, shutdown) = (outbox.clone(), bus.clone(), shutdown.clone());
        async move { outbox.drain(&bus, &shutdown).await }
    });
    let mut all = Vec::new();
    let mut log = bus.floor_after(None).await.unwrap();
    let mut read = Vec::new();
    for _ in 0..6 {
        all.extend(recorded(&outbox, 1500));
        // Some have arrived, many are still on their way.
        read.extend(within(log.next_chunk(10_000)).await.unwrap());
        broker.kill_hard().await;
        broker = broker_on(&dir.path().join("broker"), port).await;
    }
    let rest = all.len() - read.len();
    read.extend(take(&mut log, rest).await);
    shutdown.request();
    within(draining).await.unwrap();

    assert_eq!(outbox.waiting(), 0);
    assert_eq!(bus.floor_end().await.unwrap(), 9000);
    assert_eq!(by_number(&facts_of(&read)), by_number(&all));
    drop(broker);
}

#[tokio::test]
async fn what_the_broker_acknowledged_is_there_after_it_was_killed() {
    let dir = tempfile::tempdir().unwrap();
    let mut broker = broker(dir.path()).await;
    let port = broker.port();
    let bus = connect(&broker.url()).await;
    let facts = some_facts(500);
    for chunk in facts.chunks(125) {
        bus.ready().await.unwrap();
        bus.publish_facts(chunk).await.unwrap();
        broker.kill_hard().await;
        broker = broker_on(dir.path(), port).await;
    }
    bus.ready().await.unwrap();
    assert_eq!(facts_of(&everything(&bus).await), facts);
    drop(broker);
}

#[tokio::test]
async fn a_station_can_send_again_what_a_broker_lost() {
    let dir = tempfile::tempdir().unwrap();
    let first = broker(&dir.path().join("one")).await;
    let port = first.port();
    let bus = connect(&first.url()).await;
    let outbox = Outbox::open(&dir.path().join("outbox"), site()).unwrap();
    let facts = recorded(&outbox, 40);
    drain(&outbox, &bus).await;
    first.stop().await;

    let second = broker_on(&dir.path().join("two"), port).await;
    bus.ready().await.unwrap();
    drop(outbox);
    let outbox = Outbox::open(&dir.path().join("outbox"), site()).unwrap();
    assert_eq!(outbox.send_again(&station("S1"), 30).unwrap(), 10);
    assert_eq!(outbox.send_again(&station("S2"), 0).unwrap(), 0);
    drain(&outbox, &bus).await;
    assert_eq!(facts_of(&everything(&bus).await), facts[30..]);
    drop(second);
}

#[tokio::test]
async fn a_worker_asked_to_stop_still_sends_what_it_recorded_last() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(&dir.path().join("broker")).await;
    let bus = connect(&broker.url()).await;
    let outbox = Outbox::open(&dir.path().join("outbox"), site()).unwrap();
    let shutdown = Shutdown::new();
    shutdown.request();
    recorded(&outbox, 30);
    within(outbox.drain(&bus, &shutdown)).await;
    assert_eq!(outbox.waiting(), 0);
    assert_eq!(bus.floor_end().await.unwrap(), 30);
}

#[test]
fn a_fact_too_large_to_send_is_refused_when_it_is_recorded_and_takes_no_number() {
    let dir = tempfile::tempdir().unwrap();
    let outbox = Outbox::open(dir.path(), site()).unwrap();
    let large = vec![cleaned("brush"), cleaned(&"x".repeat(300_000))];
    let error = outbox.record(&station("S1"), large, noon()).unwrap_err();
    assert!(matches!(error, OutboxError::TooLarge { .. }), "{error}");
    assert_eq!(outbox.waiting(), 0);
    assert_eq!(recorded(&outbox, 1)[0].station_seq, 1);
}

#[test]
fn an_outbox_in_use_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let _open = Outbox::open(dir.path(), site()).unwrap();
    let error = Outbox::open(dir.path(), site()).unwrap_err();
    assert!(matches!(error, OutboxError::InUse(_)), "{error}");
}

#[test]
fn recording_from_many_threads_gives_every_number_once_and_in_order() {
    let dir = tempfile::tempdir().unwrap();
    let outbox = Outbox::open(dir.path(), site()).unwrap();
    let mut numbers: Vec<u64> = std::thread::scope(|scope| {
        let threads: Vec<_> = (0..4)
            .map(|_| {
                scope.spawn(|| -> Vec<u64> {
                    (0..25)
                        .flat_map(|_| recorded(&outbox, 3))
                        .map(|f| f.station_seq)
                        .collect()
                })
            })
            .collect();
        threads
            .into_iter()
            .flat_map(|t| t.join().unwrap())
            .collect()
    });
    numbers.sort_unstable();
    assert!(numbers.into_iter().eq(1..=300));
}
