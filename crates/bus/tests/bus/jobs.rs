//! Derived messages and the effects they have.

use std::time::Duration;

use crate::support::*;

#[tokio::test]
async fn a_job_comes_again_until_it_is_done_and_never_after() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let site = site();
    for n in 1..=2 {
        let id = format!("job-{n}");
        bus.publish_derived(&site, "label.x", &id, id.as_bytes())
            .await
            .unwrap();
    }
    let mut jobs = bus.jobs("labels", &site, "label.*").await.unwrap();
    let first = within(jobs.next()).await.unwrap();
    assert_eq!((first.id.as_str(), first.tries), ("job-1", 1));
    assert_eq!(first.subject, "derived.larkholm.label.x");
    first.later(Duration::ZERO).await.unwrap();
    let mut seen = Vec::new();
    while seen.len() < 2 {
        let job = within(jobs.next()).await.unwrap();
        assert_eq!(&*job.body, job.id.as_bytes());
        job.done().await.unwrap();
        seen.push((job.id.clone(), job.tries));
    }
    seen.sort();
    assert_eq!(seen, [("job-1".to_owned(), 2), ("job-2".to_owned(), 1)]);

    // Another worker of the same name finds only what is new.
    drop(jobs);
    bus.publish_derived(&site, "label.x", "job-3", b"")
        .await
        .unwrap();
    let mut jobs = bus.jobs("labels", &site, "label.*").await.unwrap();
    assert_eq!(within(jobs.next()).await.unwrap().id, "job-3");
}

#[tokio::test]
async fn the_same_derived_message_twice_is_one_job() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    let site = site();
    for _ in 0..3 {
        bus.publish_derived(&site, "alert.raised", "a-1", b"{}")
            .await
            .unwrap();
    }
    bus.publish_derived(&site, "alert.raised", "a-2", b"{}")
        .await
        .unwrap();
    let mut jobs = bus.jobs("notify", &site, "alert.>").await.unwrap();
    for id in ["a-1", "a-2"] {
        let job = within(jobs.next()).await.unwrap();
        assert_eq!(job.id, id);
        job.done().await.unwrap();
    }
}

#[tokio::test]
async fn jobs_go_on_when_the_broker_restarts_and_a_done_one_stays_done() {
    let dir = tempfile::tempdir().unwrap();
    let first = broker(dir.path()).await;
    let port = first.port();
    let bus = connect(&first.url()).await;
    let site = site();
    let mut jobs = bus.jobs("labels", &site, "label.*").await.unwrap();
    bus.publish_derived(&site, "label.x", "before", b"")
        .await
        .unwrap();
    within(jobs.next()).await.unwrap().done().await.unwrap();

    first.stop().await;
    let second = broker_on(dir.path(), port).await;
    bus.ready().await.unwrap();
    bus.publish_derived(&site, "label.x", "after", b"")
        .await
        .unwrap();
    assert_eq!(within(jobs.next()).await.unwrap().id, "after");
    drop(second);
}

#[tokio::test]
async fn a_subject_with_a_wildcard_or_a_space_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let broker = broker(dir.path()).await;
    let bus = connect(&broker.url()).await;
    for tail in ["", "a..b", "alert.>", "a b", "a\r\nb"] {
        assert!(
            bus.publish_derived(&site(), tail, "id", b"").await.is_err(),
            "{tail:?}"
        );
    }
}
