//! Recipes at the command line: checked, shown, compared on a recorded floor.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use floor_tests::{Said, project, run, run_in, wheelward};
use serde_json::Value;
use tempfile::TempDir;

const RECIPE: &str = include_str!("../../data/larkholm-blue.toml");

/// A morning of the recorded floor.
const AT: &str = "2026-03-13T05:00:00Z";

/// A folder with the recipe as `a.toml`, and changed as `b.toml`.
fn folder(changes: &[(&str, &str)]) -> TempDir {
    let folder = TempDir::new().unwrap();
    std::fs::write(folder.path().join("a.toml"), RECIPE).unwrap();
    std::fs::write(folder.path().join("b.toml"), changed(changes)).unwrap();
    folder
}

fn changed(changes: &[(&str, &str)]) -> String {
    changes
        .iter()
        .fold(RECIPE.to_owned(), |text, (right, other)| {
            assert!(text.contains(right), "{right}");
            text.replace(right, other)
        })
}

/// Piercing four days sooner, under a version of its own.
const SOONER: [(&str, &str); 2] = [
    ("version = 1", "version = 2"),
    (
        "earliest = 34, due = 38, latest = 42",
        "earliest = 30, due = 34, latest = 38",
    ),
];

fn recorded() -> PathBuf {
    project().join("tests/data/larkholm-70-days.ndjson")
}

/// Compares `a.toml` with `b.toml` on a floor.
async fn compare(folder: &Path, facts: &Path, more: &[&str]) -> Said {
    let site = project().join("deploy/demo/larkholm.toml");
    let (facts, site) = (facts.to_str().unwrap(), site.to_str().unwrap());
    let args = [
        "recipe", "compare", "a.toml", "b.toml", "--replay", facts, "--at", AT, "--site", site,
    ];
    run_in(folder, &[&args[..], more].concat()).await
}

/// The same, for machines: what changes on the floor.
async fn on_the_floor(folder: &Path) -> Value {
    let said = compare(folder, &recorded(), &["--json"]).await.well();
    serde_json::from_str::<Value>(&said).unwrap()["floor"].take()
}

fn wheels(changes: &Value) -> BTreeSet<String> {
    let changes = changes.as_array().unwrap().iter();
    let wheels = changes.flat_map(|change| change["wheels"].as_array().unwrap());
    wheels.map(|w| w.as_str().unwrap().to_owned()).collect()
}

#[tokio::test]
async fn every_wrong_recipe_is_named_with_line_and_column_and_exit_code_4() {
    let folder = folder(&[("earliest = 34, due = 38", "earliest = 39, due = 38")]);
    std::fs::write(
        folder.path().join("c.toml"),
        changed(&[("[grade]", "[grading]")]),
    )
    .unwrap();
    let said = run_in(
        folder.path(),
        &["recipe", "check", "b.toml", "a.toml", "c.toml"],
    )
    .await;
    assert_eq!(said.code, Some(4), "{}", said.err);
    assert_eq!(said.out, "a.toml: recipe larkholm-blue v1 is right\n");
    for (file, text, at, column) in [
        (
            "b.toml",
            changed(&[("earliest = 34, due = 38", "earliest = 39, due = 38")]),
            "{ earliest = 39",
            12,
        ),
        (
            "c.toml",
            changed(&[("[grade]", "[grading]")]),
            "[grading]",
            2,
        ),
    ] {
        let line = 1 + text[..text.find(at).unwrap()].matches('\n').count();
        let place = format!("{file}:{line}:{column}: ");
        assert!(said.err.contains(&place), "{place} is not in {}", said.err);
    }
}

#[test]
fn a_recipe_is_shown_within_the_columns_of_the_terminal() {
    let file = project().join("tests/data/larkholm-blue.toml");
    for columns in [60, 80, 100, 200] {
        let shown = std::process::Command::new(wheelward())
            .args(["recipe", "show", file.to_str().unwrap()])
            .env("COLUMNS", columns.to_string())
            .output()
            .unwrap();
        assert!(shown.status.success());
        let text = String::from_utf8(shown.stdout).unwrap();
        let widest = text.lines().map(|line| line.chars().count()).max();
        assert!(widest <= Some(columns), "{columns} columns:\n{text}");
        assert!(text.contains("leave for EXPORT  "), "{text}");
        assert!(text.contains("best at 38"), "{text}");
    }
}

