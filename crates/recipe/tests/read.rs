//! A recipe file reads, or says where and why not.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use recipe::{IronPlan, Origin, Recipe, RecipeBook, Timeline, compare, sampling};

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
        ("version = 1", "version = 0", "the first version is 1"),
        (
            "leave_at_cover_pct = 30",
            "leave_at_cover_pct = 0.3",
            "it is in percent",
        ),
        (
            "least_cover_pct = 60",
            "least_cover_pct = 0.6",
            "it is in percent",
        ),
        (
            "humidity_pct = [92, 97]",
            "humidity_pct = [0.92, 0.97]",
            "within 30 to 100",
        ),
        (
            "leave_at_cover_pct = 30",
            "leave_at_cover_pct = 300",
            "between 0 and 100",
        ),
        (
            "wheels_per_batch = 3",
            "wheels_per_batch = \"some\"",
            "a number of wheels, or \"iso-2859-1\"",
        ),
        (
            "least_cover_pct = 60",
            "again_after_days = { earliest = 0, due = 3, latest = 4 }\nleast_cover_pct = 60",
            "the same one",
        ),
        (
            "arrive_age_days = [56, 63]",
            "arrive_age_days = [56, 163]",
            "best before 120 days",
        ),
        (
            "transit_days = 0",
            "grades = [\"A\", \"Reject\"]\ntransit_days = 0",
            "grades lists",
        ),
        (
            "legal_least_age_days = 60",
            "legal_least_age_days = -1",
            "must be 0 to",
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

#[test]
fn what_a_recipe_may_leave_out_reads_too() {
    let text = COMMON_PRACTICE
        .replace("wheels_per_batch = 3", "wheels_per_batch = \"iso-2859-1\"")
        .replace(
            "least_cover_pct = 60",
            "least_cover_pct = 60\nneedle_check = false\nagain_after_days = { earliest = 12, due = 14, latest = 18 }",
        )
        + "\n[finish]\nweight_g = 9800\ntolerance_g = 200\nage_days = 64\n\n[[hold]]\nid = \"LAB\"\nreason = \"laboratory result\"\n";
    let recipe = parse(&text).unwrap();
    assert_eq!(recipe.iron.wheels_per_batch, IronPlan::Iso2859);
    assert!(!recipe.pierce.needle_check);
    assert_eq!(recipe.pierce.again.unwrap().due, 14);
    assert_eq!(recipe.holds[0].reason, "laboratory result");
    let portion = recipe.portion.weight_g;
    let weighs = |age| recipe.expected_weight_g(portion, age).unwrap().round() as u32;
    assert_eq!([weighs(0), weighs(16), weighs(64)], [10_886, 10_343, 9_800]);
    let plain = parse(COMMON_PRACTICE).unwrap();
    assert!(
        plain.pierce.needle_check,
        "asked for unless the recipe says otherwise"
    );
    assert_eq!(plain.expected_weight_g(portion, 16), None);
}

#[test]
fn a_finish_weight_above_the_portion_and_a_hold_without_a_reason_are_refused() {
    let refused = |more: &str| parse(&format!("{COMMON_PRACTICE}\n{more}")).unwrap_err();
    let finish = refused("[finish]\nweight_g = 11000\ntolerance_g = 200\nage_days = 64");
    assert!(finish.contains("weighs less than its portion"), "{finish}");
    let hold = refused("[[hold]]\nid = \"LAB\"\nreason = \" \"");
    assert!(hold.contains("what must be known"), "{hold}");
}

/// ISO 2859-1, Table 1 (general inspection level II) and the samples of normal
/// inspection: both ends of every lot range.
#[test]
fn the_standard_gives_each_lot_its_letter_and_sample() {
    let published = [
        (2, 8, 'A', 2),
        (9, 15, 'B', 3),
        (16, 25, 'C', 5),
        (26, 50, 'D', 8),
        (51, 90, 'E', 13),
        (91, 150, 'F', 20),
        (151, 280, 'G', 32),
        (281, 500, 'H', 50),
        (501, 1_200, 'J', 80),
        (1_201, 3_200, 'K', 125),
    ];
    for (from, to, letter, sample) in published {
        for lot in [from, to] {
            assert_eq!(
                (sampling::letter(lot), sampling::sample(lot)),
                (letter, sample),
                "{lot}"
            );
        }
    }
    assert_eq!(
        [0, 1].map(sampling::sample),
        [0, 1],
        "no more than there are"
    );
}

#[test]
fn two_versions_differ_in_what_was_changed_and_nothing_else() {
    let first = parse(COMMON_PRACTICE).unwrap();
    assert_eq!(compare(&first, &first), []);
    let second = COMMON_PRACTICE
        .replace("leave_at_cover_pct = 30", "leave_at_cover_pct = 40")
        .replace("legal_least_age_days = 60", "");
    let second = parse(&(second + "\n[[hold]]\nid = \"LAB\"\nreason = \"result\"\n")).unwrap();
    let differences = compare(&first, &second);
    let what: Vec<&str> = differences.iter().map(|d| d.what.as_str()).collect();
    assert_eq!(
        what,
        ["room 1 stay", "market export", "born under hold LAB"]
    );
    assert_eq!(
        differences[0].second.as_deref(),
        Some("until 40 % rind cover, 7 to 16 days")
    );
    assert_eq!(differences[2].first, None);
}

#[test]
fn a_timeline_fits_its_width_and_shows_every_bar() {
    let timeline = Timeline::of(&parse(COMMON_PRACTICE).unwrap());
    for width in 40..=200 {
        let text = timeline.draw(width);
        assert_eq!(text.lines().count(), timeline.bars.len() + 1);
        assert!(
            text.lines().all(|line| line.chars().count() <= width),
            "{text}"
        );
        for (line, bar) in text.lines().skip(1).zip(&timeline.bars) {
            assert!(line.starts_with(&bar.name), "{line}");
            assert!(line.contains(['▒', '█']), "{line}");
        }
    }
}
