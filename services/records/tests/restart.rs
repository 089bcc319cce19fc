//! Records that were stopped, killed and damaged answer as those that have read the log anew.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

#[path = "../../../crates/trace/tests/trace/any.rs"]
mod any;

use std::path::Path;

use any::{any_log, scopes};
use async_nats::HeaderMap;
use bus::{Position, Stored};
use chrono::DateTime;
use facts::{Fact, SiteId, wire};
use holds::{Rights, Rule};
use proptest::prelude::*;
use records::Keeper;
use trace::Settings;

fn site() -> SiteId {
    "larkholm".parse().unwrap()
}

fn open(dir: &Path) -> Keeper {
    Keeper::open(dir, site(), Rule::default(), None).unwrap()
}

/// The facts as the log has them.
fn messages(facts: &[Fact]) -> Vec<Stored> {
    let stored = facts.iter().zip(1..).map(|(fact, seq)| {
        let parcel = wire::parcel(&wire::to_line(fact).unwrap()).unwrap();
        let mut headers = HeaderMap::new();
        for (name, value) in &parcel.headers {
            headers.insert(name.as_str(), value.as_str());
        }
        Stored {
            seq,
            subject: parcel.subject.into(),
            headers: Some(headers),
            body: parcel.body.into(),
            stored_at: DateTime::UNIX_EPOCH,
        }
    });
    stored.collect()
}

fn after(seq: u64) -> Position {
    Position {
        created: "2026-01-01T00:00:00Z".to_owned(),
        seq,
        stored_ns: 0,
    }
}

fn take(keeper: &mut Keeper, log: &[Stored], most: usize) {
    let from = usize::try_from(keeper.seq()).unwrap();
    let chunk: Vec<Stored> = log.iter().skip(from).take(most).cloned().collect();
    if let Some(last) = chunk.last() {
        keeper.take(&chunk, after(last.seq)).unwrap();
    }
}

/// Every answer, as text, once the log has been read.
fn answers(keeper: &mut Keeper, log: &[Stored]) -> Vec<String> {
    take(keeper, log, usize::MAX);
    keeper.caught_up().unwrap();
    let now = "2026-01-07T06:00:00Z".parse().unwrap();
    let trace = keeper.trace();
    let recalls = scopes();
    let recalls = recalls
        .iter()
        .map(|scope| trace.recall(scope, &Settings::default(), now));
    let mut answers: Vec<String> = recalls
        .map(|recall| {
            let evidence = trace.evidence(&recall);
            format!("{}{evidence:?}", serde_json::to_string(&recall).unwrap())
        })
        .collect();
    answers.push(serde_json::to_string(&keeper.standing_holds()).unwrap());
    answers.push(format!("{:?}", keeper.owed(&[])));
    answers.push(format!("{:?}", keeper.checked()));
    let standing = keeper.standing();
    assert_eq!(standing.findings, Vec::<String>::new());
    answers.push(format!("{} of {}", standing.count, standing.seq));
    keeper.sound().unwrap();
    answers
}

