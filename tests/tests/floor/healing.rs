//! A broker that lost what it had acknowledged, and stations that still have it.

use std::collections::BTreeSet;

use facts::FactId;
use floor_tests::{Floor, Given, Scanner, Worker, copy_folder, time, until};
use ripening::answer::WheelRow;

const WHEELS: usize = 24;

async fn ids(floor: &Floor) -> BTreeSet<FactId> {
    floor
        .facts()
        .await
        .into_iter()
        .map(|fact| fact.id)
        .collect()
}

async fn turns(floor: &Floor, recorder: &Worker, drain: &mut Scanner, stack: &str) {
    let said = format!("OK  6 wheels in stack {stack} turned");
    until(
        &format!("stack {stack} to be turned"),
        || recorder.log(),
        async || {
            floor.tick().await;
            let answer = drain.scan(&format!("K.{stack}")).await;
            // A turn that is said twice is one.
            answer.starts_with(&said).then_some(())
        },
    )
    .await;
}

async fn holds(floor: &Floor, recorder: &Worker, many: usize) {
    until(
        &format!("{many} facts in the log"),
        || recorder.log(),
        async || {
            floor.tick().await;
            let end = floor.bus.floor_end().await.ok()?;
            (end >= many as u64).then_some(())
        },
    )
    .await;
}

/// Waits until people can hear of it: a telling follows the answers, after all labels.
async fn told(floor: &Floor, scheduler: &Worker, said: &str) {
    until(
        &format!("an alert {said}…"),
        || scheduler.log(),
        async || {
            floor.tick().await;
            let alerts = floor.stream(bus::DERIVED).await;
            let said = format!("\"alert\":\"{said}");
            let mut alerts = alerts.iter();
            let found = alerts.any(|alert| String::from_utf8_lossy(&alert.payload).contains(&said));
            found.then_some(())
        },
    )
    .await;
}

/// Waits until the ledger has so many records, and nothing of them is missing from the log.
async fn written_down(floor: &Floor, records: &Worker, many: usize) {
    until(
        &format!("{many} records in the ledger and in the log"),
        || records.log(),
        async || {
            floor.tick().await;
            let standing: serde_json::Value = floor.asked("records").await?;
            let whole = standing["findings"].as_array()?.is_empty();
            (whole && standing["count"].as_u64()? == many as u64).then_some(())
        },
    )
    .await;
}

/// The stations' answers were OK; then somebody puts an older folder under the broker, or none
/// at all. Nobody lifts a hand.
#[tokio::test(flavor = "multi_thread")]
async fn what_a_broker_lost_comes_back_from_the_stations_and_is_on_the_floor_again() {
    for older in [true, false] {
        let mut floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
        let mut portioning = Given::at("portion-1");
        let earlier = floor.now - chrono::TimeDelta::hours(1);
        let made = portioning.makes(earlier, "311", WHEELS).facts.clone();
        floor.store(&made).await;
        let scheduler = floor.worker("scheduler");
        let recorder = floor.worker("move-recorder");
        floor.folded(&scheduler).await;
        let mut drain = floor.scanner("drain-1", &recorder).await;
        drain.scan("A.TURN").await;
        turns(&floor, &recorder, &mut drain, "K1").await;
        holds(&floor, &recorder, made.len() + 1).await;
        let (folder, backup) = (
            floor.dir.path().join("broker"),
            floor.dir.path().join("older"),
        );
        floor.kill_broker().await;
        if older {
            copy_folder(&folder, &backup);
        }
        floor.restart_broker().await;
        for stack in ["K2", "K3", "K4"] {
            turns(&floor, &recorder, &mut drain, stack).await;
        }
        holds(&floor, &recorder, made.len() + 4).await;
        floor.folded(&scheduler).await;
        let all = ids(&floor).await;
        let records = floor.worker("records");
        written_down(&floor, &records, all.len()).await;
        drop(records);

        floor.kill_broker().await;
        std::fs::remove_dir_all(&folder).unwrap();
        if older {
            std::fs::rename(&backup, &folder).unwrap();
        }
        floor.restart_broker().await;
        let records = floor.worker("records");
        if !older {
            // What no station of ours had told: the test did.
            until(
                "the streams",
                || scheduler.log(),
                async || floor.bus.publish_facts(&made).await.ok(),
            )
            .await;
        }
        holds(&floor, &recorder, all.len()).await;
        assert_eq!(ids(&floor).await, all, "older folder: {older}");
        assert_eq!(floor.log().await.len(), all.len(), "each once");
        floor.folded(&scheduler).await;
        let census = floor.ask_as_people_do(&["floor", "--wheels"]).await.well();
        let census: Vec<WheelRow> = serde_json::from_str(&census).unwrap();
        assert_eq!(census.len(), WHEELS);
        let due = floor.ask_as_people_do(&["due"]).await.well();
        assert!(!due.contains("\"turn\""), "every wheel was turned: {due}");
        // The ledger has them in the order in which they were first told, and that is no harm.
        written_down(&floor, &records, all.len()).await;
        for said in ["log-", "sent-again-drain-1"] {
            told(&floor, &scheduler, said).await;
        }
    }
}