#[tokio::test]
async fn two_recipes_differ_in_the_rules_that_were_changed() {
    let folder = folder(&SOONER);
    let args = ["recipe", "compare", "a.toml", "b.toml", "--json"];
    let said = run_in(folder.path(), &args).await.well();
    let compared: Value = serde_json::from_str(&said).unwrap();
    let differences = compared["differences"].as_array().unwrap();
    let rules: Vec<_> = differences.iter().map(|d| &d["what"]).collect();
    assert_eq!(rules, ["pierce"]);
    assert_eq!(compared["floor"], Value::Null);
    let same = ["recipe", "compare", "a.toml", "a.toml"];
    let said = run_in(folder.path(), &same).await.well();
    assert!(said.contains("Their rules are the same."), "{said}");
}

#[tokio::test]
async fn two_recipes_under_one_version_are_said_to_need_two() {
    let folder = folder(&SOONER[1..]);
    let said = run_in(folder.path(), &["recipe", "compare", "a.toml", "b.toml"]).await;
    let said = said.well();
    assert!(said.contains("give B a version of its own"), "{said}");
}

/// The census tells which wheels have not been pierced; the comparison never sees it.
#[tokio::test]
async fn an_earlier_piercing_moves_that_action_alone_for_every_wheel_still_to_be_pierced() {
    let folder = folder(&SOONER);
    let floor = on_the_floor(folder.path()).await;
    for change in floor["changes"].as_array().unwrap() {
        assert_eq!(change["action"], "pierce", "{change}");
        for edge in ["opens", "due", "closes"] {
            assert_eq!(change["moves"][edge], -4, "{change}");
        }
    }
    let recipe = project().join("tests/data/larkholm-blue.toml");
    let census = run(&[
        "replay",
        recorded().to_str().unwrap(),
        "--recipe",
        recipe.to_str().unwrap(),
        "--time-zone",
        "Europe/London",
        "--at",
        AT,
        "--json",
        "floor",
        "--wheels",
    ])
    .await
    .well();
    let census: Vec<Value> = serde_json::from_str(&census).unwrap();
    let is = |row: &Value, what: &str| row[what].as_bool().unwrap();
    let to_pierce: BTreeSet<String> = census
        .iter()
        .filter(|row| is(row, "unhooped") && !is(row, "pierced"))
        .filter(|row| !is(row, "dispatched") && !is(row, "discarded"))
        .map(|row| row["wheel"].as_str().unwrap().to_owned())
        .collect();
    assert!(!to_pierce.is_empty());
    assert_eq!(wheels(&floor["changes"]), to_pierce);
    assert_eq!(floor["changed"], to_pierce.len());
}

#[tokio::test]
async fn a_new_hold_keeps_in_what_could_have_left() {
    let folder = folder(&[(
        "[grade]",
        "[[hold]]\nid = \"Q-LAB\"\nreason = \"no answer yet\"\n\n[grade]",
    )]);
    let floor = on_the_floor(folder.path()).await;
    let changes = floor["changes"].as_array().unwrap();
    assert!(!changes.is_empty());
    for change in changes {
        assert_eq!(change["action"], "dispatch", "{change}");
        assert_eq!(change["a"]["waits"], Value::Null, "{change}");
        assert_eq!(change["b"]["waits"], "held", "{change}");
    }
}

#[tokio::test]
async fn wheels_that_go_by_another_version_do_not_change() {
    let folder = folder(&SOONER);
    let draft = changed(&[("version = 1", "version = 3")]);
    std::fs::write(folder.path().join("a.toml"), draft).unwrap();
    let floor = on_the_floor(folder.path()).await;
    assert_eq!(floor["by_a"], 0);
    assert_eq!(floor["changes"].as_array().unwrap().len(), 0);
}

#[tokio::test]
async fn a_line_that_is_no_fact_is_named_once_and_the_same_recipe_changes_nothing() {
    let folder = folder(&[]);
    let facts = std::fs::read_to_string(recorded()).unwrap();
    let facts: Vec<&str> = facts.lines().take(5_000).chain(["no fact"]).collect();
    let file = folder.path().join("facts.ndjson");
    std::fs::write(&file, facts.join("\n")).unwrap();
    let said = compare(folder.path(), &file, &[]).await;
    assert_eq!(said.err.matches(": skipped").count(), 1, "{}", said.err);
    assert!(said.err.contains("facts.ndjson:5001: "), "{}", said.err);
    let said = said.well();
    assert!(said.contains("By B nothing changes for them."), "{said}");
}

#[tokio::test]
async fn a_floor_to_compare_on_needs_its_facts_its_instant_and_its_site() {
    let folder = folder(&SOONER);
    for alone in [
        ["--replay", "facts.ndjson"],
        ["--at", AT],
        ["--site", "s.toml"],
    ] {
        let args = [&["recipe", "compare", "a.toml", "b.toml"], &alone[..]].concat();
        let said = run_in(folder.path(), &args).await;
        assert_eq!(said.code, Some(2), "{alone:?}: {}", said.err);
    }
}
