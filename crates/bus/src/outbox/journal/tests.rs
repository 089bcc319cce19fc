//! The journal over random histories, cuts and flipped bits.

use proptest::prelude::*;

use std::collections::BTreeMap;
use std::fs::OpenOptions;

use super::super::book::Memory;
use super::folder::fresh;
use super::state::DEAD;
use super::*;

type Model = BTreeMap<Vec<u8>, Vec<u8>>;

fn all(shelf: &Journal) -> Model {
    shelf
        .scan(Vec::new(), vec![0xff; 12])
        .map(Result::unwrap)
        .collect()
}

fn set(key: &[u8], value: &[u8]) -> (Vec<u8>, Option<Vec<u8>>) {
    (key.to_vec(), Some(value.to_vec()))
}

fn file_of(dir: &Path) -> PathBuf {
    journals(dir).unwrap().pop().unwrap().1
}

/// Keys and values as the book has them, and worse.
fn bytes() -> impl Strategy<Value = Vec<u8>> {
    proptest::collection::vec(
        prop_oneof![
            Just(b'w'),
            Just(b's'),
            Just(b'='),
            Just(b'%'),
            Just(b'\t'),
            Just(b'\n'),
            any::<u8>()
        ],
        0..6,
    )
}

fn batch() -> impl Strategy<Value = Changes> {
    let change = (bytes(), proptest::option::weighted(0.7, bytes()));
    let moved = (any::<[u8; 2]>(), bytes()).prop_map(|(key, value)| {
        vec![
            ([&b"w"[..], &key].concat(), None),
            ([&b"s"[..], &key].concat(), Some(value)),
        ]
    });
    prop_oneof![
        4 => proptest::collection::vec(change, 0..5),
        1 => moved,
    ]
    .prop_map(Changes)
}

fn model(of: &mut Model, changes: &Changes) {
    for (key, value) in &changes.0 {
        match value {
            Some(value) => of.insert(key.clone(), value.clone()),
            None => of.remove(key),
        };
    }
}

/// Of two changes of one key in a batch the later counts, as the book never asks for.
fn each_key_once(mut changes: Changes) -> Changes {
    let mut seen = std::collections::HashSet::new();
    changes.0.retain(|(key, _)| seen.insert(key.clone()));
    changes
}

