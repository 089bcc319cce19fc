//! The release before this one. `data/earlier/log.ndjson` was written by its own code, as it
//! wrote to the broker: two batches' lives and five wheels' ends out of the recorded 70 days,
//! and every type of fact that it could state, full and bare. `data/earlier/schemas.ndjson` are
//! the schemas that it published of what it reads.

use std::collections::{BTreeMap, BTreeSet};

use async_nats::{HeaderMap, jetstream};
use facts::wire::{self, Read};
use facts::{FactId, TYPES};
use floor_tests::{Floor, project, time, until, within};
use jsonschema::Validator;
use serde::Deserialize;
use serde_json::Value;

/// A message as the broker has it.
#[derive(Deserialize)]
struct Line {
    subject: String,
    headers: Vec<(String, String)>,
    body: String,
}

fn file(path: &str) -> String {
    std::fs::read_to_string(project().join(path)).unwrap()
}

fn log() -> Vec<Line> {
    let text = file("tests/data/earlier/log.ndjson");
    text.lines()
        .map(|line| serde_json::from_str(line).unwrap())
        .collect()
}

/// Publishes as that release did, on subjects that do not name the station.
async fn publish(floor: &Floor, line: &Line) {
    let mut headers = HeaderMap::new();
    for (name, value) in &line.headers {
        headers.insert(name.as_str(), value.as_str());
    }
    let jetstream = jetstream::new(floor.bus.client().clone());
    let body = line.body.clone().into();
    let sent = jetstream.publish_with_headers(line.subject.clone(), headers, body);
    let stored = within("the broker's word", async { sent.await.unwrap().await });
    stored.await.unwrap();
}

#[tokio::test(flavor = "multi_thread")]
async fn the_log_of_the_release_before_is_folded_to_the_answers_that_were_recorded() {
    let log = log();
    let types: BTreeSet<&str> = log
        .iter()
        .flat_map(|line| line.headers.iter())
        .filter(|(name, _)| name == "ce-type")
        .map(|(_, ty)| ty.as_str())
        .collect();
    assert_eq!(types.len(), earlier_types().len(), "a type is missing");
    let floor = Floor::start(time("2026-03-16T03:59:59Z")).await;
    for line in &log {
        publish(&floor, line).await;
    }
    let scheduler = floor.worker("scheduler");
    floor.folded(&scheduler).await;
    assert_eq!(
        floor.stream(bus::REJECTED).await.len(),
        0,
        "{}",
        scheduler.log()
    );
    let census = floor.ask_as_people_do(&["floor", "--wheels"]).await.well();
    let picture: Value = serde_json::from_str(&census).unwrap();
    let mut wheels = Vec::new();
    for row in picture.as_array().unwrap() {
        let wheel = [
            "wheel",
            "batch",
            "turns",
            "room",
            "grade",
            "pierced",
            "unhooped",
            "labelled",
            "holds",
            "dispatched",
            "discarded",
            "returned",
        ];
        let said = wheel.map(|name| row.get(name).map(Value::to_string).unwrap_or_default());
        wheels.push(said.join(" "));
    }
    let picture: Value = floor.asked("floor").await.unwrap();
    assert_eq!(picture["counts"]["unknown_types"], 0);
    assert_eq!(picture["counts"]["unreadable"], 0);
    // What was sent twice then is one fact now as well.
    let count = |what: &str| picture["counts"][what].as_u64().unwrap();
    assert_eq!(count("facts") + count("duplicates"), log.len() as u64);
    // Only now: the records state what holds owe to wheels.
    let records = floor.worker("records");
    let holds: Value = until(
        "the records to have read the log",
        || records.log(),
        async || {
            floor.tick().await;
            floor.asked("holds").await
        },
    )
    .await;
    let mut holds: Vec<String> = holds
        .as_array()
        .unwrap()
        .iter()
        .map(|hold| {
            let kept = hold["kept"].as_array().unwrap().len();
            format!("hold {} over {}: {kept} kept", hold["hold"], hold["keeps"])
        })
        .collect();
    holds.sort();
    let counts = format!("{:#}", picture["counts"]);
    let words = [wheels.join("\n"), holds.join("\n"), counts].join("\n\n");
    insta::assert_snapshot!("answers", words);
}

fn earlier_types() -> BTreeMap<String, Validator> {
    let text = file("tests/data/earlier/schemas.ndjson");
    let lines = text.lines().map(|line| {
        let line: Value = serde_json::from_str(line).unwrap();
        let mut options = jsonschema::options();
        options = options.should_validate_formats(true);
        let validator = options.build(&line["schema"]).unwrap();
        (line["type"].as_str().unwrap().to_owned(), validator)
    });
    lines.collect()
}

