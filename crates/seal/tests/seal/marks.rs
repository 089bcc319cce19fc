//! Records that were cut short or made anew as a whole: only what lies elsewhere tells.

use proptest::prelude::*;
use seal::mark::{Kept, NotSo, vouch};
use seal::{Mark, Seal, SigningKey, Statement};

use crate::given::{Records, key, records};

/// What a person noted in the chat.
fn told(seal: &Seal, number: u64) -> (String, Kept) {
    ("the chat".to_owned(), Kept::Mark(Mark::of(seal, number)))
}

/// A print, or a copy on another box.
fn printed(seal: &Seal) -> (String, Kept) {
    ("a print".to_owned(), Kept::Seal(Box::new(seal.clone())))
}

/// The same days, as somebody seals them who has only another key.
fn sealed_anew(of: &Records, key: &SigningKey) -> Vec<Seal> {
    let mut seals: Vec<Seal> = Vec::new();
    for seal in &of.seals {
        let statement = Statement {
            previous: seals.last().map_or([0; 32], Seal::hash),
            ..seal.statement.clone()
        };
        seals.push(statement.sign(key));
    }
    seals
}

/// Seals as they were made before they said their number.
fn unnumbered(of: &Records) -> Vec<Seal> {
    let mut seals: Vec<Seal> = Vec::new();
    for seal in &of.seals {
        let statement = Statement {
            number: None,
            previous: seals.last().map_or([0; 32], Seal::hash),
            ..seal.statement.clone()
        };
        seals.push(statement.sign(&key()));
    }
    seals
}

#[test]
fn what_was_kept_vouches_for_every_day_up_to_it() {
    let kept = records(&[2, 2, 2, 2]);
    let (vouched, not_so) = vouch(
        &kept.seals,
        &[told(&kept.seals[1], 2), told(&kept.seals[0], 1)],
    );
    assert_eq!(vouched.unwrap().number, 2);
    assert!(not_so.is_empty());
    assert_eq!(
        vouch(&kept.seals, &[printed(&kept.seals[2])])
            .0
            .unwrap()
            .number,
        3
    );
    assert_eq!(vouch(&kept.seals, &[]), (None, Vec::new()));
}

#[test]
fn a_newest_seal_that_was_taken_away_with_all_after_it_is_missed_by_its_mark() {
    let kept = records(&[2, 2, 2, 2]);
    let mark = told(&kept.seals[2], 3);
    // With the tails of ledger and log, or the whole folder rolled back: in itself all is well.
    let mut cut = records(&[2, 2, 2, 2]);
    cut.seals.truncate(2);
    cut.ledger.truncate(4);
    cut.log.truncate(4);
    assert!(cut.verify().holds());
    for seals in [&cut.seals[..], &[]] {
        let (vouched, not_so) = vouch(seals, std::slice::from_ref(&mark));
        assert_eq!(vouched, None);
        let newest = seals.len() as u64;
        assert!(
            matches!(not_so[..], [NotSo::CutShort { number: 3, newest: n, .. }] if n == newest),
            "{not_so:?}"
        );
    }
    // A print of the first format has no number; it is missed all the same.
    let old = unnumbered(&kept);
    let (vouched, not_so) = vouch(&old[..2], &[printed(&old[2])]);
    assert!(vouched.is_none() && matches!(not_so[..], [NotSo::Gone { .. }]));
    assert_eq!(vouch(&old, &[printed(&old[2])]).0.unwrap().number, 3);
    assert_eq!(vouch(&old, &[told(&old[2], 3)]).0.unwrap().number, 3);
}

#[test]
fn all_sealed_anew_with_another_key_is_another_chain() {
    let kept = records(&[2, 2, 2]);
    let anew = sealed_anew(&kept, &SigningKey::from_seed(&[9; 32]));
    for outside in [told(&kept.seals[1], 2), printed(&kept.seals[1])] {
        let (vouched, not_so) = vouch(&anew, &[outside]);
        assert!(vouched.is_none() && matches!(not_so[..], [NotSo::Another { number: 2, .. }]));
    }
}

#[test]
fn a_chain_of_old_seals_goes_on_with_numbered_ones() {
    let mut kept = records(&[2, 2, 2, 2]);
    let newest = kept.seals.pop().unwrap();
    kept.seals = unnumbered(&kept);
    let statement = Statement {
        previous: kept.seals.last().unwrap().hash(),
        ..newest.statement
    };
    kept.seals.push(statement.clone().sign(&key()));
    assert!(kept.verify().holds());
    assert!(
        kept.seals[0]
            .to_string()
            .starts_with("wheelward seal 1\nsite larkholm\nday ")
    );
    // A number that is not its place is found.
    let wrong = Statement {
        number: Some(7),
        ..statement
    };
    *kept.seals.last_mut().unwrap() = wrong.sign(&key());
    assert!(!kept.verify().holds());
}

#[test]
fn a_mark_is_typed_as_it_was_told() {
    let kept = records(&[2, 0]);
    let mark = Mark::of(&kept.seals[0], 1);
    let text = mark.to_string();
    let shape: Vec<usize> = text.split('-').map(str::len).collect();
    assert_eq!(shape, [1, 4, 4, 4, 4], "{text}");
    for typed in [text.clone(), text.to_uppercase(), format!(" {text}\n")] {
        assert_eq!(typed.parse(), Ok(mark));
    }
    for wrong in [
        "",
        "1",
        "1-",
        "0-0a1b-2c3d-4e5f-6071",
        "x-0a1b-2c3d-4e5f-6071",
        "1-0a1b-2c3d-4e5f-607",
    ] {
        assert!(wrong.parse::<Mark>().is_err(), "{wrong:?}");
    }
}

proptest! {
    #[test]
    fn no_text_that_is_typed_for_a_mark_panics(text in "\\PC{0,40}") {
        let _ = text.parse::<Mark>();
    }
}
