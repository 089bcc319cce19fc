//! A running floor's workers and a file of its facts, asked the same: they answer alike,
//! because both call the same functions.

use std::collections::BTreeSet;

use facts::wire::{self, Read};
use facts::{Event, Fact};
use floor_tests::{Floor, Past, project, run_in, time, until};
use serde_json::Value;

/// Monday morning after the recorded days.
const MONDAY: &str = "2026-03-16T06:30:00Z";

/// What is asked, and whether of a file by `--facts` instead of `--replay`.
const ASKED: [(&[&str], bool); 9] = [
    (&["plan", "--crew", "crew.toml"], false),
    (&["plan", "--crew", "crew.toml", "--days", "5"], false),
    (&["rooms", "--weeks", "3"], false),
    (&["rooms", "--makes", "makes.toml"], false),
    (&["roll-call", "--week"], false),
    (&["roll-call", "--summary"], false),
    (&["portions", "--days", "60"], true),
    (&["portions", "--batch", "260209A"], true),
    (&["forecast", "260209A", "--pierce-later", "3"], true),
];

#[tokio::test(flavor = "multi_thread")]
async fn a_running_floor_answers_what_a_file_of_its_facts_does() {
    let floor = Floor::start(time(MONDAY)).await;
    for file in ["crew.toml", "makes.toml"] {
        let from = project().join("deploy/demo").join(file);
        std::fs::copy(from, floor.dir.path().join(file)).unwrap();
    }
    let recorded = include_str!("../../data/larkholm-70-days.ndjson");
    let recorded = recorded.lines().map(|line| match wire::from_line(line) {
        Ok(Read::Fact(fact)) => fact,
        other => panic!("{line}: {other:?}"),
    });
    floor.store(&recorded.collect::<Vec<Fact>>()).await;
    let scheduler = floor.worker("scheduler");
    let forecaster = floor.worker("forecaster");
    let log = || [scheduler.log(), forecaster.log()].concat();
    until("a forecast", log, async || {
        floor.tick().await;
        let query = serde_json::json!({});
        floor
            .bus
            .ask::<Vec<Value>>(&floor.site.id, "forecast", &query)
            .await
            .ok()
    })
    .await;
    // Forecasts that were stated meanwhile are folded too.
    let unlike = std::cell::RefCell::new(String::new());
    let unlike_log = || unlike.borrow().clone();
    until("the same answers", unlike_log, async || {
        floor.folded(&scheduler).await;
        let export = ["facts", "export", "--out", "facts.ndjson"];
        let url = floor.url();
        let to = ["--broker", &url, "--site-id", "larkholm"];
        let _ = run_in(floor.dir.path(), &[&export[..], &to].concat())
            .await
            .well();
        for (asked, _) in ASKED {
            let (is, should) = (running(&floor, asked).await, of_file(&floor, asked).await);
            let same = match asked.first() {
                Some(&"forecast") => alike(&is, &should),
                _ => is == should,
            };
            if !same {
                *unlike.borrow_mut() = format!("{asked:?}\n{is:#}\n{should:#}");
                return None;
            }
        }
        Some(())
    })
    .await;
}

#[tokio::test(flavor = "multi_thread")]
async fn a_recall_of_a_running_floor_is_that_of_a_file_of_its_facts() {
    let floor = Floor::start(time(MONDAY)).await;
    let recorded = concat!(
        include_str!("../../data/larkholm-lots.ndjson"),
        include_str!("../../data/larkholm-70-days.ndjson")
    );
    let facts = recorded.lines().map(|line| match wire::from_line(line) {
        Ok(Read::Fact(fact)) => fact,
        other => panic!("{line}: {other:?}"),
    });
    floor.store(&facts.collect::<Vec<Fact>>()).await;
    let records = floor.worker("records");
    until(
        "the records to be read",
        || records.log(),
        async || {
            floor.tick().await;
            let query = serde_json::json!(null);
            let asked = floor.bus.ask::<Value>(&floor.site.id, "records", &query);
            asked.await.ok()
        },
    )
    .await;
    let export = ["facts", "export", "--out", "facts.ndjson"];
    let url = floor.url();
    let to = ["--broker", &url, "--site-id", "larkholm"];
    let exported = run_in(floor.dir.path(), &[&export[..], &to].concat()).await;
    let _ = exported.well();
    let asked: [&[&str]; 7] = [
        &["--lot", "CUL260105"],
        &["--lot", "CUL260105", "--no-contact"],
        &["--batch", "260209A"],
        &["--batch", "260209a", "--lost-after-days", "30"],
        &["--wheel", "260209A-03", "--wheel", "260209A-04"],
        &[
            "--made",
            "--from",
            "2026-02-01T00:00:00Z",
            "--to",
            "2026-02-03T00:00:00Z",
        ],
        &[
            "--room",
            "R1",
            "--from",
            "2026-02-01T00:00:00Z",
            "--to",
            "2026-02-03T00:00:00Z",
        ],
    ];
    let mut wheels = 0;
    for asked in asked {
        let file = [
            "--facts",
            "facts.ndjson",
            "--at",
            MONDAY,
            "--site",
            "larkholm.toml",
        ];
        for json in [true, false] {
            let how = if json { vec!["--json"] } else { vec!["--all"] };
            let recall = [&["recall"], asked, &how].concat();
            let is = match json {
                true => floor.ask_as_people_do(&[&["recall"], asked].concat()).await,
                false => run_in(floor.dir.path(), &[&recall[..], &to].concat()).await,
            };
            let is = is.well();
            let should = run_in(floor.dir.path(), &[&recall[..], &file].concat())
                .await
                .well();
            if json {
                let (is, should): (Value, Value) = (
                    serde_json::from_str(&is).unwrap(),
                    serde_json::from_str(&should).unwrap(),
                );
                assert_eq!(is, should, "{asked:?}");
                wheels += is["wheels"].as_array().unwrap().len();
            } else {
                assert_eq!(is, should, "{asked:?}");
            }
        }
    }
    assert!(wheels > 100, "{wheels} wheels in all");
    // A name that nobody knows is no all-clear, nor is a floor where nobody answers.
    let unknown = run_in(
        floor.dir.path(),
        &[&["recall", "--lot", "CUL2601O5"][..], &to].concat(),
    )
    .await;
    assert_eq!(unknown.code, Some(1), "{unknown:?}");
    assert!(
        unknown.err.contains("CUL2601O5") && unknown.out.is_empty(),
        "{unknown:?}"
    );
    drop(records);
    let asked = [&["recall", "--lot", "CUL260105"][..], &to].concat();
    let nobody = run_in(floor.dir.path(), &asked).await;
    assert_eq!(nobody.code, Some(3), "{nobody:?}");
}

