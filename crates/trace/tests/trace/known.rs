//! A recall of something that there is not is no all-clear, and a code is the same in any case.

use facts::Scope;
use names::{Kind, Known};
use trace::{Level, Settings};

use crate::given::{Log, id, names, time, wheels, window};

/// A culture that was written down in capitals where it came in, and in small letters at one
/// of the vats.
fn two_vats() -> Log {
    let mut log = Log::default();
    log.milk("5 05:00", "milk-1", 450.0);
    log.lot("5 05:30", "CUL2026W10", facts::LotKind::Culture, None);
    log.vat("5 06:00", "260304B", "V1", 220.0, "milk-1");
    log.vat("5 07:00", "260304C", "V2", 220.0, "milk-1");
    log.dosed("5 06:10", "260304B", "CUL2026W10", 40.0);
    log.dosed("5 07:10", "260304c", "cul2026w10", 40.0);
    log.portion("6 09:00", "260304B", "B-01 B-02");
    log.portion("6 10:00", "260304C", "C-01");
    log.load("6 11:00", "B-01 b-02", "S07");
    log.go("6 12:00", "B-01 B-02", Some("S07"), "R1");
    log.pierce("9 12:00", "B-01", "PM1");
    log
}

#[test]
fn a_lot_in_any_case_leads_to_all_that_was_made_of_it() {
    let log = two_vats();
    for code in ["CUL2026W10", "cul2026w10", "Cul2026W10"] {
        let mut index = log.index();
        let about = Scope::Lot(id(code));
        let recall = index
            .trace()
            .recall_of(
                &about,
                &Known::default(),
                &Settings::default(),
                time("25 12:00"),
            )
            .unwrap();
        assert_eq!(names(&recall, Level::Certain), "B-01 B-02 C-01");
        assert_eq!(
            recall.about.to_string(),
            "lot CUL2026W10",
            "as it was entered"
        );
    }
}

#[test]
fn nothing_that_there_is_not_can_be_recalled_or_held() {
    let log = two_vats();
    let mut index = log.index();
    let trace = index.trace();
    let own = Known::default().with(Kind::Room, ["R1", "R2"]);
    let then = window("1 00:00", "20 00:00");
    let room = |room: &str| Scope::Room {
        room: id(room),
        window: then,
    };
    let said = |scope: &Scope| trace.known(scope, &own).map_err(|none| none.to_string());
    for (scope, words) in [
        (
            Scope::Lot(id("CUL2027")),
            "there is no lot CUL2027; did you mean CUL2026W10?",
        ),
        (
            Scope::Batch(id("260304D")),
            "there is no batch 260304D; did you mean 260304B or 260304C?",
        ),
        (
            Scope::Wheels(wheels("B-01 B-03")),
            "there is no wheel B-03; did you mean B-01 or B-02?",
        ),
        (room("R9"), "there is no room R9; did you mean R1 or R2?"),
        (
            Scope::Stillage {
                stillage: id("S08"),
                window: then,
            },
            "there is no stillage S08; did you mean S07?",
        ),
        (
            Scope::Tool {
                tool: id("PM2"),
                window: then,
            },
            "there is no tool PM2; did you mean PM1?",
        ),
    ] {
        assert_eq!(said(&scope).unwrap_err(), words);
    }
    // What the site has is known before a fact speaks of it.
    assert!(said(&room("r2")).is_ok());
    assert_eq!(trace.wheels_in(&Scope::Batch(id("260304b"))), 2);
}

#[test]
fn what_only_corrected_facts_speak_of_is_not_in_the_books() {
    let mut log = Log::default();
    let vat = log.vat("5 06:00", "260304B", "V1", 220.0, "");
    log.void("5 07:00", vat);
    let mut index = log.index();
    let none = index.trace().batch(id("260304B")).unwrap_err();
    assert_eq!(
        none.to_string(),
        "there is no batch 260304B: no batch is known yet"
    );
}

#[test]
fn nobody_is_said_to_be_unaffected_by_a_time_that_has_not_begun() {
    let log = two_vats();
    let mut index = log.index();
    let trace = index.trace();
    let ask = |from: &str, to: &str| {
        let window = window(from, to);
        let scopes = [
            Scope::Made(window),
            Scope::Room {
                room: id("R1"),
                window,
            },
            Scope::Stillage {
                stillage: id("S07"),
                window,
            },
            Scope::Tool {
                tool: id("PM1"),
                window,
            },
        ];
        let now = time("10 12:00");
        let ask = |scope| trace.recall_of(&scope, &Known::default(), &Settings::default(), now);
        scopes.map(ask)
    };
    for asked in ask("10 12:01", "11 00:00") {
        let said = asked.unwrap_err().to_string();
        assert!(
            said.contains(
                "begins at 2026-01-10 12:01 UTC, and what is known reaches to 2026-01-10 12:00 UTC"
            ),
            "{said}"
        );
    }
    for asked in ask("1 00:00", "11 00:00") {
        let recall = asked.unwrap();
        assert!(!recall.wheels.is_empty(), "{}", recall.about);
        let flags: Vec<String> = recall.flags.iter().map(ToString::to_string).collect();
        assert!(
            flags
                .iter()
                .any(|f| f.contains("what is known reaches to 2026-01-10 12:00 UTC")),
            "{flags:?}"
        );
    }
    for asked in ask("1 00:00", "10 00:00") {
        let flags = asked.unwrap().flags;
        assert!(
            !flags
                .iter()
                .any(|flag| matches!(flag, trace::Flag::NotOver(..)))
        );
    }
}
