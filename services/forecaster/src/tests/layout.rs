//! What lies on the disk, to the byte: a layout that changes while its number does not would
//! be read as something else.

use super::*;
use crate::shelf::FORMAT;

/// The records of a store that was let go of; its flushing may take a moment to end.
fn records(folder: &Path) -> sled::Tree {
    let db = std::iter::repeat_with(|| {
        std::thread::sleep(std::time::Duration::from_millis(20));
        sled::open(folder).ok()
    });
    let db = db.take(200).flatten().next().unwrap();
    db.open_tree("floor").unwrap()
}

/// Every record of a store, in hexadecimal.
fn dump(folder: &Path) -> String {
    let tree = records(folder);
    let mut text = String::new();
    for entry in tree.iter() {
        let (key, value) = entry.unwrap();
        if key == b"stamp" {
            continue; // of the release
        }
        let hex: Vec<String> = value.iter().map(|byte| format!("{byte:02x}")).collect();
        text += &format!("{} {}\n", key.escape_ascii(), hex.concat());
    }
    text
}

/// A worker that has something of every kind.
fn full() -> Worker {
    let facts = recorded();
    let mut worker = Worker::new();
    let batch = "260105A".parse().unwrap();
    let _: facts::BatchId = batch;
    let of_it = |fact: &&Fact| {
        let wheels = fact.event.wheels();
        wheels.iter().any(|wheel| wheel.as_str() == "260105A-01")
            || matches!(&fact.event, Event::VatStarted(e) if e.batch == batch)
            || matches!(fact.event, Event::RoomClimateRead(_))
                && fact.station_seq.is_multiple_of(500)
    };
    let few: Vec<Fact> = facts.iter().filter(of_it).take(12).cloned().collect();
    worker.hear(&few);
    let now = few.iter().map(|fact| fact.recorded_at).max().unwrap();
    let reading = facts
        .iter()
        .find(|fact| matches!(fact.event, Event::RoomClimateRead(_)))
        .unwrap();
    let void = |nth, fact| {
        let reason = "wrong".to_owned();
        office(nth, now, Voided { fact, reason })
    };
    let told = facts::ForecastTold {
        batch,
        cover_pct: None,
        covered: None,
        leaves: None,
        moved_on: None,
        ready: facts::ExpectedOn {
            day: now.date_naive(),
            from: now.date_naive(),
            until: now.date_naive(),
        },
        rind_looks: 1,
        cores: 2,
        learnt_from: 3,
        worth_ironing: Vec::new(),
    };
    let nobody = office(5, now, returned(vec!["NOBODYS".parse().unwrap()]));
    worker.hear(&[reading.clone(), void(1, reading.id), void(2, few[0].id)]);
    worker.hear(&[office(4, now, told), nobody]);
    worker.round(now);
    let mut waits = reading.clone();
    waits.id = named(6);
    worker.hear(&[waits]);
    worker.write();
    worker
}

#[test]
fn the_layout_of_this_number_is_the_one_that_is_written_down_for_it() {
    let mut worker = full();
    worker.known = None;
    let is = dump(&worker.folder.path().join("store"));
    for kind in [
        "a/", "b/", "f/", "h/", "l/", "q/", "s/", "t/", "u/", "w/", "x/",
    ] {
        assert!(
            is.lines().any(|line| line.starts_with(kind)),
            "none of {kind}"
        );
    }
    let name = format!("src/tests/layout-{FORMAT}.txt");
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join(&name);
    let was = std::fs::read_to_string(&path).unwrap_or_default();
    if was.is_empty() && std::env::var("WHEELWARD_GOLDEN").is_ok_and(|what| what == "add") {
        std::fs::write(&path, is).unwrap();
        return;
    }
    let differ = is.lines().zip(was.lines()).find(|(is, was)| is != was);
    assert!(
        is == was,
        "what is stored lies otherwise than format {FORMAT} says: raise FORMAT, remove {name}, and run this with WHEELWARD_GOLDEN=add. First difference: {differ:?}"
    );
}

#[tokio::test]
async fn a_store_with_a_record_that_does_not_read_is_put_aside_and_begun_anew() {
    for kind in ["l/", "h/", "f/"] {
        let mut worker = full();
        worker.known = None;
        let path = worker.folder.path().join("store");
        {
            let tree = records(&path);
            let (key, value) = tree.scan_prefix(kind).next().unwrap().unwrap();
            tree.insert(key, &value[..value.len() / 2]).unwrap();
        }
        let mut opened = open(worker.folder.path());
        if kind == "f/" {
            // A fact is read when its batch is gathered: at the latest then.
            let round = opened.known.round(at("2026-03-12T20:00:00Z")).unwrap();
            let unreadable = round.unwrap().work().err().unwrap();
            drop(opened);
            let shutdown = bus::Shutdown::new();
            let recovered = projection::recover(&path, unreadable, &shutdown).await;
            assert!(recovered.unwrap().is_some());
            opened = open(worker.folder.path());
        }
        assert!(path.with_extension("damaged-1").is_dir());
        assert_eq!(opened.position, None, "nothing of it is believed");
    }
}
