//! Disks fail. A damaged store may forget what the log still has; it must never lie.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use rand::rngs::StdRng;
use rand::{Rng as _, SeedableRng as _};
use ripening::{Floor, answer};

use crate::story::{Writer, story_of};
use crate::{load, open};

/// So many that sled's file has several segments, and some of them are used again.
const BATCHES: u32 = 12;

const DAMAGES: usize = 150;

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

fn files(dir: &Path) -> Vec<PathBuf> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(dir).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            found.extend(files(&path));
        } else if path.metadata().unwrap().len() > 0 {
            found.push(path);
        }
    }
    found.sort();
    found
}

/// Damages one file somewhere before its last byte that is not zero; says how.
fn damage(dir: &Path, rng: &mut StdRng) -> String {
    let files = files(dir);
    let largest = files
        .iter()
        .max_by_key(|file| file.metadata().unwrap().len());
    let file = match rng.random_bool(0.2) {
        true => &files[rng.random_range(0..files.len())],
        false => largest.unwrap(),
    };
    let mut bytes = std::fs::read(file).unwrap();
    let used = bytes.iter().rposition(|byte| *byte != 0).unwrap_or(0) + 1;
    let at = rng.random_range(0..used);
    let how = match rng.random_range(0..3) {
        0 => {
            bytes[at] ^= 1 << rng.random_range(0..8);
            "a bit turned"
        }
        1 => {
            let end = (at + 512).min(bytes.len());
            bytes[at..end].fill(0);
            "a sector zeroed"
        }
        _ => {
            bytes.truncate(at);
            "cut off"
        }
    };
    std::fs::write(file, bytes).unwrap();
    format!("{how} at {at} of {}", file.display())
}

/// What a mistake would show in: every wheel, every count, every station's numbers.
fn told(floor: &Floor) -> String {
    let stations: Vec<_> = floor.stations().collect();
    format!(
        "{:?} {:?} {stations:?}",
        floor.counts(),
        answer::census(floor)
    )
}

#[test]
fn a_damaged_store_is_an_earlier_one_or_an_empty_one_and_catches_up_from_the_log() {
    let seed = std::env::var("WHEELWARD_TEST_SEED")
        .map_or_else(|_| 1, |seed| seed.parse().expect("a number"));
    println!("WHEELWARD_TEST_SEED={seed} plays this run again");
    let mut rng = StdRng::seed_from_u64(seed);
    let folder = tempfile::tempdir().unwrap();
    let whole = folder.path().join("whole");
    let log = story_of(BATCHES);
    let mut truth = BTreeMap::new();
    {
        let store = open(&whole).unwrap();
        let mut writer = Writer::on(&store);
        truth.insert(0, told(&writer.floor));
        for fact in log.chunks(1) {
            writer.write(fact);
            truth.insert(writer.position, told(&writer.floor));
        }
    }
    let end = &truth[&(log.len() as u64)];
    let mut went_back = 0;
    for number in 0..DAMAGES {
        let path = folder.path().join(format!("store-{number}"));
        copy(&whole, &path);
        let how = damage(&path, &mut rng);
        let store = open(&path).unwrap_or_else(|error| panic!("{how}: {error}"));
        let mut writer = Writer::on(&store);
        let position = writer.position;
        assert_eq!(Some(&told(&writer.floor)), truth.get(&position), "{how}");
        writer.write(&log[usize::try_from(position).unwrap()..]);
        assert_eq!(told(&writer.floor), *end, "{how}");
        went_back += usize::from(position < log.len() as u64);
        drop(store);
        std::fs::remove_dir_all(&path).unwrap();
    }
    assert!(
        went_back > DAMAGES / 4,
        "only {went_back} damages did any harm"
    );
}

#[test]
fn a_store_that_cannot_be_opened_is_put_aside_whole_and_a_new_one_begun() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("scheduler");
    Writer::on(&open(&path).unwrap()).write(&story_of(1));
    let nonsense = b"this is no store";
    std::fs::write(path.join("conf"), nonsense).unwrap();
    for number in 1..=2 {
        let store = open(&path).unwrap();
        assert_eq!(
            load(&store, crate::story::practice()).unwrap().position,
            None
        );
        drop(store);
        let aside = folder.path().join(format!("scheduler.damaged-{number}"));
        assert_eq!(std::fs::read(aside.join("conf")).unwrap(), nonsense);
        std::fs::write(path.join("conf"), nonsense).unwrap();
    }
}
