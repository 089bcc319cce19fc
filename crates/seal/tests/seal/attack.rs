//! Records changed, removed, added, moved; seals and ledger as well.

use std::collections::BTreeSet;

use proptest::prelude::*;
use seal::verify::Whose;
use seal::{Entry, Finding, SigningKey};

use crate::given::{Records, key, line, records};

const FACT: &str = "fact 019b8c4f-fcf8-7452-8c26-";

#[test]
fn untouched_records_hold() {
    let report = records(&[3, 4, 2]).verify();
    assert!(report.holds());
    assert_eq!((report.records, report.seals), (9, 2));
    assert_eq!(
        (report.sealed, report.unsealed, report.unwritten),
        (7, 2, 0)
    );
    assert!(records(&[]).verify().holds());
    assert!(
        records(&[0, 3, 0, 0]).verify().holds(),
        "days without records"
    );
}

#[test]
fn facts_that_came_after_the_ledger_was_written_are_no_finding() {
    let mut kept = records(&[3, 4, 2]);
    kept.log.push(line(10, "new"));
    let report = kept.verify();
    assert!(report.holds());
    assert_eq!(report.unwritten, 1);
}

#[test]
fn one_changed_fact_is_named() {
    let mut kept = records(&[3, 4, 2]);
    kept.log[4] = line(5, "as it never was");
    assert_eq!(
        kept.findings(),
        [format!(
            "number 5, sequence 105, {FACT}000000000005: changed in the log"
        )]
    );
    let day = kept.verify_without_ledger().findings;
    assert_eq!(day.len(), 1);
    assert_eq!(
        day[0].to_string(),
        "numbers 4 to 7, sealed for 2026-03-02: something was changed, removed, added or moved among them, and the ledger cannot tell what"
    );
}

#[test]
fn one_missing_fact_is_named() {
    let mut kept = records(&[3, 4, 2]);
    kept.log.remove(1);
    assert_eq!(
        kept.findings(),
        [format!(
            "number 2, sequence 102, {FACT}000000000002: missing from the log"
        )]
    );
}

#[test]
fn the_end_cut_off_is_named() {
    let mut kept = records(&[3, 4]);
    kept.log.truncate(5);
    assert_eq!(
        kept.findings(),
        [6, 7].map(|n| format!(
            "number {n}, sequence 10{n}, {FACT}00000000000{n}: missing from the log, or put into the ledger (no seal says which)"
        ))
    );
}

#[test]
fn one_added_fact_is_named_also_when_it_repeats_another() {
    let mut kept = records(&[3, 4, 2]);
    kept.log.insert(5, line(99, "slipped in"));
    assert_eq!(
        kept.findings(),
        [format!(
            "sequence 0, place 6 of the log, {FACT}000000000063: added to the log"
        )]
    );
    let mut kept = records(&[3, 4, 2]);
    kept.log.insert(5, kept.log[0].clone());
    assert_eq!(
        kept.findings(),
        [format!(
            "sequence 0, place 6 of the log, {FACT}000000000001: added to the log; it repeats number 1"
        )]
    );
}

#[test]
fn one_moved_fact_is_named() {
    let mut kept = records(&[3, 4, 2]);
    let moved = kept.log.remove(0);
    kept.log.insert(5, moved);
    assert_eq!(
        kept.findings(),
        [format!(
            "number 1, sequence 101, {FACT}000000000001: moved to place 6 in the log"
        )]
    );
}

#[test]
fn a_ledger_rewritten_together_with_the_log_betrays_the_day() {
    let mut kept = records(&[3, 4, 2]);
    kept.log[4] = line(5, "as it never was");
    kept.ledger[4].1 = Entry::of(&kept.log[4], 105);
    assert_eq!(
        kept.findings(),
        [
            "numbers 4 to 7, sealed for 2026-03-02: something was changed, removed, added or moved among them, and the ledger cannot tell what"
        ]
    );
}

