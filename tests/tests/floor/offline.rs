//! The broker goes away while people scan.

use floor_tests::{Floor, Given, Scanner, Worker, time, until};
use ripening::answer::WheelRow;

const WHEELS: usize = 24;

async fn scan_all(scanner: &mut Scanner, codes: &[String], kept: &mut usize) {
    for code in codes {
        let answer = scanner.scan(code).await;
        if answer.starts_with("NEXT  ") {
            continue;
        }
        *kept += 1;
        let told = format!("(broker away, {kept} kept)");
        assert!(
            answer.starts_with("OK  ") && answer.ends_with(&told),
            "{code}: {answer}"
        );
    }
}

async fn knows_that_the_broker_is_away(worker: &Worker) {
    let what = format!("worker to notice {}", worker.pid());
    until(
        &what,
        || worker.log(),
        async || worker.log().contains("the broker is away").then_some(()),
    )
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn scans_while_the_broker_is_away_are_answered_ok_and_arrive_once_when_it_is_back() {
    let mut floor = Floor::start(time("2026-03-02T07:00:00Z")).await;
    let mut portioning = Given::at("portion-1");
    let earlier = floor.now - chrono::TimeDelta::hours(1);
    let made = &portioning.makes(earlier, "311", WHEELS).facts;
    floor.store(made).await;
    let scheduler = floor.worker("scheduler");
    let recorder = floor.worker("move-recorder");
    floor.folded(&scheduler).await;
    let mut drain = floor.scanner("drain-1", &recorder).await;
    let mut rub = floor.scanner("rub-1", &recorder).await;
    drain.scan("A.TURN").await;
    until(
        "the station to know the wheels",
        || recorder.log(),
        async || {
            floor.tick().await;
            (drain.scan("K.K1").await == "OK  6 wheels in stack K1 turned").then_some(())
        },
    )
    .await;
    until(
        "the turn to be stored",
        || recorder.log(),
        async || {
            let end = floor.bus.floor_end().await.ok()?;
            (end == made.len() as u64 + 1).then_some(())
        },
    )
    .await;

    floor.kill_broker().await;
    knows_that_the_broker_is_away(&recorder).await;
    // Two people at two stations; every wheel is turned by its hoop, unhooped by its stack,
    // rubbed up and loaded one by one.
    let mut kept = 0;
    let code = |letter: &str, n: usize| format!("{letter}{n}");
    let hoops: Vec<_> = (7..=WHEELS).map(|n| code("H.H", n)).collect();
    let stacks: Vec<_> = (1..=4).map(|n| code("K.K", n)).collect();
    let wheels: Vec<_> = (1..=WHEELS).map(|n| format!("W.311-{n:02}")).collect();
    let action = |codes: &[&str], things: &[String]| -> Vec<String> {
        let codes = codes.iter().map(|code| (*code).to_owned());
        codes.chain(things.iter().cloned()).collect()
    };
    scan_all(&mut drain, &hoops, &mut kept).await;
    scan_all(&mut rub, &action(&["A.UNHOOP"], &stacks), &mut kept).await;
    scan_all(&mut rub, &action(&["A.RUBUP"], &wheels), &mut kept).await;
    scan_all(&mut rub, &action(&["A.LOAD", "S.S07"], &wheels), &mut kept).await;
    assert_eq!(kept, 18 + 4 + 24 + 24);

    floor.restart_broker().await;
    let all = made.len() + 1 + kept;
    until(
        "what was kept to arrive",
        || recorder.log(),
        async || {
            floor.tick().await;
            let end = floor.bus.floor_end().await.ok()?;
            (end >= all as u64).then_some(())
        },
    )
    .await;
    floor.folded(&scheduler).await;
    let facts = floor.facts().await;
    assert_eq!(facts.len(), all);
    for station in ["drain-1", "rub-1"] {
        let of_it = facts.iter().filter(|f| f.station.as_str() == station);
        let numbers: Vec<u64> = of_it.map(|fact| fact.station_seq).collect();
        let expected: Vec<u64> = (1..=numbers.len() as u64).collect();
        assert_eq!(numbers, expected, "{station}: in order, each once");
    }
    let census = floor.ask_as_people_do(&["floor", "--wheels"]).await.well();
    let census: Vec<WheelRow> = serde_json::from_str(&census).unwrap();
    assert_eq!(census.len(), WHEELS);
    for row in census {
        let carrier = row.carrier.map(|carrier| carrier.to_string());
        assert_eq!(
            (
                row.turns,
                row.unhooped,
                row.rubbed_up,
                carrier.as_deref(),
                row.flags.len()
            ),
            (1, true, true, Some("stillage S07"), 0),
            "{}",
            row.wheel
        );
    }
    let picture = floor.ask_as_people_do(&["floor"]).await.well();
    let picture: serde_json::Value = serde_json::from_str(&picture).unwrap();
    assert_eq!(picture["counts"]["facts"], all);
    assert_eq!(picture["counts"]["duplicates"], 0);
    assert_eq!(picture["missing_facts"], 0);
}
