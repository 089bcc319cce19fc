//! The published schemas fit the facts.

use std::collections::{BTreeMap, BTreeSet};

use facts::{Event, TYPES};
use floor_tests::{project, run};
use jsonschema::Validator;
use proptest::prelude::*;
use proptest::strategy::ValueTree as _;
use proptest::test_runner::TestRunner;
use serde_json::Value;

/// Enough for several of each type.
const FACTS: usize = 4_000;

fn document(name: &str) -> Value {
    let path = project().join("crates/facts/schema").join(name);
    let text = std::fs::read_to_string(&path)
        .unwrap_or_else(|e| panic!("{}: {e}: run `wheelward facts schema`", path.display()));
    serde_json::from_str(&text).unwrap()
}

#[tokio::test]
async fn the_schemas_in_the_project_are_those_of_the_program() {
    let said = run(&["facts", "schema", "--check"]).await;
    assert_eq!(said.code, Some(0), "{}", said.err);
}

#[test]
fn whatever_a_fact_says_fits_the_published_schema_of_its_type() {
    let validators: BTreeMap<&str, Validator> = TYPES
        .iter()
        .map(|info| {
            let schema = document(&format!("{}.json", info.ty));
            jsonschema::meta::validate(&schema).unwrap();
            (info.ty, jsonschema::validator_for(&schema).unwrap())
        })
        .collect();
    let mut left: BTreeSet<&str> = validators.keys().copied().collect();
    let mut runner = TestRunner::deterministic();
    for _ in 0..FACTS {
        let event = any::<Event>().new_tree(&mut runner).unwrap().current();
        let body: Value = serde_json::from_slice(&event.write().unwrap()).unwrap();
        let wrong: Vec<_> = validators[event.ty()].iter_errors(&body).collect();
        assert!(wrong.is_empty(), "{} {body}: {wrong:?}", event.ty());
        left.remove(event.ty());
    }
    assert!(left.is_empty(), "never tried: {left:?}");
    // A schema that lets everything through would pass as well.
    for (ty, validator) in &validators {
        assert!(!validator.is_valid(&Value::from("no fact")), "{ty}");
        assert!(!validator.is_valid(&serde_json::json!({})), "{ty}");
    }
}

#[test]
fn the_asyncapi_document_has_a_channel_and_a_message_for_every_type() {
    let document = document("asyncapi.json");
    assert_eq!(document["asyncapi"], "3.0.0");
    let address =
        |info: &facts::TypeInfo| format!("floor.{{site}}.{}.{}.{{station}}", info.noun, info.verb);
    for info in TYPES {
        let key = format!("{}_{}", info.noun, info.verb);
        assert_eq!(document["components"]["messages"][&key]["name"], info.ty);
        assert_eq!(document["channels"][&key]["address"], address(info));
    }
    let count = |at: &Value| at.as_object().unwrap().len();
    assert_eq!(count(&document["channels"]), TYPES.len());
    assert_eq!(count(&document["components"]["messages"]), TYPES.len());
}
