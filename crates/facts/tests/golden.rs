//! The wire as it was: one checked-in line of every type of fact, fully filled and minimal.
//! A field that is renamed, dropped, or read in another way does not pass.
//!
//! After adding a type or an optional field, `WHEELWARD_GOLDEN=add` adds the lines that are
//! missing. Lines that are there are never changed: logs hold facts written as they are.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use facts::wire::{self, Read};
use facts::{Event, Fact, TYPES, TypeInfo};
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use schemars::SchemaGenerator;
use serde_json::Value;

/// Examples looked at to find a full and a minimal one of each type.
const LOOKED_AT: usize = 20_000;

fn path() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden.ndjson")
}

fn lines() -> Vec<String> {
    let text = std::fs::read_to_string(path()).unwrap_or_default();
    text.lines().map(str::to_owned).collect()
}

fn data(line: &str) -> Value {
    let line: Value = serde_json::from_str(line).unwrap();
    line["data"].clone()
}

/// What a body of the type may say.
fn properties(info: &TypeInfo) -> BTreeSet<String> {
    let mut generator = SchemaGenerator::default();
    let _ = (info.schema)(&mut generator);
    let definitions = generator.take_definitions(true);
    let schema = &definitions[info.body];
    let properties = schema["properties"].as_object().cloned();
    properties.unwrap_or_default().keys().cloned().collect()
}

fn keys(value: &Value) -> usize {
    match value {
        Value::Object(fields) => {
            fields.values().filter(|v| !v.is_null()).count()
                + fields.values().map(keys).sum::<usize>()
        }
        Value::Array(items) => items.len().min(1) + items.iter().map(keys).sum::<usize>(),
        _ => 0,
    }
}

fn said(value: &Value) -> BTreeSet<String> {
    let fields = value.as_object().cloned().unwrap_or_default();
    fields
        .into_iter()
        .filter(|(_, v)| !v.is_null())
        .map(|(name, _)| name)
        .collect()
}

fn line_of(event: Event) -> String {
    let at = "2026-03-02T06:30:00.25Z".parse().unwrap();
    let fact = Fact {
        id: "0190b6b0-0000-7000-8000-000000000001".parse().unwrap(),
        site: "larkholm".parse().unwrap(),
        station: "office".parse().unwrap(),
        station_seq: 7,
        person: Some("M1".parse().unwrap()),
        occurred_at: at,
        claimed_at: None,
        recorded_at: at,
        event,
    };
    wire::to_line(&fact).unwrap()
}

/// The same, with words that an editor shows.
fn plain(event: &Event) -> Event {
    fn words(value: &mut Value) {
        match value {
            Value::String(text) if !text.bytes().all(|b| b.is_ascii_graphic()) => {
                *text = "some words".to_owned();
            }
            Value::Array(items) => items.iter_mut().for_each(words),
            Value::Object(fields) => fields.values_mut().for_each(words),
            _ => {}
        }
    }
    let mut body: Value = serde_json::from_slice(&event.write().unwrap()).unwrap();
    words(&mut body);
    let body = serde_json::to_vec(&body).unwrap();
    Event::read(event.ty(), &body).unwrap().unwrap()
}

/// The fullest and the barest of many, the shortest of them.
fn examples() -> BTreeMap<&'static str, (String, String)> {
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let mut found: BTreeMap<&'static str, (String, String)> = BTreeMap::new();
    for _ in 0..LOOKED_AT {
        let event = any::<Event>().new_tree(&mut runner).unwrap().current();
        let ty = event.ty();
        let line = line_of(plain(&event));
        let weight = |line: &str| (said(&data(line)).len(), keys(&data(line)).min(12));
        let (full, bare) = found
            .entry(ty)
            .or_insert_with(|| (line.clone(), line.clone()));
        if (weight(&line), full.len()) > (weight(full), line.len()) {
            full.clone_from(&line);
        }
        if (weight(&line), line.len()) < (weight(bare), bare.len()) {
            *bare = line;
        }
    }
    found
}

fn add_missing(lines: &mut Vec<String>) {
    let examples = examples();
    for info in TYPES {
        let of_type =
            |line: &&String| serde_json::from_str::<Value>(line).unwrap()["type"] == info.ty;
        let have: Vec<_> = lines.iter().filter(of_type).cloned().collect();
        let (full, bare) = &examples[info.ty];
        let all = properties(info);
        if !have.iter().any(|line| said(&data(line)) == all) {
            lines.push(full.clone());
        }
        if have.is_empty() && full != bare {
            lines.push(bare.clone());
        }
    }
    std::fs::write(path(), lines.join("\n") + "\n").unwrap();
}

#[test]
fn every_type_reads_and_writes_as_it_always_has() {
    let mut lines = lines();
    if std::env::var("WHEELWARD_GOLDEN").is_ok_and(|what| what == "add") {
        add_missing(&mut lines);
    }
    let mut full: BTreeMap<String, BTreeSet<String>> = BTreeMap::new();
    for line in &lines {
        let Read::Fact(fact) = wire::from_line(line).unwrap() else {
            panic!("a type that was written is no longer known: {line}");
        };
        assert_eq!(
            &wire::to_line(&fact).unwrap(),
            line,
            "is written in another way now"
        );
        full.entry(fact.event.ty().to_owned())
            .or_default()
            .extend(said(&data(line)));
    }
    for info in TYPES {
        let ty = info.ty;
        let Some(said) = full.get(ty) else {
            panic!("{ty} has no golden line: run this with WHEELWARD_GOLDEN=add");
        };
        assert_eq!(
            said,
            &properties(info),
            "{ty} has fields that no golden line fills: run this with WHEELWARD_GOLDEN=add"
        );
    }
}

#[test]
fn a_renamed_field_does_not_pass() {
    // The test of the test: a line whose field is called otherwise either does not read, or
    // is not written back as it was.
    for line in lines() {
        for field in said(&data(&line)) {
            let renamed = line.replacen(&format!("\"{field}\":"), &format!("\"{field}_\":"), 1);
            if renamed == line || !renamed.contains("\"data\"") {
                continue;
            }
            if let Ok(Read::Fact(fact)) = wire::from_line(&renamed) {
                assert_ne!(wire::to_line(&fact).unwrap(), renamed, "{field} of {line}");
            }
        }
    }
}