fn copy(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for entry in std::fs::read_dir(from).unwrap() {
        let entry = entry.unwrap();
        let target = to.join(entry.file_name());
        if entry.file_type().unwrap().is_dir() {
            copy(&entry.path(), &target);
        } else {
            std::fs::copy(entry.path(), target).unwrap();
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]

    #[test]
    fn records_that_were_stopped_and_killed_answer_as_those_that_read_everything_anew(
        facts in any_log(),
        deeds in prop::collection::vec(0u8..5, 8),
    ) {
        let log = messages(&facts);
        let dir = tempfile::tempdir().unwrap();
        let anew = answers(&mut open(&dir.path().join("anew")), &log);
        let (folder, before) = (dir.path().join("records"), dir.path().join("before"));
        let mut keeper = open(&folder);
        for deed in deeds {
            match deed {
                // Stopped between two batches.
                0 => {
                    drop(keeper);
                    keeper = open(&folder);
                }
                // Killed after the ledger was written, before what is stored was.
                1 => {
                    drop(keeper);
                    let index = folder.join("index");
                    copy(&index, &before);
                    keeper = open(&folder);
                    take(&mut keeper, &log, 3);
                    drop(keeper);
                    std::fs::remove_dir_all(&index).unwrap();
                    std::fs::rename(&before, &index).unwrap();
                    keeper = open(&folder);
                }
                // Asked, so that stories are told before all facts are in.
                2 => {
                    let _ = keeper.standing_holds();
                }
                _ => take(&mut keeper, &log, 4),
            }
        }
        prop_assert_eq!(answers(&mut keeper, &log), anew);
    }
}

fn some_facts() -> Vec<Fact> {
    use proptest::strategy::ValueTree as _;
    let mut runner = proptest::test_runner::TestRunner::deterministic();
    let logs = std::iter::repeat_with(|| any_log().new_tree(&mut runner).unwrap().current());
    logs.into_iter().find(|log| log.len() > 30).unwrap()
}

fn tree(folder: &Path) -> (sled::Db, sled::Tree) {
    let db = sled::open(folder.join("index")).unwrap();
    let tree = db.open_tree("floor").unwrap();
    (db, tree)
}

#[test]
fn what_does_not_read_is_made_anew_from_the_log_with_the_same_answers() {
    let log = messages(&some_facts());
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("records");
    let whole = answers(&mut open(&folder), &log);

    // Among what is read at the start.
    let (db, rows) = tree(&folder);
    rows.insert("kept", "nonsense").unwrap();
    drop((rows, db));
    let mut keeper = open(&folder);
    assert_eq!(keeper.position(), None);
    assert_eq!(answers(&mut keeper, &log), whole);
    drop(keeper);

    // Among what is read when it is asked for: no answer is given by halves.
    let (db, rows) = tree(&folder);
    let all: Vec<_> = rows.iter().keys().map(Result::unwrap).collect();
    for key in all.iter().filter(|key| key[0] < b'a') {
        rows.insert(key, &[255; 3]).unwrap();
    }
    drop((rows, db));
    let mut keeper = open(&folder);
    assert_eq!(keeper.position(), Some(&after(log.len() as u64)));
    let _ = keeper.standing_holds();
    let said = keeper.sound().unwrap_err().to_string();
    assert!(said.contains("it is made anew from the log"), "{said}");
    keeper.forget().unwrap();
    let mut keeper = open(&folder);
    assert_eq!(keeper.position(), None);
    assert_eq!(answers(&mut keeper, &log), whole);
}

#[test]
fn an_index_of_other_rules_or_of_another_ledger_is_made_anew() {
    let log = messages(&some_facts());
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("records");
    let whole = answers(&mut open(&folder), &log);
    assert_eq!(open(&folder).seq(), log.len() as u64);

    let strict = Rule::new(&recipe::RecipeBook::default(), Rights::Named([].into()));
    let keeper = Keeper::open(&folder, site(), strict, None).unwrap();
    assert_eq!(keeper.position(), None);
    drop(keeper);
    assert_eq!(answers(&mut open(&folder), &log), whole);

    // The ledger came back from an older backup: what it lacks is written down again.
    let path = folder.join("ledger.txt");
    let text = std::fs::read_to_string(&path).unwrap();
    let older: Vec<&str> = text.lines().take(7).collect();
    std::fs::write(&path, older.join("\n") + "\n").unwrap();
    let mut keeper = open(&folder);
    assert_eq!(keeper.position(), None);
    assert_eq!(answers(&mut keeper, &log), whole);
    assert_eq!(std::fs::read_to_string(&path).unwrap(), text);
}

#[test]
fn what_is_gone_from_the_log_is_told_until_it_is_back_and_the_ledger_is_sealed_meanwhile() {
    let log = messages(&some_facts());
    let dir = tempfile::tempdir().unwrap();
    let folder = dir.path().join("records");
    let clock = quantity::DairyClock::new(chrono_tz::UTC, chrono::NaiveTime::MIN);
    let day = |n: u32| format!("2026-02-{n:02}T06:00:00Z").parse().unwrap();
    let mut keeper = open(&folder);
    answers(&mut keeper, &log);
    assert!(keeper.seal_if_due(day(1), &clock).unwrap().is_some());

    // The broker's folder came back from an older backup.
    keeper.forget().unwrap();
    let mut keeper = open(&folder);
    take(&mut keeper, &log, 9);
    keeper.caught_up().unwrap();
    let lost = log.len() - 9;
    let told = keeper.differs().unwrap().text;
    let said = format!("{lost} records that were written down are no longer in the log");
    assert!(told.contains(&said), "{told}");
    assert!(keeper.seal_if_due(day(2), &clock).unwrap().is_some());
    assert!(keeper.differs().unwrap().text.contains(&said));

    // Stopped before anything came back, it says the same, and need not read the log again.
    drop(keeper);
    let mut keeper = open(&folder);
    assert_eq!(keeper.seq(), 9);
    keeper.caught_up().unwrap();
    assert!(keeper.differs().unwrap().text.contains(&said));

    // The stations send again what the broker had lost, each its own: another order, and the
    // same records. The ledger stays as it was written, and goes on.
    let path = folder.join("ledger.txt");
    let written = std::fs::read_to_string(&path).unwrap();
    let mut healed = log[..9].to_vec();
    healed.extend(log[9..].iter().rev().cloned());
    for (message, seq) in healed.iter_mut().zip(1..) {
        message.seq = seq;
    }
    take(&mut keeper, &healed, lost - 1);
    let said = "1 records that were written down are no longer in the log";
    assert!(keeper.differs().unwrap().text.contains(said));
    take(&mut keeper, &healed, 1);
    assert_eq!(keeper.differs(), None);
    assert!(keeper.seal_if_due(day(3), &clock).unwrap().is_some());
    assert_eq!(std::fs::read_to_string(&path).unwrap(), written);
    drop(keeper);
    let mut keeper = open(&folder);
    assert!(keeper.position().is_some());
    keeper.caught_up().unwrap();
    assert_eq!(keeper.differs(), None);
    drop(keeper);

    // A line before the seal was changed: already its own chain says so.
    let path = folder.join("ledger.txt");
    let mut lines: Vec<String> = std::fs::read_to_string(&path)
        .unwrap()
        .lines()
        .map(str::to_owned)
        .collect();
    lines.swap(2, 3);
    std::fs::write(&path, lines.join("\n") + "\n").unwrap();
    open(&folder).forget().unwrap();
    let error = Keeper::open(&folder, site(), Rule::default(), None).err();
    assert!(error.unwrap().to_string().contains("ledger"));
}

/// Found in a review: one wheel dated ahead by a machine's clock, and nobody could end any hold
/// that was stated here before that date.
#[test]
fn a_clock_that_is_ahead_elsewhere_moves_no_hold_and_the_end_of_that_very_hold_does() {
    let dir = tempfile::tempdir().unwrap();
    let mut keeper = open(&dir.path().join("records"));
    let now: DateTime<chrono::Utc> = "2026-03-01T08:00:00Z".parse().unwrap();
    let ahead = now + chrono::TimeDelta::days(200);
    let fact = |n: u64, at: DateTime<chrono::Utc>, event: facts::Event| Fact {
        id: format!("0190b6b0-0000-7000-8000-{n:012x}").parse().unwrap(),
        site: site(),
        station: "vat-1".parse().unwrap(),
        station_seq: n,
        person: None,
        occurred_at: at,
        claimed_at: None,
        recorded_at: at,
        event,
    };
    let wheel: facts::WheelId = "B2-01".parse().unwrap();
    let born = facts::WheelPortioned {
        wheel,
        batch: "B2".parse().unwrap(),
        weight_g: quantity::Grams::new(4_000).unwrap(),
        scale: None,
        tare_g: None,
        mixer: None,
    };
    let released = |hold: &str| facts::WheelReleased {
        wheels: vec![wheel],
        hold: hold.parse().unwrap(),
        reason: "good".into(),
    };
    let log = messages(&[
        fact(1, ahead, born.into()),
        fact(2, ahead, released("OTHER").into()),
        fact(3, ahead, released("LAB-2").into()),
    ]);
    take(&mut keeper, &log, 9);
    keeper.caught_up().unwrap();
    let held = |hold: &str| {
        let held = facts::WheelHeld {
            wheels: vec![wheel],
            hold: hold.parse().unwrap(),
            reason: "a result".into(),
        };
        facts::Event::from(held)
    };
    assert_eq!(keeper.hold_at(&held("LAB-1"), now), now);
    assert!(keeper.hold_at(&held("LAB-2"), now) > ahead);
    // Nor does a restart forget it.
    drop(keeper);
    let keeper = open(&dir.path().join("records"));
    assert_eq!(keeper.hold_at(&held("LAB-1"), now), now);
    assert!(keeper.hold_at(&held("LAB-2"), now) > ahead);
}
