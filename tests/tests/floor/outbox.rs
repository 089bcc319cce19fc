//! Whoever looks into a station's outbox, while its worker runs and where there is none.

use floor_tests::{Floor, run, time, until};

#[tokio::test(flavor = "multi_thread")]
async fn an_outbox_is_listed_and_its_facts_are_rescued_while_its_worker_runs() {
    let mut floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
    let recorder = floor.worker("move-recorder");
    let mut drain = floor.scanner("drain-1", &recorder).await;
    drain.scan("A.TURN").await;
    drain.scan("W.311-01").await;
    let folder = floor.dir.path().join("data/move-recorder/outbox");
    let folder = folder.to_str().unwrap();
    until(
        "one fact to be sent",
        || recorder.log(),
        async || {
            floor.tick().await;
            let said = run(&["outbox", folder, "--json"]).await.well();
            let said: serde_json::Value = serde_json::from_str(&said).unwrap();
            (said["stations"]["drain-1"]["sent"] == 1).then_some(())
        },
    )
    .await;
    floor.kill_broker().await;
    drain.scan("W.311-02").await;
    let file = floor.dir.path().join("rescued.ndjson");
    let file = file.to_str().unwrap();
    let said = run(&["outbox", folder, "--rescue", file]).await.well();
    let row = said.lines().find(|line| line.contains("drain-1")).unwrap();
    let row: Vec<&str> = row.split_whitespace().collect();
    assert_eq!(row, ["drain-1", "1", "1", "0", "1", "to", "2"], "{said}");
    let rescued = std::fs::read_to_string(file).unwrap();
    let numbers = rescued
        .lines()
        .map(|line| match facts::wire::from_line(line) {
            Ok(facts::wire::Read::Fact(fact)) => fact.station_seq,
            other => panic!("{line}: {other:?}"),
        });
    assert_eq!(numbers.collect::<Vec<_>>(), [1, 2]);
    // Never over what is there, and no empty list of what is no outbox.
    let again = run(&["outbox", folder, "--rescue", file]).await;
    assert_eq!(again.code, Some(1), "{again:?}");
    let none = run(&["outbox", "nowhere"]).await;
    assert_eq!(none.code, Some(1), "{none:?}");
    assert!(
        none.err.contains("no outbox can be read in nowhere"),
        "{none:?}"
    );
}
