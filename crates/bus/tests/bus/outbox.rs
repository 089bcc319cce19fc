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
async fn a_station_sends_again_what_a_broker_lost_and_nothing_else() {
    let dir = tempfile::tempdir().unwrap();
    let first = broker(&dir.path().join("one")).await;
    let port = first.port();
    let bus = connect(&first.url()).await;
    let outbox = Outbox::open(&dir.path().join("outbox"), site()).unwrap();
    let facts = recorded(&outbox, 40);
    drain(&outbox, &bus).await;
    let log = bus.floor_end().await.unwrap();
    first.stop().await;
    // Nothing is lost: nothing goes again.
    let again = broker_on(&dir.path().join("one"), port).await;
    drop(outbox);
    let outbox = Outbox::open(&dir.path().join("outbox"), site()).unwrap();
    bus.connected().await;
    drain(&outbox, &bus).await;
    assert_eq!(bus.floor_end().await.unwrap(), log);
    again.stop().await;

    // A folder that somebody put back is older than what stations were told; what they record
    // meanwhile comes before it, or after it.
    let second = broker_on(&dir.path().join("two"), port).await;
    bus.ready().await.unwrap();
    bus.publish_facts(&facts[..25]).await.unwrap();
    let more = recorded(&outbox, 3);
    drain(&outbox, &bus).await;
    let all: Vec<Fact> = facts.into_iter().chain(more).collect();
    let there = facts_of(&everything(&bus).await);
    assert_eq!(there.len(), all.len());
    let there: std::collections::BTreeMap<_, _> = there.iter().map(|f| (f.id, f)).collect();
    assert!(all.iter().all(|fact| there.get(&fact.id) == Some(&fact)));
    // Another look finds nothing more.
    broker_forgets_ids(&bus).await;
    drop(outbox);
    let outbox = Outbox::open(&dir.path().join("outbox"), site()).unwrap();
    drain(&outbox, &bus).await;
    assert_eq!(bus.floor_end().await.unwrap(), all.len() as u64);
    drop(second);
}

/// From now on the broker itself drops nothing that is sent again.
async fn broker_forgets_ids(bus: &Bus) {
    let jetstream = async_nats::jetstream::new(bus.client().clone());
    let stream = jetstream.get_stream(bus::FLOOR).await.unwrap();
    let mut config = stream.cached_info().config.clone();
    config.duplicate_window = std::time::Duration::from_millis(100);
    jetstream.update_stream(config).await.unwrap();
    tokio::time::sleep(std::time::Duration::from_millis(300)).await;
}

/// Letter case says nothing, but a subject has it.
#[tokio::test]
async fn what_a_station_sent_in_two_spellings_is_found_in_both() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(&dir.path().join("broker")).await;
    let bus = connect(&broker.url()).await;
    let folder = dir.path().join("outbox");
    for spelling in ["S1", "s1", "S1"] {
        let outbox = Outbox::open(&folder, site()).unwrap();
        let drafts = drafts(3);
        let _ = outbox.record(&station(spelling), drafts, noon()).unwrap();
        drain(&outbox, &bus).await;
    }
    broker_forgets_ids(&bus).await;
    for _ in 0..2 {
        let outbox = Outbox::open(&folder, site()).unwrap();
        drain(&outbox, &bus).await;
        assert_eq!(bus.floor_end().await.unwrap(), 9);
    }
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

async fn holds(bus: &Bus, many: u64) {
    within(async {
        while bus.floor_end().await.ok() != Some(many) {
            tokio::time::sleep(std::time::Duration::from_millis(20)).await;
        }
    })
    .await;
}

