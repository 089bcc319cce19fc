//! Reading the log.

use async_nats::jetstream::{self, stream};
use bus::{BusError, FLOOR, Position};

use crate::support::*;

#[tokio::test]
async fn facts_come_back_as_they_were_stored_in_order_and_numbered_without_gaps() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let stored = some_facts(450);
    bus.publish_facts(&stored).await.unwrap();

    let read = everything(&bus).await;
    assert_eq!(facts_of(&read), stored);
    assert!(read.iter().map(|m| m.seq).eq(1..=450));
    assert_eq!(&*read[0].subject, "floor.larkholm.room.cleaned.S1");
}

#[tokio::test]
async fn the_log_goes_on_after_a_position_without_gap_or_repeat() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    bus.publish_facts(&some_facts(100)).await.unwrap();

    let mut position: Option<Position> = None;
    let mut numbers = Vec::new();
    for most in [1, 7, 30, 62] {
        let mut log = bus.floor_after(position.as_ref()).await.unwrap();
        numbers.extend(take(&mut log, most).await.iter().map(|m| m.seq));
        position = Some(log.position());
    }
    assert!(numbers.into_iter().eq(1..=100));
    assert_eq!(position.unwrap().seq, 100);
}

#[tokio::test]
async fn an_open_log_goes_on_by_itself_when_the_broker_restarts() {
    let dir = tempfile::tempdir().unwrap();
    let first = broker(dir.path()).await;
    let (url, port) = (first.url(), first.port());
    let bus = connect(&url).await;
    bus.publish_facts(&some_facts(50)).await.unwrap();
    let mut read = bus.floor_after(None).await.unwrap();
    take(&mut read, 50).await;
    // This one has not read a single message on its connection when the broker goes.
    let mut unread = bus.floor_after(Some(&read.position())).await.unwrap();

    first.kill_hard().await;
    let second = broker_on(dir.path(), port).await;
    bus.ready().await.unwrap();
    bus.publish_facts(&some_facts(50)).await.unwrap();

    assert!(take(&mut read, 50).await.iter().map(|m| m.seq).eq(51..=100));
    assert!(
        take(&mut unread, 50)
            .await
            .iter()
            .map(|m| m.seq)
            .eq(51..=100)
    );
    drop(second);
}

#[tokio::test]
async fn waiting_for_a_message_can_be_dropped_without_losing_one() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let mut log = bus.floor_after(None).await.unwrap();
    let facts = some_facts(300);
    let publish = async {
        for chunk in facts.chunks(3) {
            bus.publish_facts(chunk).await.unwrap();
        }
    };
    let mut numbers = Vec::new();
    let read = async {
        while numbers.len() < 300 {
            // Whichever is first; the other is dropped half-way.
            tokio::select! {
                chunk = log.next_chunk(2) => numbers.extend(chunk.unwrap().iter().map(|m| m.seq)),
                () = tokio::task::yield_now() => {}
            }
        }
    };
    within(async { tokio::join!(publish, read) }).await;
    assert!(numbers.into_iter().eq(1..=300));
}

#[tokio::test]
async fn a_log_made_anew_is_recognised_at_the_start_and_while_reading() {
    let dir = tempfile::tempdir().unwrap();
    let first = broker(&dir.path().join("one")).await;
    let port = first.port();
    let bus = connect(&first.url()).await;
    bus.publish_facts(&some_facts(10)).await.unwrap();
    let mut log = bus.floor_after(None).await.unwrap();
    take(&mut log, 10).await;
    let position = log.position();

    first.stop().await;
    let second = broker_on(&dir.path().join("two"), port).await;
    // Another worker makes the streams again, and even fills them as far as before.
    let other = connect(&second.url()).await;
    other.publish_facts(&some_facts(20)).await.unwrap();

    let error = within(log.next_chunk(1)).await.unwrap_err();
    assert!(matches!(error, BusError::FloorRecreated { .. }), "{error}");
    let error = other.floor_after(Some(&position)).await.err().unwrap();
    assert!(matches!(error, BusError::FloorRecreated { .. }), "{error}");
}

#[tokio::test]
async fn a_log_that_lost_its_end_is_recognised_at_the_start_and_while_reading() {
    let dir = tempfile::tempdir().unwrap();
    let (data, copy) = (dir.path().join("data"), dir.path().join("copy"));
    let first = broker(&data).await;
    let port = first.port();
    let bus = connect(&first.url()).await;
    bus.publish_facts(&some_facts(10)).await.unwrap();
    first.stop().await;
    copy_folder(&data, &copy);
    let second = broker_on(&data, port).await;
    bus.ready().await.unwrap();
    bus.publish_facts(&some_facts(10)).await.unwrap();
    let mut log = bus.floor_after(None).await.unwrap();
    take(&mut log, 20).await;
    let position = log.position();
    second.stop().await;

    let third = broker_on(&copy, port).await;
    let error = within(log.next_chunk(1)).await.unwrap_err();
    assert!(
        matches!(error, BusError::FloorTailLost { end: 10, .. }),
        "{error}"
    );
    let error = bus.floor_after(Some(&position)).await.err().unwrap();
    assert!(
        matches!(error, BusError::FloorTailLost { end: 10, .. }),
        "{error}"
    );
    drop(third);
}