#[test]
fn a_ledger_rewritten_alone_is_told_from_a_rewritten_log() {
    let mut kept = records(&[3, 4, 2]);
    kept.ledger[4].1 = Entry::of(&line(5, "as it never was"), 105);
    kept.ledger.remove(1);
    assert_eq!(
        kept.findings(),
        [
            format!(
                "sequence 0, place 2 of the log, {FACT}000000000002: taken out of the ledger (the log has what was sealed)"
            ),
            format!(
                "number 5, sequence 105, {FACT}000000000005: changed in the ledger (the log has what was sealed)"
            ),
        ],
    );
}

#[test]
fn forged_foreign_and_missing_seals_are_told() {
    let mut kept = records(&[3, 4, 2, 1]);
    let other = SigningKey::from_seed(&[8; 32]);
    kept.seals[2] = kept.seals[2].statement.clone().sign(&other);
    assert_eq!(
        kept.findings(),
        [format!(
            "the seal of 2026-03-03 is signed by {}, which is not the site's key",
            other.public()
        )]
    );

    let mut kept = records(&[3, 4, 2, 1]);
    kept.seals.remove(1);
    assert_eq!(
        kept.findings(),
        [
            "the seal of 2026-03-03 does not follow the one before it: one is gone, or they were exchanged"
        ]
    );

    let mut kept = records(&[3, 4, 2, 1]);
    let text = kept.seals[0].to_string().replace("last 3", "last 2");
    kept.seals[0] = text.parse().unwrap();
    let findings = kept.findings();
    assert!(
        findings[0].contains("2026-03-01: its signature does not fit"),
        "{findings:?}"
    );
}

#[test]
fn without_a_known_key_the_first_seals_key_is_taken() {
    let kept = records(&[3, 4, 2]);
    let ledger = kept.ledger.iter().map(|entry| Ok(*entry));
    let log = kept.log.iter().map(|line| Entry::of(line, 0));
    let report = seal::verify(&crate::given::site(), &kept.seals, &[], Some(ledger), log);
    assert!(report.holds());
    let _ = key();
}

/// One thing done to the log: which record, and what.
#[derive(Debug, Clone)]
enum Deed {
    Change(prop::sample::Index),
    Remove(prop::sample::Index),
    Add(prop::sample::Index),
    Repeat(prop::sample::Index, prop::sample::Index),
}

fn any_deed() -> impl Strategy<Value = Deed> {
    let index = any::<prop::sample::Index>;
    prop_oneof![
        index().prop_map(Deed::Change),
        index().prop_map(Deed::Remove),
        index().prop_map(Deed::Add),
        (index(), index()).prop_map(|(which, to)| Deed::Repeat(which, to)),
    ]
}

/// A record and what was done to it.
fn told(report: &seal::Report) -> Vec<(String, &'static str)> {
    let id = |entry: &Entry| entry.id.unwrap().to_string();
    let told = report.findings.iter().map(|finding| match finding {
        Finding::Changed {
            was,
            whose: Whose::Log,
            ..
        } => (id(was), "changed"),
        Finding::Missing {
            was,
            whose: Whose::Log,
            ..
        } => (id(was), "missing"),
        Finding::Added {
            is,
            whose: Whose::Log,
            repeats: None,
            ..
        } => (id(is), "added"),
        Finding::Added {
            is,
            whose: Whose::Log,
            ..
        } => (id(is), "repeated"),
        Finding::Moved {
            was,
            whose: Whose::Log,
            ..
        } => (id(was), "moved"),
        other => panic!("{other}"),
    });
    let mut told: Vec<_> = told.collect();
    told.sort();
    told
}

/// Sealed days, and some records after the last seal that nobody touches.
fn any_records() -> impl Strategy<Value = Records> {
    prop::collection::vec(1usize..9, 1..6).prop_map(|days| records(&[days, vec![1, 0]].concat()))
}

