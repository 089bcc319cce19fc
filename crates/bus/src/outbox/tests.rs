//! An outbox whose disk fails, over random histories: who was told "OK" finds it there, who was
//! told that it is not recorded does not.

use std::collections::BTreeSet;
use std::fs;

use facts::RoomCleaned;
use proptest::prelude::*;

use super::*;

fn noon() -> DateTime<Utc> {
    "2031-03-04T12:00:00Z".parse().unwrap()
}

fn cleaned(method: &str) -> Draft {
    Draft {
        occurred_at: noon(),
        claimed_at: None,
        person: None,
        event: RoomCleaned {
            room: "R1".parse().unwrap(),
            method: method.to_owned(),
        }
        .into(),
    }
}

fn open(dir: &Path) -> Outbox {
    Outbox::open(dir, "larkholm".parse().unwrap()).unwrap()
}

fn station() -> StationId {
    "S1".parse().unwrap()
}

/// Writes one fact; with a note of 100 kB that replaces the last, most of the file is soon dead.
fn write(outbox: &Outbox, n: usize, large: bool) -> Result<Written, OutboxError> {
    let note = |_: &[Fact]| vec![(b"note".to_vec(), Some(vec![b'x'; 100_000]))];
    let none = |_: &[Fact]| Vec::new();
    let drafts = vec![cleaned(&n.to_string())];
    if large {
        outbox.write_with(&station(), drafts, noon(), note)
    } else {
        outbox.write_with(&station(), drafts, noon(), none)
    }
}

fn there(outbox: &Outbox) -> BTreeSet<FactId> {
    outbox.kept().unwrap().iter().map(|fact| fact.id).collect()
}

#[derive(Debug, Clone, Copy)]
enum Step {
    Write { large: bool },
    Sync,
    SyncFails,
    Mend,
    Sent,
    Again,
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        6 => any::<bool>().prop_map(|large| Step::Write { large }),
        4 => Just(Step::Sync),
        2 => Just(Step::SyncFails),
        3 => Just(Step::Mend),
        2 => Just(Step::Sent),
        1 => Just(Step::Again),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]
    #[test]
    fn what_was_told_recorded_is_there_and_what_was_told_not_recorded_is_not(
        steps in proptest::collection::vec(step(), 1..200),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let mut outbox = open(dir.path());
        let (mut waits, mut recorded, mut refused) = (Vec::<Written>::new(), BTreeSet::new(), BTreeSet::new());
        for (n, step) in steps.into_iter().enumerate() {
            match step {
                Step::Write { large } => waits.extend(write(&outbox, n, large)),
                Step::Sync | Step::SyncFails => {
                    if matches!(step, Step::SyncFails) {
                        outbox.inner.facts.disk_fails(true);
                    }
                    for written in waits.drain(..) {
                        let ids: Vec<FactId> = written.facts().iter().map(|fact| fact.id).collect();
                        let told = written.synced();
                        if told.is_ok() { recorded.extend(ids) } else { refused.extend(ids) }
                    }
                    outbox.inner.facts.disk_fails(false);
                }
                Step::Mend => outbox.mend().unwrap(),
                Step::Sent => {
                    let oldest = outbox.oldest(3, &[]).unwrap();
                    let stored = |(at, _)| (at, Outcome::Stored);
                    outbox.settle(oldest.into_iter().map(stored).collect()).unwrap();
                }
                Step::Again => {
                    outbox.mend().unwrap();
                    waits.clear(); // told nothing: the process was killed
                    drop(outbox);
                    outbox = open(dir.path());
                }
            }
        }
        outbox.mend().unwrap();
        prop_assert!(there(&outbox).is_superset(&recorded));
        prop_assert!(there(&outbox).is_disjoint(&refused));
        drop(waits);
        drop(outbox);
        let outbox = open(dir.path());
        prop_assert!(there(&outbox).is_superset(&recorded));
        prop_assert!(there(&outbox).is_disjoint(&refused));
        let numbers: BTreeSet<u64> = outbox.kept().unwrap().iter().map(|fact| fact.station_seq).collect();
        prop_assert_eq!(numbers.len(), there(&outbox).len(), "no number is given twice");
    }
}