/// Somebody puts back a folder, sees that it is the wrong one, and puts back another.
#[tokio::test]
async fn what_is_lost_twice_comes_back_twice() {
    let dir = tempfile::tempdir().unwrap();
    let mut running = broker(&dir.path().join("0")).await;
    let port = running.port();
    let bus = connect(&running.url()).await;
    let outbox = Outbox::open(&dir.path().join("outbox"), site()).unwrap();
    let shutdown = Shutdown::new();
    let draining = tokio::spawn({
        let (outbox, bus, shutdown) = (outbox.clone(), bus.clone(), shutdown.clone());
        async move { outbox.drain(&bus, &shutdown).await }
    });
    let facts = recorded(&outbox, 12);
    holds(&bus, 12).await;
    for folder in ["1", "2"] {
        running.stop().await;
        running = broker_on(&dir.path().join(folder), port).await;
        within(bus.ready()).await.unwrap();
        holds(&bus, 12).await;
        assert_eq!(facts_of(&everything(&bus).await), facts);
    }
    shutdown.request();
    within(draining).await.unwrap();
}

/// An earlier version's subjects had no station.
#[tokio::test]
async fn what_an_earlier_version_sent_is_not_taken_for_lost() {
    let dir = tempfile::tempdir().unwrap();
    let first = broker(&dir.path().join("one")).await;
    let port = first.port();
    let bus = connect(&first.url()).await;
    let folder = dir.path().join("outbox");
    let outbox = Outbox::open(&folder, site()).unwrap();
    recorded(&outbox, 8);
    drain(&outbox, &bus).await;
    drop(outbox);
    let sent = everything(&bus).await;
    first.stop().await;
    let _second = broker_on(&dir.path().join("two"), port).await;
    within(bus.ready()).await.unwrap();
    let jetstream = async_nats::jetstream::new(bus.client().clone());
    for message in sent {
        let (old, _) = message.subject.rsplit_once('.').unwrap();
        let id = message.headers.unwrap().get("Nats-Msg-Id").unwrap().clone();
        let mut headers = async_nats::HeaderMap::new();
        headers.insert("Nats-Msg-Id", id);
        let stored = jetstream.publish_with_headers(old.to_owned(), headers, message.body);
        stored.await.unwrap().await.unwrap();
    }
    broker_forgets_ids(&bus).await;
    for more in 1..=3 {
        drop(outbox_of(&folder, &bus).await);
        assert_eq!(bus.floor_end().await.unwrap(), 8 + more);
    }
}

/// Opened again, with one more fact recorded and all sent.
async fn outbox_of(folder: &std::path::Path, bus: &Bus) -> Outbox {
    let outbox = Outbox::open(folder, site()).unwrap();
    recorded(&outbox, 1);
    drain(&outbox, bus).await;
    outbox
}

/// What people hear of a station's outbox, so far.
async fn told(bus: &Bus, what: &str) -> String {
    within(async {
        loop {
            let told = bus.derived(&site(), "alert.told").await.unwrap();
            let mut told = told.iter().map(|body| String::from_utf8_lossy(body));
            if let Some(told) = told.find(|told| told.contains(what)) {
                return told.into_owned();
            }
        }
    })
    .await
}

/// Its disk was changed, or its folder deleted, while the station had no line.
#[tokio::test]
async fn an_outbox_that_is_new_goes_on_after_the_numbers_that_the_log_has() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(&dir.path().join("broker")).await;
    let bus = connect(&broker.url()).await;
    let first = Outbox::open(&dir.path().join("first"), site()).unwrap();
    let before = recorded(&first, 5);
    drain(&first, &bus).await;
    let second = Outbox::open(&dir.path().join("second"), site()).unwrap();
    let blind = recorded(&second, 3);
    let numbers = |facts: &[Fact]| facts.iter().map(|f| f.station_seq).collect::<Vec<_>>();
    assert_eq!(numbers(&blind), [1, 2, 3], "it cannot know better");
    drain(&second, &bus).await;
    let log = facts_of(&everything(&bus).await);
    assert_eq!(numbers(&log), [1, 2, 3, 4, 5, 6, 7, 8]);
    let ids = |facts: &[Fact]| facts.iter().map(|f| f.id).collect::<Vec<_>>();
    assert_eq!(
        ids(&log),
        [ids(&before), ids(&blind)].concat(),
        "the same facts"
    );
    assert_eq!(numbers(&recorded(&second, 1)), [9]);
    let shutdown = Shutdown::new();
    let draining = tokio::spawn({
        let (outbox, bus, shutdown) = (second.clone(), bus.clone(), shutdown.clone());
        async move { outbox.drain(&bus, &shutdown).await }
    });
    // Another station of the same outbox, which the log does not know, begins at 1.
    let other = second.record(&station("S9"), drafts(1), noon()).unwrap();
    assert_eq!(numbers(&other), [1]);
    holds(&bus, 10).await;
    shutdown.request();
    within(draining).await.unwrap();
}

