//! A sample leads to what it stands for; a positive swab opens contact tracing.

use facts::{LabResulted, LabSampled, LabSwabbed, SampleId, Scope, Verdict};
use trace::Level;

use crate::given::{Log, id, names, time, wheels};

fn swab(sample: &str, room: Option<&str>, tool: Option<&str>, zone: u8) -> LabSwabbed {
    LabSwabbed {
        sample: id(sample),
        room: room.map(id),
        tool: tool.map(id),
        point: "needle plate".to_owned(),
        zone,
        test: "Listeria spp.".to_owned(),
    }
}

fn result(sample: &str, verdict: Verdict) -> LabResulted {
    LabResulted {
        sample: id(sample),
        test: "Listeria spp.".to_owned(),
        value: "as the verdict says".to_owned(),
        verdict,
        units: Vec::new(),
        report: None,
    }
}

fn scope(log: &Log, sample: &str) -> Option<Scope> {
    log.index().trace().sample_scope(id::<SampleId>(sample))
}

#[test]
fn a_cheese_sample_stands_for_its_scope_its_batch_or_its_wheels() {
    let mut log = Log::default();
    let sampled = LabSampled {
        sample: id("q1"),
        batch: None,
        wheels: wheels("b1-01 b1-02"),
        test: "listeria".to_owned(),
        plan: None,
        scope: None,
        taken_g: None,
    };
    log.fact("5 09:00", sampled.clone());
    assert_eq!(
        scope(&log, "q1"),
        Some(Scope::Wheels(wheels("b1-01 b1-02")))
    );
    let of_batch = LabSampled {
        sample: id("q2"),
        batch: Some(id("b1")),
        ..sampled.clone()
    };
    log.fact("5 09:00", of_batch);
    assert_eq!(scope(&log, "q2"), Some(Scope::Batch(id("b1"))));
    let of_lot = LabSampled {
        sample: id("q3"),
        scope: Some(Scope::Lot(id("m1"))),
        ..sampled
    };
    log.fact("5 09:00", of_lot);
    assert_eq!(scope(&log, "q3"), Some(Scope::Lot(id("m1"))));
    assert_eq!(scope(&log, "unknown"), None);
}

#[test]
fn a_positive_tool_swab_reaches_back_to_the_last_clean_one_and_on_to_the_next_sanitising() {
    let mut log = Log::default();
    log.vat("1 06:00", "b", "V1", 220.0, "");
    log.portion("1 14:00", "b", "w1 w2 w3 w4");
    log.fact("5 16:00", swab("s1", None, Some("PM1"), 1));
    log.fact("8 16:00", result("s1", Verdict::Satisfactory));
    log.pierce("4 09:00", "w1", "PM1");
    log.pierce("9 09:00", "w2", "PM1");
    log.fact("12 16:00", swab("s2", None, Some("PM1"), 1));
    log.pierce("13 09:00", "w3", "PM1");
    log.sanitise("13 12:00", "PM1");
    log.pierce("14 09:00", "w4", "PM1");
    log.fact("15 16:00", result("s2", Verdict::Unsatisfactory));
    let about = scope(&log, "s2").unwrap();
    assert_eq!(names(&log.recall(&about), Level::Probable), "w2 w3");
    let Scope::Tool { window, .. } = about else {
        panic!("{about:?}")
    };
    assert_eq!(
        (window.from, window.to),
        (time("5 16:00"), Some(time("13 12:00")))
    );
}

#[test]
fn a_swab_whose_result_is_not_in_yet_cleans_nothing() {
    let mut log = Log::default();
    log.fact("5 16:00", swab("s1", Some("R3"), None, 3));
    log.fact("12 16:00", swab("s2", Some("R3"), None, 3));
    let Some(Scope::Room { window, .. }) = scope(&log, "s2") else {
        panic!()
    };
    assert_eq!(window.from.timestamp(), 0, "never found clean");
    log.fact("8 16:00", result("s1", Verdict::Satisfactory));
    let Some(Scope::Room { window, .. }) = scope(&log, "s2") else {
        panic!()
    };
    assert_eq!((window.from, window.to), (time("5 16:00"), None));
}

#[test]
fn a_swab_outside_the_rooms_holds_no_cheese() {
    let mut log = Log::default();
    log.fact("5 16:00", swab("s1", Some("YARD"), None, 4));
    assert_eq!(scope(&log, "s1"), None);
}
