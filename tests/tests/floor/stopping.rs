//! A whole floor is started, stopped with Ctrl-C, and started again.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::Path;

use floor_tests::{SITE_FILE, Scanner, Worker, free_address, run_in, until};
use serde_json::Value;

/// Every process that a process has started, by whatever way, and itself.
fn family(root: u32) -> BTreeSet<u32> {
    let mut parents = Vec::new();
    for entry in std::fs::read_dir("/proc").unwrap().flatten() {
        let Ok(pid) = entry.file_name().to_string_lossy().parse::<u32>() else {
            continue;
        };
        // `pid (name) state parent …`; the name may hold anything.
        let stat = std::fs::read_to_string(entry.path().join("stat")).unwrap_or_default();
        let after_name = stat.rsplit_once(')').map_or("", |(_, rest)| rest);
        if let Some(Ok(parent)) = after_name.split_whitespace().nth(1).map(str::parse::<u32>) {
            parents.push((pid, parent));
        }
    }
    let mut family = BTreeSet::from([root]);
    loop {
        let children = parents.iter().filter(|(_, parent)| family.contains(parent));
        let more: Vec<u32> = children.map(|(pid, _)| *pid).collect();
        let before = family.len();
        family.extend(more);
        if family.len() == before {
            return family;
        }
    }
}

/// A process that has ended and was not yet taken note of does not run any more.
fn runs(pid: u32) -> bool {
    let stat = std::fs::read_to_string(format!("/proc/{pid}/stat")).unwrap_or_default();
    let state = stat
        .rsplit_once(") ")
        .and_then(|(_, rest)| rest.chars().next());
    state.is_some_and(|state| state != 'Z')
}

pub(crate) async fn ask(folder: &Path, question: &[&str]) -> Option<Value> {
    let said = run_in(folder, &[question, &["--json"]].concat()).await;
    (said.code == Some(0)).then(|| serde_json::from_str(&said.out).unwrap())
}

pub(crate) async fn up(folder: &Path) -> Worker {
    let up = Worker::start(
        folder,
        folder.join("up.log"),
        &["up", "--site", "site.toml"],
    );
    until(
        "the floor to answer",
        || up.log(),
        async || ask(folder, &["floor"]).await,
    )
    .await;
    up
}

/// Somebody with a badge.
pub(crate) async fn stands_at(station: SocketAddr, up: &Worker) -> Scanner {
    let mut scanner = until(
        "the station to open",
        || up.log(),
        async || Scanner::at(station).await,
    )
    .await;
    scanner.scan("P.01").await;
    scanner
}

/// Wheels 311-01 and on as they stand. Nobody portioned them, so no census counts them.
async fn rows(folder: &Path, wheels: usize, up: &Worker) -> Vec<Value> {
    until(
        "the wheels to be known",
        || up.log(),
        async || {
            let mut rows = Vec::new();
            for n in 1..=wheels {
                let life = ask(folder, &["wheel", &format!("311-{n:02}")]).await?;
                rows.push(life["wheel"].clone());
            }
            Some(rows)
        },
    )
    .await
}

/// A site file with free ports; gives the rubbing-up table's address.
pub(crate) fn write_site(folder: &Path) -> SocketAddr {
    let mut text = SITE_FILE.to_owned();
    let mut rub = free_address();
    for port in [1883, 7401, 7402, 7403, 7404, 7405, 7406, 7407, 7408, 7501] {
        let free = free_address();
        if port == 7404 {
            rub = free;
        }
        text = text.replace(&format!("127.0.0.1:{port}"), &free.to_string());
    }
    std::fs::write(folder.join("site.toml"), text).unwrap();
    let recipe = include_str!("../../../deploy/demo/larkholm-blue.toml");
    std::fs::write(folder.join("larkholm-blue.toml"), recipe).unwrap();
    rub
}

/// The process of a floor's own broker, once there is one.
async fn broker_of(floor: &Worker) -> u32 {
    let is_broker = |pid: &u32| {
        let name = std::fs::read_to_string(format!("/proc/{pid}/comm")).unwrap_or_default();
        name.trim() == "nats-server" && runs(*pid)
    };
    until(
        "the floor's broker",
        || floor.log(),
        async || family(floor.pid()).into_iter().find(is_broker),
    )
    .await
}