proptest! {
    #[test]
    fn what_was_applied_is_there_and_after_a_new_start_too(
        batches in proptest::collection::vec((batch(), any::<bool>()), 1..30),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let (mut journal, _) = Journal::open(dir.path()).unwrap();
        let memory = Memory::default();
        let mut expected = Model::new();
        for (changes, again) in batches {
            let changes = each_key_once(changes);
            model(&mut expected, &changes);
            memory.apply(changes.clone()).unwrap();
            journal.apply(changes).unwrap();
            if again {
                drop(journal);
                let found;
                (journal, found) = Journal::open(dir.path()).unwrap();
                prop_assert!(!found.incomplete);
            }
            prop_assert_eq!(&all(&journal), &expected);
            for (key, value) in &expected {
                prop_assert_eq!(journal.get(key).unwrap(), Some(value.clone()));
            }
        }
        let (looked, damaged) = look(dir.path()).unwrap();
        prop_assert_eq!(damaged, 0);
        prop_assert_eq!(looked.into_iter().collect::<Model>(), expected.clone());
        journal.rewrite(&Found::nothing()).unwrap();
        prop_assert_eq!(&all(&journal), &expected);
    }

    #[test]
    fn a_file_cut_anywhere_has_all_that_was_whole_before_the_cut(
        batches in proptest::collection::vec(batch(), 1..12), cut in any::<prop::sample::Index>(),
    ) {
        let dir = tempfile::tempdir().unwrap();
        let (journal, _) = Journal::open(dir.path()).unwrap();
        let mut states = vec![(0, Model::new())];
        let mut expected = Model::new();
        for changes in batches {
            let changes = each_key_once(changes);
            model(&mut expected, &changes);
            journal.apply(changes).unwrap();
            states.push((journal.state().length, expected.clone()));
        }
        let file = file_of(dir.path());
        drop(journal);
        let length = fs::metadata(&file).unwrap().len();
        let at = cut.index(usize::try_from(length).unwrap() + 1) as u64;
        OpenOptions::new().write(true).open(&file).unwrap().set_len(at).unwrap();
        let (journal, found) = Journal::open(dir.path()).unwrap();
        prop_assert!(!found.incomplete, "what was half written was told to nobody");
        // A line that lacks its line break alone is whole.
        let whole = |(length, _): &&(u64, Model)| *length <= at || *length == at + 1;
        let last = states.iter().rfind(whole).unwrap();
        prop_assert_eq!(&all(&journal), &last.1);
    }

    #[test]
    fn a_damaged_line_costs_what_it_says_and_is_put_aside(
        values in proptest::collection::vec(bytes(), 2..20), which in any::<prop::sample::Index>(),
        flip in any::<prop::sample::Index>(), bit in 0..8_u32,
    ) {
        let dir = tempfile::tempdir().unwrap();
        let (journal, _) = Journal::open(dir.path()).unwrap();
        let mut ends = vec![0];
        for (n, value) in values.iter().enumerate() {
            journal.apply(Changes(vec![set(&[b'w', n as u8], value)])).unwrap();
            ends.push(journal.state().length);
        }
        let file = file_of(dir.path());
        drop(journal);
        let mut text = fs::read(&file).unwrap();
        let hit = which.index(values.len());
        let (from, to) = (ends[hit] as usize, ends[hit + 1] as usize);
        // The line's last byte is its line break: without it two lines are one.
        let at = from + flip.index(to - from - 1);
        text[at] ^= 1 << bit;
        fs::write(&file, &text).unwrap();
        prop_assert!(look(dir.path()).unwrap().1 > 0);
        let (journal, found) = Journal::open(dir.path()).unwrap();
        prop_assert!(found.incomplete);
        let there = all(&journal);
        for (n, value) in values.iter().enumerate() {
            let expected = (n != hit).then_some(value);
            prop_assert_eq!(there.get(&vec![b'w', n as u8]), expected);
        }
        journal.seen_to(&found).unwrap();
        let aside = fs::read(dir.path().join("journal.txt.damaged-1")).unwrap();
        prop_assert_eq!(aside, &text[from..to]);
        drop(journal);
        let (_, found) = Journal::open(dir.path()).unwrap();
        prop_assert!(!found.incomplete, "it is told once");
    }

    #[test]
    fn no_bytes_make_it_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let dir = tempfile::tempdir().unwrap();
        fs::write(path_of(dir.path(), 1), &bytes).unwrap();
        let _ = look(dir.path());
        let (journal, _) = Journal::open(dir.path()).unwrap();
        let _ = all(&journal);
    }
}

#[test]
fn what_is_dead_is_left_out_and_a_settled_fact_takes_few_bytes() {
    let dir = tempfile::tempdir().unwrap();
    let (journal, _) = Journal::open(dir.path()).unwrap();
    let line = vec![b'x'; 700];
    let key = |kind: u8, n: u64| [&[kind][..], &n.to_be_bytes()].concat();
    for n in 0..20_000 {
        journal
            .apply(Changes(vec![set(&key(b'w', n), &line)]))
            .unwrap();
        let before = journal.state().length;
        let settled = vec![(key(b'w', n), None), set(&key(b's', n), &line)];
        journal.apply(Changes(settled)).unwrap();
        let grew = journal.state().length.saturating_sub(before);
        assert!(grew < 100, "{grew}");
        if n >= 100 {
            journal
                .apply(Changes(vec![(key(b's', n - 100), None)]))
                .unwrap();
        }
        if n % 100 == 0 {
            journal.sync().unwrap();
        }
    }
    assert_eq!(all(&journal).len(), 100);
    assert!(
        journal.state().length < 2 * DEAD,
        "{}",
        journal.state().length
    );
    assert_eq!(journals(dir.path()).unwrap().len(), 1);
}

#[test]
fn a_write_that_fails_leaves_it_as_it_was_and_the_next_is_taken() {
    let dir = tempfile::tempdir().unwrap();
    let (journal, _) = Journal::open(dir.path()).unwrap();
    journal.apply(Changes(vec![set(b"w1", b"one")])).unwrap();
    // A file that cannot be written to, as on a full disk.
    let file = {
        let mut state = journal.state();
        let closed = File::open(file_of(dir.path())).unwrap();
        std::mem::replace(&mut state.file, Arc::new(closed))
    };
    assert!(journal.apply(Changes(vec![set(b"w2", b"two")])).is_err());
    assert_eq!(all(&journal).len(), 1);
    journal.state().file = file;
    journal.apply(Changes(vec![set(b"w3", b"three")])).unwrap();
    journal.sync().unwrap();
    // What no sync took is taken back with a sync that failed.
    journal.apply(Changes(vec![set(b"w4", b"four")])).unwrap();
    journal.rewrite(&journal.read_back().unwrap()).unwrap();
    let keys: Vec<_> = all(&journal).into_keys().collect();
    assert_eq!(keys, [b"w1", b"w3"]);
    journal.apply(Changes(vec![set(b"w4", b"four")])).unwrap();
    assert_eq!(all(&journal).len(), 3);
}