#[tokio::test(flavor = "multi_thread")]
async fn portions_of_batches_that_were_put_away_are_judged_as_a_file_of_facts_judges_them() {
    let mut floor = Floor::start(time(MONDAY)).await;
    let path = floor.site_file();
    let text = std::fs::read_to_string(&path).unwrap();
    let sooner = text.replace("closed_after_days = 60", "closed_after_days = 30");
    assert_ne!(sooner, text);
    std::fs::write(&path, sooner).unwrap();
    let past = Past::of(&floor.site, 1, 200);
    floor.now = past.end;
    let portioned = past.facts.iter().filter_map(|fact| match &fact.event {
        Event::WheelPortioned(born) => Some(born.batch.to_string()),
        _ => None,
    });
    let batches: BTreeSet<String> = portioned.collect();
    let lines: String = past
        .facts
        .iter()
        .map(|fact| wire::to_line(fact).unwrap() + "\n")
        .collect();
    std::fs::write(floor.dir.path().join("facts.ndjson"), lines).unwrap();
    let mut scheduler = floor.worker("scheduler");
    floor.folded(&scheduler).await;
    floor.store(&past.facts).await;
    floor.folded(&scheduler).await;
    // From what is stored: what is closed stays on the disk.
    scheduler.end("TERM").await;
    let scheduler = floor.worker("scheduler");
    floor.folded(&scheduler).await;
    let at = floor.now.to_rfc3339();
    let mut asked: Vec<Vec<&str>> = ["40", "180"]
        .map(|days| vec!["portions", "--days", days])
        .into();
    for nth in [0, 1, 20, 45, 70] {
        asked.push(vec![
            "portions",
            "--batch",
            batches.iter().nth(nth).unwrap(),
        ]);
    }
    for asked in asked {
        let is = running(&floor, &asked).await;
        let file = [
            "--facts",
            "facts.ndjson",
            "--at",
            &at,
            "--site",
            "larkholm.toml",
            "--json",
        ];
        let said = run_in(floor.dir.path(), &[&asked[..], &file].concat()).await;
        let should: Value = serde_json::from_str(&said.well()).unwrap();
        assert_eq!(is, should, "{asked:?}");
    }
}

async fn running(floor: &Floor, asked: &[&str]) -> Value {
    let site = ["--site", "larkholm.toml"];
    let said = floor.ask_as_people_do(&[asked, &site].concat()).await;
    serde_json::from_str(&said.well()).unwrap()
}

async fn of_file(floor: &Floor, asked: &[&str]) -> Value {
    let by_facts = ASKED.iter().any(|(of, by_facts)| *of == asked && *by_facts);
    let from = if by_facts { "--facts" } else { "--replay" };
    let file = [
        from,
        "facts.ndjson",
        "--at",
        MONDAY,
        "--site",
        "larkholm.toml",
        "--json",
    ];
    let said = run_in(floor.dir.path(), &[asked, &file].concat()).await;
    serde_json::from_str(&said.well()).unwrap()
}

/// The same, but that a forecaster keeps a room's air by the hour: its figures may differ by a
/// hundredth or two, its days may not.
fn alike(is: &Value, should: &Value) -> bool {
    match (is, should) {
        (Value::Number(is), Value::Number(should)) if is.is_f64() => {
            let (is, should) = (is.as_f64().unwrap(), should.as_f64().unwrap());
            (is - should).abs() <= 0.02 * should.abs() + 0.01
        }
        (Value::Array(is), Value::Array(should)) => {
            is.len() == should.len() && is.iter().zip(should).all(|(is, of)| alike(is, of))
        }
        (Value::Object(is), Value::Object(should)) => {
            let same = |(key, is)| should.get(key).is_some_and(|of| alike(is, of));
            is.len() == should.len() && is.iter().all(same)
        }
        (is, should) => is == should,
    }
}