#[tokio::test(flavor = "multi_thread")]
async fn a_floors_own_broker_that_is_killed_comes_back_and_nothing_that_was_answered_ok_is_lost() {
    const ROUNDS: usize = 3;
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let rub = write_site(folder);
    let mut floor = up(folder).await;
    let mut scanner = stands_at(rub, &floor).await;
    let mut stored = 0;
    let mut wheels = (1..).map(|n| format!("W.311-{n:02}"));
    let mut scan_some = async |scanner: &mut Scanner, stored: &mut usize| {
        for wheel in wheels.by_ref().take(5) {
            let answer = scanner.scan(&wheel).await;
            assert!(answer.contains("recorded"), "{wheel}: {answer}");
            *stored += 1;
        }
    };
    for code in ["A.LOAD", "S.S07"] {
        scanner.scan(code).await;
    }
    for round in 1..=ROUNDS {
        scan_some(&mut scanner, &mut stored).await;
        let broker = broker_of(&floor).await;
        let killed = std::process::Command::new("sh")
            .args(["-c", &format!("kill -KILL {broker}")])
            .status();
        assert!(killed.unwrap().success());
        scan_some(&mut scanner, &mut stored).await;
        let said = "the broker ended";
        until(
            "somebody to say so",
            || floor.log(),
            async || (floor.log().matches(said).count() >= round).then_some(()),
        )
        .await;
        assert_ne!(broker_of(&floor).await, broker);
    }
    let picture = until(
        "what was kept to arrive",
        || floor.log(),
        async || {
            let picture = ask(folder, &["floor"]).await?;
            (picture["counts"]["facts"].as_u64() >= Some(stored as u64)).then_some(picture)
        },
    )
    .await;
    assert_eq!(picture["counts"]["facts"], stored);
    assert_eq!(picture["counts"]["duplicates"], 0);
    assert_eq!(picture["missing_facts"], 0);
    let family = family(floor.pid());
    assert!(floor.end("INT").await.success(), "{}", floor.log());
    let left: Vec<u32> = family.into_iter().filter(|pid| runs(*pid)).collect();
    assert!(left.is_empty(), "still running: {left:?}\n{}", floor.log());
}

#[tokio::test(flavor = "multi_thread")]
async fn ctrl_c_ends_every_process_of_a_floor_and_the_next_start_goes_on_where_it_was() {
    let folder = tempfile::tempdir().unwrap();
    let folder = folder.path();
    let rub = write_site(folder);

    let mut floor = up(folder).await;
    let mut scanner = stands_at(rub, &floor).await;
    for code in ["P.01", "A.LOAD", "S.S07", "W.311-01", "W.311-02"] {
        scanner.scan(code).await;
    }
    let before = rows(folder, 2, &floor).await;
    assert_eq!(before[0]["carrier"]["stillage"], "S07");
    let family = family(floor.pid());
    // Itself, five workers, the broker and the shell that watches over it.
    assert!(family.len() >= 8, "{family:?}");
    // Scanned in the very moment of stopping: answered, so it must not be lost.
    let answer = scanner.scan("W.311-03").await;
    assert!(answer.contains("recorded"), "{answer}");
    let ended = floor.end("INT").await;
    assert!(ended.success(), "{ended}\n{}", floor.log());
    let left: Vec<u32> = family.into_iter().filter(|pid| runs(*pid)).collect();
    assert!(left.is_empty(), "still running: {left:?}\n{}", floor.log());

    let mut floor = up(folder).await;
    let after = rows(folder, 3, &floor).await;
    assert_eq!(after[0], before[0]);
    assert_eq!(after[1], before[1]);
    assert_eq!(after[2]["wheel"], "311-03");
    let mut scanner = stands_at(rub, &floor).await;
    scanner.scan("P.01").await;
    scanner.scan("A.TURN").await;
    let answer = scanner.scan("S.S07").await;
    assert!(answer.contains("3 wheels on S07 turned"), "{answer}");
    let picture = until(
        "the turn",
        || floor.log(),
        async || {
            let picture = ask(folder, &["floor"]).await?;
            (picture["counts"]["facts"] == 4).then_some(picture)
        },
    )
    .await;
    assert_eq!(picture["missing_facts"], 0);
    assert_eq!(picture["counts"]["duplicates"], 0);
    assert!(floor.end("INT").await.success(), "{}", floor.log());
}
