//! A recorded file of 70 days: what was seen in it once is seen in it always.

use std::path::{Path, PathBuf};

use floor_tests::{project, run};
use rand::SeedableRng as _;
use rand::rngs::StdRng;
use rand::seq::SliceRandom as _;
use serde_json::Value;

/// The end of the 70th dairy day.
const AT: &str = "2026-03-16T03:59:59Z";

const VIEWS: [&[&str]; 3] = [&["floor"], &["floor", "--wheels"], &["due"]];

fn recorded() -> PathBuf {
    project().join("tests/data/larkholm-70-days.ndjson")
}

async fn replay(file: &Path, view: &[&str]) -> String {
    let recipe = project().join("tests/data/larkholm-blue.toml");
    let args = [
        "replay",
        file.to_str().unwrap(),
        "--recipe",
        recipe.to_str().unwrap(),
        "--time-zone",
        "Europe/London",
        "--at",
        AT,
        "--json",
    ];
    run(&[&args[..], view].concat()).await.well()
}

/// A number for a text that changes with it (FNV-1a, 64 bit).
fn digest(text: &str) -> String {
    let hash = text.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    });
    format!("{hash:016x}")
}

/// A floor's picture without the count of facts that came twice, which is all that may
/// differ when facts come twice.
fn but_for_duplicates(picture: &str) -> String {
    let mut picture: Value = serde_json::from_str(picture).unwrap();
    if let Some(counts) = picture.get_mut("counts") {
        counts["duplicates"].take();
    }
    picture.to_string()
}

#[tokio::test]
async fn the_recorded_70_days_show_the_floor_that_they_always_showed() {
    insta::assert_snapshot!("floor", replay(&recorded(), &["floor"]).await);
    let census = replay(&recorded(), &["floor", "--wheels"]).await;
    let due = replay(&recorded(), &["due"]).await;
    let wheels: Vec<Value> = serde_json::from_str(&census).unwrap();
    let lines: Value = serde_json::from_str(&due).unwrap();
    let summary = format!(
        "census: {} wheels, digest {}\ndue: {} lines, digest {}",
        wheels.len(),
        digest(&census),
        lines["lines"].as_array().unwrap().len(),
        digest(&due)
    );
    insta::assert_snapshot!("digests", summary);
}

#[tokio::test]
async fn the_recorded_facts_show_the_same_in_any_order_and_twice() {
    let text = std::fs::read_to_string(recorded()).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    let mut rng = StdRng::seed_from_u64(70);
    let mut shuffled = lines.clone();
    shuffled.shuffle(&mut rng);
    let mut doubled = [lines.as_slice(), lines.as_slice()].concat();
    doubled.shuffle(&mut rng);
    let reversed = lines.iter().copied().rev().collect();

    let folder = tempfile::tempdir().unwrap();
    for view in VIEWS {
        let truth = replay(&recorded(), view).await;
        for (name, lines) in [
            ("shuffled", &shuffled),
            ("reversed", &reversed),
            ("doubled", &doubled),
        ] {
            let file = folder.path().join(name);
            std::fs::write(&file, lines.join("\n")).unwrap();
            let said = replay(&file, view).await;
            if name == "doubled" {
                assert_eq!(
                    but_for_duplicates(&said),
                    but_for_duplicates(&truth),
                    "{name} {view:?}"
                );
            } else {
                assert_eq!(said, truth, "{name} {view:?}");
            }
        }
    }
}