#[test]
fn a_second_try_after_one_that_failed_loses_nothing() {
    let dir = tempfile::tempdir().unwrap();
    let (journal, _) = Journal::open(dir.path()).unwrap();
    journal.apply(Changes(vec![set(b"w1", b"one")])).unwrap();
    journal.sync().unwrap();
    // What counts cannot be written anew: something else lies where it would.
    fs::create_dir(fresh(dir.path())).unwrap();
    for _ in 0..3 {
        let found = journal.read_back().unwrap();
        assert!(journal.rewrite(&found).is_err());
        assert_eq!(all(&journal).len(), 1);
    }
    fs::remove_dir(fresh(dir.path())).unwrap();
    journal.rewrite(&journal.read_back().unwrap()).unwrap();
    assert_eq!(all(&journal).len(), 1);
    drop(journal);
    let (journal, _) = Journal::open(dir.path()).unwrap();
    assert_eq!(all(&journal).len(), 1);
}

#[test]
fn what_is_written_after_a_file_was_written_anew_is_in_the_one_that_the_next_start_takes() {
    let dir = tempfile::tempdir().unwrap();
    let (journal, _) = Journal::open(dir.path()).unwrap();
    journal.apply(Changes(vec![set(b"w1", b"one")])).unwrap();
    // The folder could not be synced after the new file had its name.
    let mut new = journal.state().rewritten(dir.path(), &[]).unwrap();
    new.named = false;
    journal.replace(&mut journal.state(), new);
    assert_eq!(journals(dir.path()).unwrap().len(), 2);
    journal.apply(Changes(vec![set(b"w2", b"two")])).unwrap();
    journal.sync().unwrap();
    drop(journal);
    let (journal, _) = Journal::open(dir.path()).unwrap();
    assert_eq!(all(&journal).len(), 2);
    assert_eq!(journals(dir.path()).unwrap().len(), 1);
}

#[test]
fn a_file_is_written_anew_only_with_what_is_on_the_disk() {
    let dir = tempfile::tempdir().unwrap();
    let (journal, _) = Journal::open(dir.path()).unwrap();
    let value = vec![b'x'; 100_000];
    for n in 0..100 {
        journal
            .apply(Changes(vec![set(b"w1", &value), set(&[b'k', n], b"")]))
            .unwrap();
    }
    // It is long enough, and nobody waited for the disk: all of it can still be taken back.
    let long = |state: &State| state.length > state.rewrite_at;
    assert!(long(&journal.state()));
    assert_eq!((journal.applied(), journal.durable()), (100, 0));
    let number = journal.state().number;
    journal.read_back().unwrap();
    assert!(all(&journal).is_empty());
    for n in 0..100 {
        journal
            .apply(Changes(vec![set(b"w1", &value), set(&[b'k', n], b"")]))
            .unwrap();
    }
    journal.sync().unwrap();
    assert_eq!((journal.applied(), journal.durable()), (200, 200));
    assert_eq!(journal.state().number, number + 1);
    assert!(journal.state().length < 200_000);
    assert_eq!(all(&journal).len(), 101);
}

#[test]
fn after_a_file_was_written_anew_damage_costs_one_entry() {
    let dir = tempfile::tempdir().unwrap();
    let (journal, _) = Journal::open(dir.path()).unwrap();
    let many = (0..50).map(|n| set(&[b'w', n], &[b'x'; 200])).collect();
    journal.apply(Changes(many)).unwrap();
    journal.rewrite(&Found::nothing()).unwrap();
    let file = file_of(dir.path());
    let mut text = fs::read(&file).unwrap();
    let at = text.len() / 2;
    text[at] ^= 4;
    fs::write(&file, text).unwrap();
    // While it is open: what does not read is put aside, and the rest is as it was.
    let bad = (0..50).filter(|n| journal.get(&[b'w', *n]).is_err());
    assert_eq!(bad.count(), 1);
    assert!(journal.is_suspect());
    let found = journal.read_back().unwrap();
    journal.rewrite(&found).unwrap();
    assert!(found.incomplete && !journal.is_suspect());
    assert_eq!(all(&journal).len(), 49);
}
