//! Back to lots and people, forward to customers.

use facts::{Event, ReworkSource, Scope, VatReworked, WheelDiscarded, WheelHeld, WheelReturned};
use quantity::Grams;
use trace::{Caution, Level, Whereabouts};

use crate::given::{Log, flags, id, names, time, wheels, why, window};

/// One milk lot in two batches, one of which has left.
fn two_batches() -> Log {
    let mut log = Log::default();
    log.milk("5 05:00", "milk-1", 450.0);
    log.vat("5 06:00", "b1", "V1", 220.0, "milk-1");
    log.vat("5 07:00", "b2", "V2", 220.0, "milk-1");
    log.vat("6 06:00", "b3", "V3", 220.0, "");
    log.portion("6 09:00", "b1", "b1-01 b1-02");
    log.portion("6 10:00", "b2", "b2-01");
    log.portion("7 10:00", "b3", "b3-01");
    log.order("8 09:00", "o1", "Corner Shop");
    log.order("8 09:00", "o2", "Quay Deli");
    log.dispatch("20 09:00", "b1-01", Some("o1"));
    log.dispatch("20 09:10", "b1-02", Some("o2"));
    log.deliver("21 09:00", "b1-01", "o1");
    log
}

#[test]
fn a_lot_leads_to_everything_made_of_it_and_to_who_has_it() {
    let recall = two_batches().recall_lot("milk-1");
    assert_eq!(names(&recall, Level::Certain), "b1-01 b1-02 b2-01");
    assert_eq!(
        why(&recall, "b1-02"),
        ["made of it: lot milk-1 milk for batch b1 portioned into wheel b1-02"]
    );
    let told: Vec<_> = recall
        .customers
        .iter()
        .map(|line| {
            (
                line.customer.as_deref().unwrap(),
                line.wheels.len(),
                line.arrived,
            )
        })
        .collect();
    assert_eq!(told, [("Corner Shop", 1, 1), ("Quay Deli", 1, 0)]);
    let places: Vec<_> = recall
        .wheels
        .iter()
        .map(|wheel| wheel.whereabouts)
        .collect();
    assert_eq!(
        places,
        [
            Whereabouts::Delivered,
            Whereabouts::InTransit,
            Whereabouts::InStock
        ]
    );
    assert_eq!(recall.back.len(), 1);
    assert_eq!(recall.back[0].supplier.as_deref(), Some("Upper Lark Farm"));
    assert_eq!(recall.people, [id("07")]);
    assert!(recall.cautions.contains(&Caution::Withdraw));
    assert!(recall.cautions.contains(&Caution::StillHere));
    assert!(!recall.cautions.contains(&Caution::RawMilk));
}

#[test]
fn a_wheel_leads_back_to_the_lots_it_is_made_of() {
    let mut log = two_batches();
    log.lot("4 09:00", "cult-9", facts::LotKind::Culture, None);
    log.dosed("5 06:30", "b1", "cult-9", 20.0);
    let recall = log.recall(&Scope::Wheels(wheels("b1-01")));
    let back: Vec<_> = recall
        .back
        .iter()
        .map(|line| line.lot.to_string())
        .collect();
    assert_eq!(back, ["cult-9", "milk-1"]);
    assert_eq!(names(&recall, Level::Certain), "b1-01");
}

#[test]
fn pooled_milk_is_traced_through_the_silo() {
    let mut log = Log::default();
    log.milk("5 04:00", "farm-a", 300.0);
    log.milk("5 04:30", "farm-b", 200.0);
    let pooled = facts::MilkPooled {
        lot: id("silo-1"),
        from: [("farm-a", 300.0), ("farm-b", 200.0)]
            .map(|(lot, litres)| facts::MilkPart {
                lot: id(lot),
                volume_l: quantity::Litres::new(litres).unwrap(),
            })
            .to_vec(),
    };
    log.fact("5 05:00", pooled);
    log.vat("5 06:00", "b1", "V1", 500.0, "silo-1");
    log.portion("6 09:00", "b1", "b1-01");
    let recall = log.recall_lot("farm-b");
    assert_eq!(names(&recall, Level::Certain), "b1-01");
    let back: Vec<_> = recall
        .back
        .iter()
        .map(|line| line.lot.to_string())
        .collect();
    assert_eq!(
        back,
        ["farm-b", "silo-1"],
        "the other farm is not in question"
    );
    let silo = recall
        .lots
        .iter()
        .find(|lot| lot.lot == id("silo-1"))
        .unwrap();
    assert_eq!(silo.left_over.unwrap().rounded(), 0);
}

