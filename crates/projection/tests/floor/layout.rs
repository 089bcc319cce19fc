//! What lies on the disk, to the byte: a layout that changes while its number does not would
//! be read as something else.

use std::fmt::Write as _;
use std::path::Path;

use facts::Fact;
use facts::wire::{self, Read};
use projection::Effect;
use projection::floor;
use proptest::prelude::*;
use ripening::Folding;

use crate::story::{end, practice, practice_in, seen, story, timed};
use crate::{load, open, open_loaded};

/// Every type of fact, fully filled and minimal.
const GOLDEN: &str = include_str!("../../../facts/tests/golden.ndjson");

fn golden_facts() -> Vec<Fact> {
    let facts = GOLDEN.lines().zip(1..).map(|(line, number)| {
        let Read::Fact(mut fact) = wire::from_line(line).unwrap() else {
            panic!("{line}");
        };
        // Facts of their own: the file has one name and one number for all.
        let id = format!("0190b6b0-0000-7000-8000-{number:012x}");
        fact.id = id.parse().unwrap();
        fact.station_seq = number;
        fact
    });
    facts.collect()
}

fn effect() -> Effect {
    Effect {
        tail: "alert.raised".to_owned(),
        id: "one".to_owned(),
        body: b"{}".to_vec(),
    }
}

/// Every record of a store, in hexadecimal.
fn dump(path: &Path) -> String {
    let tree = sled::open(path).unwrap().open_tree("floor").unwrap();
    let mut text = String::new();
    for entry in tree.iter() {
        let (key, value) = entry.unwrap();
        let hex = value.iter().fold(String::new(), |mut hex, byte| {
            let _ = write!(hex, "{byte:02x}");
            hex
        });
        let _ = writeln!(text, "{} {hex}", key.escape_ascii());
    }
    text
}

#[test]
fn the_layout_of_this_number_is_the_one_that_is_written_down_for_it() {
    let folder = tempfile::tempdir().unwrap();
    {
        let store = open(folder.path()).unwrap();
        let mut folding = Folding::new(practice());
        golden_facts().iter().for_each(|fact| folding.apply(fact));
        let unknown = GOLDEN.lines().next().unwrap();
        let unknown = unknown.replacen(".v1", ".v99", 1);
        let Read::UnknownType(unknown) = wire::from_line(&unknown).unwrap() else {
            panic!("{unknown}");
        };
        folding.pass(7, &unknown);
        let mut floor = timed(folding);
        // What stands was told, and some of it is over.
        for (number, counted) in [(901, 47), (902, 48)] {
            let check = facts::ToolCheck::Needles {
                expected: 48,
                counted,
            };
            let tool = "PM1".parse().unwrap();
            floor.apply(&Fact {
                id: format!("0190b6b0-0000-7000-8000-{number:012x}")
                    .parse()
                    .unwrap(),
                station_seq: number,
                event: facts::ToolChecked { tool, check }.into(),
                ..golden_facts().remove(0)
            });
            floor.refresh(end());
            let _ = floor.tell();
        }
        assert!(floor.open_alerts().next().is_some() && floor.alerts_over().next().is_some());
        let mut batch = floor::batch(&mut floor, &9_u64, 1, &[effect()]).unwrap();
        floor::keep(&mut batch, "told", &vec!["a".to_owned()]).unwrap();
        store.write(&batch).unwrap();
    }
    let name = format!("tests/floor/layout-{}.txt", floor::FORMAT);
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(&name);
    let is = dump(folder.path());
    let was = std::fs::read_to_string(&path).unwrap_or_default();
    if was.is_empty() && std::env::var("WHEELWARD_GOLDEN").is_ok_and(|what| what == "add") {
        std::fs::write(&path, is).unwrap();
        return;
    }
    let differ = is.lines().zip(was.lines()).find(|(is, was)| is != was);
    assert!(
        is == was,
        "what is stored lies otherwise than its format says: raise floor::FORMAT, remove {name}, and run this with WHEELWARD_GOLDEN=add. First difference: {differ:?}"
    );
}

#[test]
fn every_type_of_fact_is_the_same_after_a_restart() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path()).unwrap();
    let mut folding = Folding::new(practice());
    golden_facts().iter().for_each(|fact| folding.apply(fact));
    let mut floor = timed(folding);
    store
        .write(&floor::batch(&mut floor, &1_u64, 1, &[]).unwrap())
        .unwrap();
    let mut loaded = load(&store, practice()).unwrap().floor;
    assert_eq!(seen(loaded.refresh(end())), seen(&floor));
}

#[test]
fn a_record_that_does_not_read_puts_the_whole_store_aside_and_says_so() {
    for wheel in [true, false] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("scheduler");
        let store = open(&path).unwrap();
        crate::story::Writer::on(&store).write(&story());
        drop(store);
        {
            let tree = sled::open(&path).unwrap().open_tree("floor").unwrap();
            let prefix = if wheel { "n/" } else { "b/" };
            let (key, value) = tree.scan_prefix(prefix).next().unwrap().unwrap();
            // Half of it, as a layout that has lost a field would be.
            tree.insert(key, &value[..value.len() / 2]).unwrap();
        }
        let (store, loaded, aside) = open_loaded(&path, practice()).unwrap();
        assert_eq!(loaded.position, None, "nothing of it is believed");
        assert_eq!(loaded.floor.counts(), ripening::Counts::default());
        let aside = aside.unwrap();
        assert!(aside.why.contains("does not read"), "{}", aside.why);
        assert!(aside.path.ends_with("scheduler.damaged-1"), "{aside:?}");
        drop(store);
        let aside = open(&aside.path).unwrap();
        assert!(load(&aside, practice()).is_err(), "it is kept as it was");
        let (_, _, again) = open_loaded(&path, practice()).unwrap();
        assert_eq!(again, None);
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    // Arbitrary values in every field that a fact has: what is loaded is what was written.
    #[test]
    fn whatever_facts_say_is_the_same_after_a_restart(
        events in prop::collection::vec(any::<facts::Event>(), 1..60),
    ) {
        let folder = tempfile::tempdir().unwrap();
        let store = open(folder.path()).unwrap();
        let template = &story()[0];
        let mut folding = Folding::new(practice_in(chrono_tz::UTC));
        for (number, event) in (1..).zip(events) {
            folding.apply(&Fact {
                id: format!("0190b6b0-0000-7000-8000-{number:012x}").parse().unwrap(),
                station_seq: number,
                event,
                ..template.clone()
            });
        }
        let mut floor = timed(folding);
        store.write(&floor::batch(&mut floor, &1_u64, 1, &[]).unwrap()).unwrap();
        let mut loaded = load(&store, practice_in(chrono_tz::UTC)).unwrap().floor;
        prop_assert_eq!(seen(loaded.refresh(end())), seen(&floor));
    }
}