#[tokio::test]
async fn a_log_that_lost_its_end_and_gave_its_numbers_again_is_recognised() {
    let dir = tempfile::tempdir().unwrap();
    let (data, copy) = (dir.path().join("data"), dir.path().join("copy"));
    let first = broker(&data).await;
    let port = first.port();
    let bus = connect(&first.url()).await;
    let facts = some_facts(40);
    bus.publish_facts(&facts[..10]).await.unwrap();
    first.stop().await;
    copy_folder(&data, &copy);
    let second = broker_on(&data, port).await;
    bus.ready().await.unwrap();
    bus.publish_facts(&facts[10..20]).await.unwrap();
    let mut log = bus.floor_after(None).await.unwrap();
    let position = {
        take(&mut log, 9).await;
        log.position()
    };
    take(&mut log, 11).await;
    let lost = log.position();
    second.stop().await;
    let third = broker_on(&copy, port).await;
    // Before a reader looks again, the log is longer than it was, with other facts, and at
    // the reader's number even with the very same.
    let other = connect(&third.url()).await;
    other.publish_facts(&facts[20..29]).await.unwrap();
    other.publish_facts(&facts[19..20]).await.unwrap();
    other.publish_facts(&facts[30..]).await.unwrap();

    let error = within(log.next_chunk(1)).await.unwrap_err();
    assert!(matches!(error, BusError::FloorRewritten { .. }), "{error}");
    assert!(error.is_another_log() && !error.may_pass());
    let error = other.floor_after(Some(&lost)).await.err().unwrap();
    assert!(matches!(error, BusError::FloorRewritten { .. }), "{error}");
    // Whoever had come less far has missed nothing, and goes on.
    let mut log = other.floor_after(Some(&position)).await.unwrap();
    assert!(take(&mut log, 21).await.iter().map(|m| m.seq).eq(10..=30));
    drop(third);
}

/// A log that somebody made by hand, without our protection against deleting.
async fn unprotected(bus: &bus::Bus) -> stream::Stream {
    within(bus.connected()).await;
    jetstream::new(bus.client().clone())
        .create_stream(stream::Config {
            name: FLOOR.to_owned(),
            subjects: vec!["floor.>".to_owned()],
            allow_atomic_publish: true,
            ..Default::default()
        })
        .await
        .unwrap()
}

#[tokio::test]
async fn a_log_that_lost_its_beginning_is_recognised() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = bus::Bus::connect(&broker.url(), "test").await.unwrap();
    let stream = unprotected(&bus).await;
    bus.ready().await.unwrap();
    bus.publish_facts(&some_facts(10)).await.unwrap();
    let mut log = bus.floor_after(None).await.unwrap();
    take(&mut log, 3).await;
    stream.purge().sequence(7).await.unwrap();

    for position in [None, Some(log.position())] {
        let error = bus.floor_after(position.as_ref()).await.err().unwrap();
        assert!(
            matches!(error, BusError::FloorHeadLost { first: 7, .. }),
            "{error}"
        );
    }
    // From the first that is left, reading is possible.
    let rest = Position {
        seq: 6,
        ..log.position()
    };
    let mut log = bus.floor_after(Some(&rest)).await.unwrap();
    assert!(take(&mut log, 4).await.iter().map(|m| m.seq).eq(7..=10));
}

#[tokio::test]
async fn a_number_that_the_broker_lost_in_the_middle_does_not_stop_the_reading() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = bus::Bus::connect(&broker.url(), "test").await.unwrap();
    let stream = unprotected(&bus).await;
    bus.ready().await.unwrap();
    bus.publish_facts(&some_facts(10)).await.unwrap();
    stream.delete_message(4).await.unwrap();
    stream.delete_message(5).await.unwrap();
    stream.delete_message(8).await.unwrap();

    let mut log = bus.floor_after(None).await.unwrap();
    let numbers: Vec<_> = take(&mut log, 7).await.iter().map(|m| m.seq).collect();
    assert_eq!(numbers, [1, 2, 3, 6, 7, 9, 10]);
}

#[tokio::test]
async fn a_log_that_would_forget_facts_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = bus::Bus::connect(&broker.url(), "test").await.unwrap();
    within(bus.connected()).await;
    jetstream::new(bus.client().clone())
        .create_stream(stream::Config {
            name: FLOOR.to_owned(),
            subjects: vec!["floor.>".to_owned()],
            max_age: std::time::Duration::from_secs(3600),
            ..Default::default()
        })
        .await
        .unwrap();
    let error = bus.ready().await.unwrap_err();
    assert!(matches!(error, BusError::StreamMisfit { .. }), "{error}");
}

#[tokio::test]
async fn facts_in_the_log_cannot_be_deleted_or_purged() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    bus.publish_facts(&some_facts(3)).await.unwrap();
    let stream = jetstream::new(bus.client().clone())
        .get_stream(FLOOR)
        .await
        .unwrap();
    assert!(stream.delete_message(2).await.is_err());
    assert!(stream.purge().await.is_err());
    assert_eq!(everything(&bus).await.len(), 3);
}
