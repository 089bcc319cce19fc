//! Somebody cuts the records short, or makes them anew as a whole. `wheelward verify` is asked
//! with what people had kept elsewhere.

use std::path::Path;

use floor_tests::{Given, Said, copy_folder, run, time};

const DAYS: [&str; 3] = ["2026-03-02", "2026-03-03", "2026-03-04"];

/// Three days of facts in a file, each sealed at its end; gives the seals' marks as they were
/// told.
async fn sealed(dir: &Path) -> Vec<String> {
    let mut marks = Vec::new();
    let mut text = String::new();
    for (n, day) in DAYS.into_iter().enumerate() {
        let mut portioning = Given::at(&format!("portion-{n}"));
        let at = time(&format!("{day}T07:00:00Z"));
        for fact in &portioning.makes(at, &format!("31{n}"), 3).facts {
            text += &facts::wire::to_line(fact).unwrap();
            text.push('\n');
        }
        std::fs::write(dir.join("facts.ndjson"), &text).unwrap();
        let ran = records(dir, "seal", &["--day", day]).await;
        assert_eq!(ran.code, Some(0), "{ran:?}");
        let told = ran
            .err
            .lines()
            .find_map(|line| line.strip_prefix("Mark of this seal, to be kept elsewhere: "));
        marks.push(told.unwrap().to_owned());
    }
    marks
}

async fn records(dir: &Path, command: &str, more: &[&str]) -> Said {
    let (facts, folder) = (dir.join("facts.ndjson"), dir.join("records"));
    let (facts, folder) = (facts.to_str().unwrap(), folder.to_str().unwrap());
    let args = [command, "--facts", facts, "--records", folder];
    run(&[&args[..], more].concat()).await
}

fn seals(dir: &Path) -> Vec<std::path::PathBuf> {
    let found = std::fs::read_dir(dir.join("records/seals")).unwrap();
    let mut seals: Vec<_> = found.map(|found| found.unwrap().path()).collect();
    seals.sort();
    seals
}