#[test]
fn a_note_that_was_taken_back_is_no_answer() {
    let dir = tempfile::tempdir().unwrap();
    let outbox = open(dir.path());
    let note = |value: &'static [u8]| move |_: &[Fact]| vec![(b"n".to_vec(), Some(value.to_vec()))];
    let first = outbox.write_with(&station(), Vec::new(), noon(), note(b"first"));
    first.unwrap().synced().unwrap();
    let second = outbox.write_with(&station(), Vec::new(), noon(), note(b"second"));
    outbox.inner.facts.disk_fails(true);
    assert!(outbox.synced_note(b"n").is_err());
    outbox.inner.facts.disk_fails(false);
    assert_eq!(outbox.taken_back(), 0);
    outbox.mend().unwrap();
    assert_eq!(outbox.taken_back(), 1);
    assert!(second.unwrap().synced().is_err(), "it was taken back");
    let found = outbox.synced_note(b"n").unwrap();
    assert_eq!(found.as_deref(), Some(&b"first"[..]));
}

#[test]
fn a_value_that_goes_bad_while_it_waits_costs_itself() {
    let dir = tempfile::tempdir().unwrap();
    let outbox = open(dir.path());
    let facts: Vec<Fact> = (0..9)
        .flat_map(|n| write(&outbox, n, false).unwrap().synced().unwrap())
        .collect();
    let file = dir.path().join("journal-000001.txt");
    let mut text = fs::read(&file).unwrap();
    let ends: Vec<usize> = (0..text.len()).filter(|at| text[*at] == b'\n').collect();
    text[ends[3].midpoint(ends[4])] ^= 1;
    fs::write(&file, text).unwrap();
    assert!(outbox.oldest(9, &[]).is_err());
    outbox.mend_damage().unwrap();
    let left: BTreeSet<FactId> = facts
        .iter()
        .filter(|fact| fact.station_seq != 5)
        .map(|fact| fact.id)
        .collect();
    assert_eq!(outbox.oldest(9, &[]).unwrap().len(), 8);
    assert_eq!((there(&outbox), outbox.waiting()), (left, 8));
    // The log is asked for the number that is lost here.
    assert_eq!(outbox.fresh().unwrap(), [station()]);
    assert!(dir.path().join("journal.txt.damaged-1").exists());
    write(&outbox, 9, false).unwrap().synced().unwrap();
}

#[test]
fn what_an_earlier_version_recorded_beside_it_waits_too() {
    let dir = tempfile::tempdir().unwrap();
    let ours = write(&open(dir.path()), 0, false)
        .unwrap()
        .synced()
        .unwrap();
    // An earlier version ran here for a day: it began anew, with number 1.
    let other = tempfile::tempdir().unwrap();
    let theirs = write(&open(other.path()), 1, false)
        .unwrap()
        .synced()
        .unwrap();
    assert_eq!((ours[0].station_seq, theirs[0].station_seq), (1, 1));
    for rounds in 1..3 {
        {
            let db = sled::open(dir.path()).unwrap();
            let tree = db.open_tree("facts").unwrap();
            let key = [&b"w"[..], &1_u64.to_be_bytes()].concat();
            let line = wire::to_line(&theirs[0]).unwrap();
            tree.insert(key, line.as_bytes()).unwrap();
            db.flush().unwrap();
        }
        let outbox = open(dir.path());
        assert_eq!(outbox.waiting(), 2, "round {rounds}");
        assert_eq!(outbox.fresh().unwrap(), [station()]);
        assert!(there(&outbox).contains(&theirs[0].id));
    }
}

#[test]
fn only_the_facts_of_stations_whose_numbers_are_not_known_wait_for_the_log() {
    let dir = tempfile::tempdir().unwrap();
    let outbox = open(dir.path());
    let other: StationId = "S2".parse().unwrap();
    write(&outbox, 0, false).unwrap().synced().unwrap();
    let none = |_: &[Fact]| Vec::new();
    let second = outbox.write_with(&other, vec![cleaned("x")], noon(), none);
    second.unwrap().synced().unwrap();
    assert_eq!(outbox.fresh().unwrap(), [station(), other]);
    assert_eq!(outbox.oldest(9, &[station()]).unwrap().len(), 1);
    assert_eq!(outbox.oldest(9, &[station(), other]).unwrap().len(), 0);
}
