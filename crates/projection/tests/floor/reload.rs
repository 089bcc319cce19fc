//! What was written is what is read.

use facts::wire::{self, Read};
use projection::StoreError;

use crate::story::{Writer, end, practice, practice_in, seen, stored, story};
use crate::{load, open};

#[test]
fn a_floor_is_the_same_after_a_restart_and_stands_for_the_same_position() {
    let folder = tempfile::tempdir().unwrap();
    let facts = story();
    let mut told = 0;
    // A restart after every write.
    for part in facts.chunks(17) {
        let store = open(folder.path()).unwrap();
        let mut writer = Writer::on(&store);
        assert_eq!(writer.position, told);
        writer.write(part);
        told += part.len() as u64;
        let before = seen(&writer.floor);
        drop(store);
        let store = open(folder.path()).unwrap();
        let (position, after) = stored(&store);
        assert_eq!(position, Some(told));
        assert_eq!(after, before);
    }
    // And the same as a floor that never was on a disk.
    let mut plain = ripening::Floor::new(practice(), end());
    for fact in &facts {
        plain.apply(fact);
    }
    plain.refresh(end());
    let store = open(folder.path()).unwrap();
    assert_eq!(stored(&store).1, seen(&plain));
}

#[test]
fn what_was_not_written_is_not_there_and_what_was_is_there_with_its_position() {
    let folder = tempfile::tempdir().unwrap();
    let facts = story();
    let store = open(folder.path()).unwrap();
    let mut writer = Writer::on(&store);
    writer.write(&facts[..40]);
    let written = stored(&store);
    // Folded and gathered into a batch, but the crash comes first.
    writer.fold(&facts[40..80]);
    drop(writer.batch(1, &[]));
    drop(store);
    let store = open(folder.path()).unwrap();
    assert_eq!(stored(&store), written);
}

#[test]
fn an_empty_store_has_no_position_and_an_empty_floor() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path()).unwrap();
    let loaded = load(&store, practice()).unwrap();
    assert_eq!(loaded.position, None);
    assert_eq!(loaded.floor.counts(), ripening::Counts::default());
    assert_eq!(store.effects().unwrap(), []);
}

#[test]
fn in_another_time_zone_every_wheels_days_are_counted_again() {
    let folder = tempfile::tempdir().unwrap();
    let store = open(folder.path()).unwrap();
    let facts = story();
    Writer::on(&store).write(&facts);
    for zone in [
        chrono_tz::Pacific::Auckland,
        chrono_tz::America::Los_Angeles,
    ] {
        let mut plain = ripening::Floor::new(practice_in(zone), end());
        for fact in &facts {
            plain.apply(fact);
        }
        plain.refresh(end());
        let mut loaded = load(&store, practice_in(zone)).unwrap();
        let floor = loaded.floor.refresh(end());
        assert_eq!(seen(floor), seen(&plain), "{zone}");
    }
}

#[test]
fn a_store_that_is_open_elsewhere_is_refused_and_left_alone() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("scheduler");
    let store = open(&path).unwrap();
    Writer::on(&store).write(&story());
    let before = stored(&store);
    let Err(error) = open(&path) else {
        panic!("opened twice");
    };
    assert!(matches!(error, StoreError::InUse(_)), "{error}");
    let sentence = error.to_string();
    assert!(
        sentence.contains("is in use by another process: stop the other worker"),
        "{sentence}"
    );
    assert_eq!(stored(&store), before);
    let beside = std::fs::read_dir(folder.path()).unwrap().count();
    assert_eq!(beside, 1, "nothing was put aside");
    drop(store);
    assert_eq!(stored(&open(&path).unwrap()), before);
}

/// Codes in small letters and in capitals by turns are the same things, before a restart and
/// after it, and are shown as they were first written.
#[test]
fn a_log_that_writes_codes_in_both_cases_is_the_same_after_a_restart() {
    let facts = (0..).zip(story()).map(|(n, fact)| {
        let code = if n % 2 == 0 { "\"b31" } else { "\"B31" };
        let line = wire::to_line(&fact).unwrap().replace("\"31", code);
        match wire::from_line(&line).unwrap() {
            Read::Fact(fact) => fact,
            Read::UnknownType(unknown) => panic!("{}", unknown.ty),
        }
    });
    let facts: Vec<_> = facts.collect();
    let folder = tempfile::tempdir().unwrap();
    // The folder's lock may outlive its holder for a moment.
    let opened = || {
        let tries = std::iter::repeat_with(|| {
            std::thread::sleep(std::time::Duration::from_millis(5));
            open(folder.path())
        });
        tries.take(400).find_map(Result::ok).unwrap()
    };
    for part in facts.chunks(17) {
        let store = opened();
        Writer::on(&store).write(part);
    }
    let mut plain = ripening::Floor::new(practice(), end());
    facts.iter().for_each(|fact| plain.apply(fact));
    plain.refresh(end());
    assert_eq!(plain.batches().count(), 4, "each once");
    let store = opened();
    assert_eq!(stored(&store).1, seen(&plain));
}
