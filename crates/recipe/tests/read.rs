//! A recipe file reads, or says where and why not.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use recipe::{Origin, Recipe, RecipeBook};

/// Test data after common practice (no source), converted: not the demo's recipe.
const COMMON_PRACTICE: &str = include_str!("common-practice.toml");

fn parse(text: &str) -> Result<Recipe, String> {
    Recipe::parse(&Origin {
        file: "blue.toml",
        text,
    })
    .map_err(|e| e.to_string())
}

#[test]
fn a_whole_recipe_reads() {
    let recipe = parse(COMMON_PRACTICE).unwrap();
    assert_eq!(recipe.stages.len(), 3);
    assert_eq!(recipe.pierce.age.due, 35);
    let local = recipe.markets[0].dispatch_ages();
    assert_eq!(
        (local.least, local.most),
        (56, 63),
        "local shops: shipped at 8 to 9 weeks"
    );
}

/// 21 CFR 133.106(a)(1): blue cheese is at least 60 days old, so a wheel for that
/// market may not arrive at 8 weeks (56 days).
#[test]
fn a_legal_minimum_age_moves_the_dispatch_window() {
    let recipe = parse(COMMON_PRACTICE).unwrap();
    let export = recipe.markets[1].dispatch_ages();
    assert_eq!(recipe.markets[1].legal_least_age_days, Some(60));
    assert_eq!((export.least, export.most), (60 - 14, 63 - 14));
}

#[test]
fn every_mistake_is_named_at_its_line_and_column() {
    let cases = [
        (
            "earliest = 33, due = 35",
            "earliest = 36, due = 35",
            "pierce.age_days must rise",
        ),
        (
            "earliest = 33, due = 35",
            "earliest = 3, due = 35",
            "in the hoop until",
        ),
        (
            "wheels_per_batch = 3",
            "wheels_per_batch = 0",
            "at least 1 wheel",
        ),
        (
            "humidity_pct = [92, 97]",
            "humidity_pct = [97, 92]",
            "[least, most]",
        ),
        (
            "transit_days = 14",
            "transit_days = 90",
            "no day to ship on",
        ),
        (
            "from_age_days = 56",
            "from_age_days = 20",
            "before piercing",
        ),
        ("within_days = 0", "within_day = 0", "unknown field"),
        (
            "milk = \"pasteurised\"",
            "milk = \"oat\"",
            "unknown variant",
        ),
        ("room = \"R2\"", "room = \"R1\"", "already in the chain"),
        ("version = 1", "version = ", "blue.toml:"),
        (
            "leave_at_cover_pct = 30",
            "leave_at_cover_pct = 300",
            "between 0 and 100",
        ),
    ];
    for (right, wrong, says) in cases {
        assert!(
            COMMON_PRACTICE.contains(right),
            "{right} is not in the file"
        );
        let text = COMMON_PRACTICE.replacen(right, wrong, 1);
        let error = parse(&text).expect_err(wrong);
        assert!(error.contains(says), "{wrong}: {error}");
        let shown = wrong.split(" = ").next().unwrap();
        if !says.contains("ship on") {
            assert!(
                error.lines().nth(1).unwrap().contains(shown),
                "shows the line: {error}"
            );
        }
    }
}

#[test]
fn an_empty_file_says_what_is_missing() {
    assert!(parse("").unwrap_err().contains("missing field `recipe`"));
}

#[test]
fn a_new_batch_takes_the_newest_version_and_old_wheels_keep_theirs() {
    let mut book = RecipeBook::default();
    let first = parse(COMMON_PRACTICE).unwrap();
    let second = Recipe {
        version: 2,
        ..first.clone()
    };
    let id = first.id;
    assert!(book.add(second) && book.add(first.clone()) && !book.add(first));
    assert_eq!(book.newest(id).unwrap().version, 2);
    assert_eq!(book.get(id, 1).unwrap().version, 1);
}