fn id_of(line: &[u8]) -> String {
    seal::record::id_of(line).unwrap().to_string()
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(600))]

    #[test]
    fn everything_done_to_the_log_is_named_and_nothing_else(
        kept in any_records(),
        deeds in prop::collection::vec(any_deed(), 1..5),
    ) {
        let mut tampered = kept.clone();
        // The last record stays, so that what was put before it is not taken for news.
        let mut expected = Vec::new();
        let mut touched = BTreeSet::new();
        for (n, deed) in deeds.iter().enumerate() {
            let most = tampered.log.len() - 1;
            let fresh = 1_000 + n as u64;
            match deed {
                _ if most == 0 => {}
                Deed::Change(which) => {
                    let which = which.index(most);
                    let id = id_of(&tampered.log[which]);
                    if touched.insert(id.clone()) {
                        let text = String::from_utf8(tampered.log[which].clone()).unwrap();
                        tampered.log[which] = text.replace("as it was", "as it never was").into_bytes();
                        expected.push((id, "changed"));
                    }
                }
                Deed::Remove(which) => {
                    let which = which.index(most);
                    let id = id_of(&tampered.log[which]);
                    if touched.insert(id.clone()) {
                        tampered.log.remove(which);
                        expected.push((id, "missing"));
                    }
                }
                Deed::Add(which) => {
                    let new = line(fresh, "slipped in");
                    let id = id_of(&new);
                    touched.insert(id.clone());
                    expected.push((id, "added"));
                    tampered.log.insert(which.index(most + 1), new);
                }
                Deed::Repeat(which, to) => {
                    let which = which.index(most);
                    let id = id_of(&tampered.log[which]);
                    if touched.insert(id.clone()) {
                        // Behind itself: before itself it would be the original that repeats.
                        let to = which + 1 + to.index(most - which);
                        let copy = tampered.log[which].clone();
                        tampered.log.insert(to, copy);
                        expected.push((id, "repeated"));
                    }
                }
            }
        }
        expected.sort();
        let report = tampered.verify();
        prop_assert_eq!(told(&report), expected);
        let only_moved = |finding: &Finding| finding.is_order_only() == matches!(finding, Finding::Moved { .. });
        prop_assert!(report.findings.iter().all(only_moved));
    }

    #[test]
    fn any_other_order_is_found_and_naming_the_moved_ones_explains_it(
        (kept, order) in any_records().prop_flat_map(|kept| {
            let numbers: Vec<usize> = (0..kept.log.len()).collect();
            (Just(kept), Just(numbers).prop_shuffle())
        }),
    ) {
        let mut tampered = kept.clone();
        tampered.log = order.iter().map(|n| kept.log[*n].clone()).collect();
        let report = tampered.verify();
        prop_assert!(report.findings.iter().all(Finding::is_order_only));
        let moved: BTreeSet<u64> = report.findings.iter().map(|finding| match finding {
            Finding::Moved { number, .. } => *number,
            other => panic!("{other}"),
        }).collect();
        let rest: Vec<usize> = order.iter().copied().filter(|n| !moved.contains(&(*n as u64 + 1))).collect();
        prop_assert!(rest.is_sorted(), "what is not named stands in its order");
        let sorted: Vec<usize> = (0..order.len()).collect();
        prop_assert_eq!(moved.is_empty(), order == sorted);
    }

    #[test]
    fn a_ledger_changed_together_with_the_log_never_passes(
        kept in any_records(),
        which in any::<prop::sample::Index>(),
    ) {
        let mut tampered = kept.clone();
        let which = which.index(kept.log.len());
        let text = String::from_utf8(kept.log[which].clone()).unwrap();
        tampered.log[which] = text.replace("as it was", "as it never was").into_bytes();
        tampered.ledger[which].1 = Entry::of(&tampered.log[which], 0);
        let under_seal = kept.seals.last().is_some_and(|seal| seal.statement.last > which as u64);
        prop_assert_eq!(tampered.verify().holds(), !under_seal);
        prop_assert_eq!(tampered.verify_without_ledger().holds(), !under_seal);
    }

    #[test]
    fn no_byte_of_a_seal_can_be_changed(kept in any_records(), at in any::<prop::sample::Index>(), to in any::<u8>()) {
        let seal = &kept.seals[0];
        let mut bytes = seal.to_string().into_bytes();
        let at = at.index(bytes.len());
        prop_assume!(bytes[at] != to);
        bytes[at] = to;
        let Ok(text) = String::from_utf8(bytes) else { return Ok(()) };
        // White space at the end of a line is a typist's, and changes nothing that is said.
        match text.parse::<seal::Seal>() {
            Ok(read) => prop_assert!(!read.is_signed() || read == *seal, "{text}"),
            Err(refused) => prop_assert!(!refused.to_string().is_empty()),
        }
    }
}