/// What the release before makes of a message: a fact, a gap that it passes over, or, as an
/// error, something that it rejects. Its reader asks this of the attributes, and looks at no
/// other.
fn earlier_reads(
    types: &BTreeMap<String, Validator>,
    headers: &BTreeMap<&str, &str>,
    body: &Value,
) -> Result<bool, String> {
    let header = |name: &str| {
        headers
            .get(name)
            .copied()
            .ok_or_else(|| format!("{name} is missing"))
    };
    let date = |name: &str| {
        chrono::DateTime::parse_from_rfc3339(header(name)?).map_err(|e| format!("{name}: {e}"))
    };
    let code = |text: &str| {
        let plain = |b: u8| b.is_ascii_alphanumeric() || b == b'_' || b == b'-';
        let good = (1..=20).contains(&text.len()) && text.bytes().all(plain);
        good.then_some(())
            .ok_or_else(|| format!("{text:?} is no code"))
    };
    if header("ce-specversion")? != "1.0" || header("ce-datacontenttype")? != "application/json" {
        return Err("another version or kind".to_owned());
    }
    header("ce-id")?
        .parse::<FactId>()
        .map_err(|e| e.to_string())?;
    let source = header("ce-source")?.strip_prefix("/sites/");
    let (site, station) = source
        .and_then(|rest| rest.split_once("/stations/"))
        .ok_or("another source")?;
    code(site)?;
    code(station)?;
    date("ce-time")?;
    date("ce-recordedtime")?;
    header("ce-sequence")?
        .parse::<u64>()
        .map_err(|e| e.to_string())?;
    headers.get("ce-authid").copied().map(code).transpose()?;
    match types.get(header("ce-type")?) {
        None => Ok(false),
        Some(schema) => match schema.iter_errors(body).next() {
            None => Ok(true),
            Some(wrong) => Err(wrong.to_string()),
        },
    }
}

#[test]
fn the_release_before_reads_what_this_one_states_or_passes_over_it_and_rejects_nothing() {
    let types = earlier_types();
    let (mut read, mut passed_over) = (BTreeSet::new(), BTreeSet::new());
    let golden = file("crates/facts/tests/golden.ndjson");
    for line in golden.lines() {
        let Ok(Read::Fact(fact)) = wire::from_line(line) else {
            panic!("{line}");
        };
        let binary = wire::to_binary(&fact).unwrap();
        let headers = binary
            .headers
            .iter()
            .map(|(n, v)| (*n, v.as_str()))
            .collect();
        let body = serde_json::from_slice(&binary.body).unwrap();
        let ty = fact.event.ty();
        match earlier_reads(&types, &headers, &body) {
            Ok(true) => read.insert(ty),
            Ok(false) => passed_over.insert(ty),
            Err(wrong) => panic!("the release before would reject {ty}: {wrong}\n{line}"),
        };
    }
    assert_eq!(read.len() + passed_over.len(), TYPES.len());
    // What it could read it still reads: no type was renamed or taken away.
    let could: BTreeSet<&str> = types.keys().map(String::as_str).collect();
    assert_eq!(read, could);
    // A model that lets everything through would show nothing.
    let mut headers = BTreeMap::from([
        ("ce-specversion", "1.0"),
        ("ce-datacontenttype", "application/json"),
        ("ce-id", "0190b6b0-0000-7000-8000-000000000001"),
        ("ce-source", "/sites/larkholm/stations/drain-1"),
        ("ce-type", "floor.wheel.turned.v1"),
        ("ce-time", "2026-03-02T06:30:00Z"),
        ("ce-recordedtime", "2026-03-02T06:30:00Z"),
        ("ce-sequence", "000000000007"),
    ]);
    let turned = serde_json::json!({ "wheels": ["311-01"], "via": null });
    assert_eq!(earlier_reads(&types, &headers, &turned), Ok(true));
    let renamed = serde_json::json!({ "cheeses": ["311-01"] });
    assert!(earlier_reads(&types, &headers, &renamed).is_err());
    headers.insert("ce-type", "floor.wheel.turned.v2");
    assert_eq!(earlier_reads(&types, &headers, &renamed), Ok(false));
    headers.remove("ce-sequence");
    assert!(earlier_reads(&types, &headers, &turned).is_err());
}