#[tokio::test(flavor = "multi_thread")]
async fn what_was_cut_short_or_sealed_anew_is_found_by_what_was_kept_elsewhere() {
    let dir = tempfile::tempdir().unwrap();
    let whole = dir.path().join("whole");
    std::fs::create_dir(&whole).unwrap();
    let marks = sealed(&whole).await;
    let copies = dir.path().join("copies");
    copy_folder(&whole.join("records/seals"), &copies);
    let copies = copies.to_str().unwrap();

    // As it is: what vouches for it is said, and what does not.
    let alone = records(&whole, "verify", &[]).await.well();
    assert!(
        alone.contains("seals 1 to 3, the newest of 2026-03-04"),
        "{alone}"
    );
    assert!(
        alone.contains("Nothing from outside vouches for them"),
        "{alone}"
    );
    let by_mark = records(&whole, "verify", &["--mark", &marks[1]])
        .await
        .well();
    let vouched = format!(
        "Vouched for by the mark {}: seals 1 to 2, up to 2026-03-03.",
        marks[1]
    );
    assert!(by_mark.contains(&vouched), "{by_mark}");
    assert!(
        by_mark.contains("By this folder alone: seal 3, up to 2026-03-04"),
        "{by_mark}"
    );
    let by_copies = records(&whole, "verify", &["--seals", copies]).await.well();
    assert!(
        by_copies.contains(": seals 1 to 3, up to 2026-03-04."),
        "{by_copies}"
    );

    // The newest seal, then with the tails of ledger and log, then the folder as it was.
    let cut = dir.path().join("cut");
    copy_folder(&whole, &cut);
    std::fs::remove_file(seals(&cut).pop().unwrap()).unwrap();
    let newest = ["--mark", &marks[2]];
    for tails_too in [false, true] {
        if tails_too {
            for file in ["facts.ndjson", "records/ledger.txt"] {
                let text = std::fs::read_to_string(cut.join(file)).unwrap();
                let lines: Vec<&str> = text.lines().collect();
                let left = lines[..lines.len() * 2 / 3].join("\n") + "\n";
                std::fs::write(cut.join(file), left).unwrap();
            }
            let _ = records(&cut, "verify", &[]).await.well();
        }
        for outside in [&newest[..], &["--seals", copies]] {
            let ran = records(&cut, "verify", outside).await;
            assert_eq!(ran.code, Some(1), "{ran:?}");
            assert!(ran.out.contains("seal 3, which"), "{ran:?}");
            assert!(ran.out.contains("cut short"), "{ran:?}");
        }
    }

    // All of it sealed anew: another key, and nothing in the folder tells.
    let anew = dir.path().join("anew");
    std::fs::create_dir(&anew).unwrap();
    sealed(&anew).await;
    let _ = records(&anew, "verify", &[]).await.well();
    let ran = records(&anew, "verify", &["--mark", &marks[0]]).await;
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(
        ran.out.contains("seal 1 is not the one that the mark"),
        "{ran:?}"
    );

    // No seal at all is no proof of anything.
    std::fs::remove_dir_all(anew.join("records/seals")).unwrap();
    std::fs::create_dir(anew.join("records/seals")).unwrap();
    let ran = records(&anew, "verify", &[]).await;
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(ran.out.contains("no seal lies in"), "{ran:?}");
    assert!(
        !ran.out.contains("Everything is as it was sealed"),
        "{ran:?}"
    );

    // Somebody took the seals of more than two days away, and left the records.
    for seal in seals(&whole).into_iter().skip(1) {
        std::fs::remove_file(seal).unwrap();
    }
    let later = Given::at("portion-9")
        .makes(time("2026-03-07T07:00:00Z"), "319", 1)
        .facts
        .clone();
    let path = whole.join("facts.ndjson");
    let mut text = std::fs::read_to_string(&path).unwrap();
    for fact in &later {
        text += &facts::wire::to_line(fact).unwrap();
        text.push('\n');
    }
    std::fs::write(&path, text).unwrap();
    let ran = records(&whole, "verify", &[]).await;
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(
        ran.out
            .contains("nothing from 2026-03-03 to 2026-03-07 is sealed"),
        "{ran:?}"
    );

    // A mark that was mistyped is named as one.
    let ran = records(&whole, "verify", &["--mark", "17-0a1b"]).await;
    assert_eq!(ran.code, Some(2), "{ran:?}");
    assert!(ran.err.contains("type it as it was told"), "{ran:?}");
}

/// Stations have sent again what a broker had lost; then somebody changes a fact under cover of
/// that.
#[tokio::test(flavor = "multi_thread")]
async fn another_order_of_the_log_is_no_difference_and_hides_none() {
    let dir = tempfile::tempdir().unwrap();
    let _ = sealed(dir.path()).await;
    let file = dir.path().join("facts.ndjson");
    let text = std::fs::read_to_string(&file).unwrap();
    let (first, rest) = text.split_once('\n').unwrap();
    let rest: Vec<&str> = rest.lines().rev().collect();
    let healed = format!("{first}\n{}\n", rest.join("\n"));
    std::fs::write(&file, &healed).unwrap();
    let said = records(dir.path(), "verify", &[]).await.well();
    let moved = format!("IN ANOTHER ORDER: {} records", rest.len() - 1);
    assert!(said.contains(&moved), "{said}");
    assert!(said.contains("Everything is as it was sealed."), "{said}");

    let changed = healed.replacen("\"weight_g\":", "\"weight_g\":1", 1);
    assert_ne!(changed, healed);
    std::fs::write(&file, changed).unwrap();
    let ran = records(dir.path(), "verify", &[]).await;
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(ran.out.contains("changed in the log"), "{ran:?}");
    assert!(!ran.out.contains("Everything"), "{ran:?}");

    let lost = healed.replacen(&format!("{}\n", rest[1]), "", 1);
    std::fs::write(&file, lost).unwrap();
    let ran = records(dir.path(), "verify", &[]).await;
    assert_eq!(ran.code, Some(1), "{ran:?}");
    assert!(ran.out.contains("missing from the log"), "{ran:?}");
}