#[test]
fn rework_carries_what_is_suspect_into_later_batches_and_a_ring_is_told() {
    let mut log = two_batches();
    let rework = |from, batch| VatReworked {
        batch: id(batch),
        from,
        weight_g: Grams::new(1_500).unwrap(),
    };
    log.fact("9 06:00", rework(ReworkSource::Wheel(id("b2-01")), "b3"));
    let recall = log.recall_lot("milk-1");
    assert_eq!(names(&recall, Level::Certain), "b1-01 b1-02 b2-01 b3-01");
    assert!(
        flags(&recall)
            .iter()
            .all(|words| !words.contains("each other"))
    );
    // Curd of b3 into b2: now each is in the other.
    log.fact("9 07:00", rework(ReworkSource::Batch(id("b3")), "b2"));
    let recall = log.recall_lot("milk-1");
    assert_eq!(names(&recall, Level::Certain), "b1-01 b1-02 b2-01 b3-01");
    assert!(flags(&recall).contains(
        &"by the records these went into each other: batch b2, batch b3, wheel b2-01".to_owned()
    ));
}

#[test]
fn what_came_back_is_in_stock_again_and_nobody_has_to_be_told() {
    let mut log = two_batches();
    let back = WheelReturned {
        wheels: wheels("b1-02"),
        reason: "wrong cheese".to_owned(),
    };
    log.fact("22 09:00", back);
    let thrown = WheelDiscarded {
        wheels: wheels("b2-01"),
        reason: "cracked".to_owned(),
    };
    log.fact("22 10:00", thrown);
    let recall = log.recall_lot("milk-1");
    let places: Vec<_> = recall
        .wheels
        .iter()
        .map(|wheel| wheel.whereabouts)
        .collect();
    assert_eq!(
        places,
        [
            Whereabouts::Delivered,
            Whereabouts::InStock,
            Whereabouts::Discarded
        ]
    );
    assert_eq!(recall.customers.len(), 1);
}

#[test]
fn wheels_made_in_a_time_are_all_in() {
    let recall = two_batches().recall(&Scope::Made(window("6 10:00", "7 10:00")));
    assert_eq!(
        names(&recall, Level::Certain),
        "b2-01",
        "the end is not part of it"
    );
}

#[test]
fn what_cannot_be_right_is_flagged_and_kept() {
    let mut log = Log::default();
    log.vat("5 06:00", "b1", "V1", 220.0, "ghost");
    log.milk("5 08:00", "late", 220.0);
    log.filled("5 07:00", "b1", "late", 220.0);
    log.go("5 09:00", "b1-01", None, "R1");
    log.portion("6 09:00", "b1", "b1-01 b1-02 b1-03");
    log.portion("7 09:00", "b1", "b1-02");
    let held = WheelHeld {
        wheels: wheels("b1-03"),
        hold: id("LAB"),
        reason: "waits for the laboratory".to_owned(),
    };
    log.fact("8 09:00", held);
    log.dispatch("9 09:00", "b1-03", None);
    log.go("9 09:00", "b1-04", None, "R1");
    let recall = log.recall(&Scope::Batch(id("b1")));
    assert_eq!(
        flags(&recall),
        [
            "lot ghost was used, but no fact says that it came in: find its delivery note",
            "lot late went into batch b1 before it came in: a clock or a code is wrong",
            "no heat treatment of milk lot ghost is recorded: treat what is made of it as raw-milk cheese",
            "b1-02 was portioned twice: two wheels may carry this serial",
            "something happened to b1-01 before it was portioned: a station's clock was wrong",
            "b1-03 left while hold LAB kept it",
            "b1-03 left without an order: nobody can say to whom",
        ]
    );
    assert!(recall.cautions.contains(&Caution::RawMilk));
    let stray = log.recall(&Scope::Wheels(wheels("b1-04 never-seen")));
    assert_eq!(names(&stray, Level::Certain), "b1-04");
    assert_eq!(
        flags(&stray),
        [
            "no fact speaks of wheel never-seen: check the code",
            "b1-04 was never portioned here: its batch is not known",
        ]
    );
}

#[test]
fn a_serial_portioned_into_two_batches_is_in_the_recall_of_either() {
    let mut log = two_batches();
    log.portion("7 11:00", "b3", "b1-01");
    assert!(names(&log.recall(&Scope::Batch(id("b3"))), Level::Certain).contains("b1-01"));
    assert!(names(&log.recall(&Scope::Batch(id("b1"))), Level::Certain).contains("b1-01"));
}

#[test]
fn a_question_about_nothing_known_is_answered_with_nothing() {
    let recall = two_batches().recall_lot("no-such-lot");
    assert!(recall.wheels.is_empty());
    assert_eq!(
        flags(&recall),
        ["no fact speaks of lot no-such-lot: check the code"]
    );
}

#[test]
fn a_drill_takes_something_that_has_left_and_is_a_fact_afterwards() {
    let log = two_batches();
    let mut index = log.index();
    let trace = index.trace();
    let about = trace.drill_about(time("25 12:00")).unwrap();
    assert_eq!(about, Scope::Lot(id("milk-1")));
    let recall = trace.recall(&about, &trace::Settings::default(), time("25 12:00"));
    let Event::TraceDrilled(fact) = Event::from(recall.drilled(41, None)) else {
        panic!("not a drill");
    };
    assert_eq!(
        (fact.wheels, fact.certain, fact.customers, fact.took_ms),
        (3, 3, 2, 41)
    );
    // b2-01 was last seen on the 6th.
    assert_eq!(fact.unexplained_g, 4_000);
}