/// Bits flipped on the disk of the only copy.
#[tokio::test]
async fn damage_costs_the_damaged_facts_and_people_hear_of_it_and_no_number_is_used_twice() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(&dir.path().join("broker")).await;
    let bus = connect(&broker.url()).await;
    let folder = dir.path().join("worker/outbox");
    let outbox = Outbox::open(&folder, site()).unwrap();
    let facts: Vec<Fact> = (0..20).flat_map(|_| recorded(&outbox, 1)).collect();
    drop(outbox);
    let file = folder.join("journal-000001.txt");
    let mut bytes = std::fs::read(&file).unwrap();
    // In the fourth line, and in the last, which has the last number.
    let ends: Vec<usize> = (0..bytes.len()).filter(|at| bytes[*at] == b'\n').collect();
    for line in [3, 19] {
        bytes[ends[line] - 40] ^= 4;
    }
    std::fs::write(&file, &bytes).unwrap();
    let looked = bus::look_at_outbox(&folder).unwrap();
    assert_eq!((looked.waiting.len(), looked.damaged), (18, 2));

    let outbox = Outbox::open(&folder, site()).unwrap();
    assert_eq!(outbox.waiting(), 18);
    drain(&outbox, &bus).await;
    let log = facts_of(&everything(&bus).await);
    let left: Vec<Fact> = facts
        .iter()
        .filter(|f| ![4, 20].contains(&f.station_seq))
        .cloned()
        .collect();
    assert_eq!(log, left);
    let shutdown = Shutdown::new();
    let draining = tokio::spawn({
        let (outbox, bus, shutdown) = (outbox.clone(), bus.clone(), shutdown.clone());
        async move { outbox.drain(&bus, &shutdown).await }
    });
    let said = told(&bus, "journal.txt.damaged-1").await;
    assert!(said.contains("all else is as it was"), "{said}");
    shutdown.request();
    within(draining).await.unwrap();
    // The line that had the last number is lost: it was never seen elsewhere.
    assert_eq!(recorded(&outbox, 1)[0].station_seq, 20);
}

/// sled panics over bits that were flipped.
#[tokio::test]
async fn a_damaged_outbox_of_an_earlier_version_is_taken_over_as_far_as_it_reads() {
    for flips in [20, 400, 4_000] {
        let dir = tempfile::tempdir().unwrap();
        {
            let db = sled::open(dir.path()).unwrap();
            let tree = db.open_tree("facts").unwrap();
            for (position, fact) in (1_u64..).zip(some_facts(500)) {
                let key = [&b"w"[..], &position.to_be_bytes()].concat();
                let line = facts::wire::to_line(&fact).unwrap();
                tree.insert(key, line.as_bytes()).unwrap();
            }
            tree.insert(b"nS1", &500_u64.to_be_bytes()).unwrap();
            db.flush().unwrap();
        }
        let file = dir.path().join("db");
        let mut bytes = std::fs::read(&file).unwrap();
        let mut at = 7_919;
        for _ in 0..flips {
            at = (at * 31 + 12_345) % bytes.len();
            bytes[at] ^= 1 << (at % 8);
        }
        std::fs::write(&file, bytes).unwrap();
        let outbox = Outbox::open(dir.path(), site()).unwrap();
        assert!(outbox.waiting() <= 500);
        recorded(&outbox, 1);
        drop(outbox);
        assert!(!dir.path().join("db").exists());
        drop(Outbox::open(dir.path(), site()).unwrap());
    }
}
