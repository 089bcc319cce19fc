//! A floor is backed up and restored by the very commands of deploy/README.md: on the same box,
//! whose stations are newer than the backup, and on an empty one.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::Path;
use std::process::Command;

use floor_tests::{Scanner, Worker, project, run_in, until};
use serde_json::Value;

use crate::stopping::{ask, stands_at, up, write_site};

/// The commands of a section of the page.
fn page(heading: &str) -> Vec<String> {
    let page = std::fs::read_to_string(project().join("deploy/README.md")).unwrap();
    let (_, section) = page.split_once(&format!("\n### {heading}\n")).unwrap();
    let section = section.split("\n#").next().unwrap();
    let commands = section.lines().filter_map(|line| line.strip_prefix("    "));
    let commands: Vec<String> = commands.map(str::to_owned).collect();
    assert!(!commands.is_empty(), "{heading}");
    commands
}

/// Does what the page says, where `data` lies.
fn does(heading: &str, folder: &Path) {
    for command in page(heading) {
        let done = Command::new("sh")
            .args(["-c", &command])
            .current_dir(folder)
            .status();
        assert!(done.unwrap().success(), "{command}");
    }
}

async fn loads(scanner: &mut Scanner, wheels: std::ops::Range<u32>) {
    for code in ["P.01", "A.LOAD", "S.S07"] {
        scanner.scan(code).await;
    }
    for n in wheels {
        let answer = scanner.scan(&format!("W.311-{n:02}")).await;
        assert!(answer.contains("recorded"), "{answer}");
    }
}

/// Waits until the floor has so many facts, each once and none missing.
async fn has(folder: &Path, facts: usize, floor: &Worker) {
    until(
        &format!("{facts} facts"),
        || floor.log(),
        async || {
            let picture = ask(folder, &["floor"]).await?;
            let whole = picture["counts"]["facts"] == facts && picture["missing_facts"] == 0;
            whole.then_some(())
        },
    )
    .await;
}

/// The facts in the log, by their names.
async fn ids(folder: &Path) -> BTreeSet<String> {
    let _ = run_in(folder, &["facts", "export", "--out", "now.ndjson"])
        .await
        .well();
    let text = std::fs::read_to_string(folder.join("now.ndjson")).unwrap();
    std::fs::remove_file(folder.join("now.ndjson")).unwrap();
    let ids = text.lines().map(|line| {
        let fact: Value = serde_json::from_str(line).unwrap();
        fact["id"].as_str().unwrap().to_owned()
    });
    ids.collect()
}

/// Started anew it has these facts and no other, and the next wheel is one more.
async fn goes_on(folder: &Path, station: SocketAddr, all: &BTreeSet<String>) {
    let mut floor = up(folder).await;
    has(folder, all.len(), &floor).await;
    assert_eq!(ids(folder).await, *all);
    let mut scanner = stands_at(station, &floor).await;
    let next = u32::try_from(all.len()).unwrap() + 1;
    loads(&mut scanner, next..next + 1).await;
    has(folder, all.len() + 1, &floor).await;
    assert!(floor.end("INT").await.success(), "{}", floor.log());
}

#[tokio::test(flavor = "multi_thread")]
async fn a_floor_that_is_restored_by_the_page_has_all_that_can_be_had_and_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let rub = write_site(folder);
    let mut floor = up(folder).await;
    let mut scanner = stands_at(rub, &floor).await;
    loads(&mut scanner, 1..6).await;
    has(folder, 5, &floor).await;
    let backed_up = ids(folder).await;
    does("Every night", folder);
    loads(&mut scanner, 6..11).await;
    has(folder, 10, &floor).await;
    let all = ids(folder).await;
    assert!(floor.end("INT").await.success(), "{}", floor.log());

    // The broker's folder is lost; the stations know more than the backup.
    does("On the same box", folder);
    goes_on(folder, rub, &all).await;

    // The box is lost: what was not backed up is, and nothing else.
    let empty = tempfile::tempdir().unwrap();
    let empty = empty.path();
    for file in ["site.toml", "larkholm-blue.toml"] {
        std::fs::copy(folder.join(file), empty.join(file)).unwrap();
    }
    std::fs::rename(folder.join("backup"), empty.join("backup")).unwrap();
    does("On an empty box", empty);
    goes_on(empty, rub, &backed_up).await;
}
