//! What came in is somewhere, to the gram.

use facts::{
    Amount, LabSampled, LotCounted, LotKind, LotUsed, ReworkSource, Scope, Unit, VatDrained,
    VatReworked, WheelDiscarded, WheelWeighed,
};
use proptest::prelude::*;
use quantity::{Grams, Litres};
use trace::{Node, Settings, Whereabouts};

use crate::given::{Log, flags, id, time, wheels};

fn grams(g: u32) -> Grams {
    Grams::new(g).unwrap()
}

#[test]
fn the_parts_of_a_batch_add_up() {
    let mut log = Log::default();
    log.milk("5 05:00", "milk-1", 220.0);
    log.vat("5 06:00", "b1", "V1", 220.0, "milk-1");
    log.dosed("5 06:30", "b1", "cult-1", 25.0);
    let whey = VatDrained {
        batch: id("b1"),
        whey_l: Some(Litres::new(190.0).unwrap()),
    };
    log.fact("5 20:00", whey);
    log.portion("6 09:00", "b1", "b1-01 b1-02 b1-03 b1-04");
    let recall = log.recall(&Scope::Batch(id("b1")));
    let make = &recall.makes[0];
    // 220 L × 1.030 kg/L; 190 L × 1.025 kg/L.
    assert_eq!((make.milk_g, make.whey_g), (226_600, 194_750));
    assert_eq!((make.ingredients_g, make.portioned_g), (25, 16_000));
    assert_eq!(make.unexplained_g, 226_600 + 25 - 16_000 - 194_750);
}

#[test]
fn every_gram_of_the_wheels_is_somewhere() {
    let mut log = Log::default();
    log.vat("5 06:00", "b1", "V1", 220.0, "");
    log.portion("6 09:00", "b1", "b1-01 b1-02 b1-03 b1-04 b1-05");
    for (wheel, weight) in [("b1-01", 3_200), ("b1-02", 3_100), ("b1-04", 3_000)] {
        let weighed = WheelWeighed {
            wheel: id(wheel),
            weight_g: grams(weight),
            scale: None,
            tare_g: None,
        };
        log.fact("20 09:00", weighed);
    }
    let sampled = LabSampled {
        sample: id("q1"),
        batch: Some(id("b1")),
        wheels: wheels("b1-01 b1-02"),
        test: "listeria".to_owned(),
        plan: None,
        scope: None,
        taken_g: Some(grams(125)),
    };
    log.fact("21 09:00", sampled);
    let thrown = WheelDiscarded {
        wheels: wheels("b1-03"),
        reason: "cracked".to_owned(),
    };
    log.fact("21 10:00", thrown);
    let rework = VatReworked {
        batch: id("b9"),
        from: ReworkSource::Wheel(id("b1-04")),
        weight_g: grams(3_000),
    };
    log.fact("22 09:00", rework);
    log.dispatch("23 09:00", "b1-02", None);
    let balance = log.recall(&Scope::Batch(id("b1"))).balance;
    assert_eq!(balance.portioned_g, 20_000);
    assert_eq!(balance.matured_g, 800 + 900 + 1_000);
    assert_eq!((balance.sampled_g, balance.reworked_g), (125, 3_000));
    let whole: Vec<_> = balance
        .whole
        .iter()
        .map(|(place, sum)| (*place, *sum))
        .collect();
    assert_eq!(
        whole,
        [
            (Whereabouts::InStock, (2, 3_200 - 63 + 4_000)),
            (Whereabouts::InTransit, (1, 3_100 - 62)),
            (Whereabouts::Reworked, (1, 0)),
            (Whereabouts::Discarded, (1, 4_000)),
        ]
    );
    assert_eq!(balance.unexplained_g, 0);
    assert_eq!(balance.sum_g(), balance.portioned_g);
}

#[test]
fn wheels_that_nobody_has_seen_are_what_is_unexplained() {
    let mut log = Log::default();
    log.vat("5 06:00", "b1", "V1", 220.0, "");
    log.portion("6 09:00", "b1", "b1-01 b1-02");
    log.go("20 09:00", "b1-01", None, "R1");
    let mut index = log.index();
    let recall = index.trace().recall(
        &Scope::Batch(id("b1")),
        &Settings::default(),
        time("21 09:00"),
    );
    assert_eq!(recall.balance.unexplained_g, 4_000);
    assert_eq!(recall.wheels[1].whereabouts, Whereabouts::NotSeen);
    assert_eq!(recall.balance.sum_g(), 8_000);
}

#[test]
fn a_lot_that_was_counted_shows_what_went_astray() {
    let mut log = Log::default();
    let kilos = |value| Amount {
        value,
        unit: Unit::Kg,
    };
    log.lot("4 09:00", "salt-1", LotKind::Salt, Some(kilos(25.0)));
    log.vat("5 06:00", "b1", "V1", 220.0, "");
    log.dosed("5 20:00", "b1", "salt-1", 450.5);
    let recall = log.recall_lot("salt-1");
    let lot = &recall.lots[0];
    assert_eq!(lot.left_over.unwrap().to_string(), "24549.5");
    assert_eq!(lot.unexplained, None, "nobody has counted yet");
    let counted = LotCounted {
        lot: id("salt-1"),
        left: kilos(24.0),
    };
    log.fact("6 09:00", counted);
    let recall = log.recall_lot("salt-1");
    assert_eq!(recall.lots[0].unexplained.unwrap().to_string(), "549.5");
}

#[test]
fn milk_of_several_lots_is_split_by_facts_or_said_not_to_be() {
    let mut log = Log::default();
    log.milk("5 05:00", "m1", 300.0);
    log.milk("5 05:00", "m2", 200.0);
    log.vat("5 06:00", "b1", "V1", 450.0, "m1 m2");
    let recall = log.recall_lot("m1");
    assert_eq!(recall.lots[0].unsplit, [id("b1")]);
    assert_eq!(recall.lots[0].left_over, None);
    assert!(flags(&recall)[0].contains("no fact says how much of which"));
    log.filled("5 06:10", "b1", "m1", 270.0);
    log.filled("5 06:10", "b1", "m2", 180.0);
    let recall = log.recall_lot("m1");
    assert_eq!(
        recall.lots[0].used,
        [(Node::Batch(id("b1")), trace::Milli::whole(270_000))]
    );
    assert_eq!(recall.lots[0].left_over.unwrap().rounded(), 30_000);
    assert_eq!(flags(&recall), Vec::<String>::new());
}

#[test]
fn packaging_is_shared_out_over_the_wheels_and_adds_up() {
    let mut log = Log::default();
    let pieces = |value| Amount {
        value,
        unit: Unit::Piece,
    };
    log.lot("4 09:00", "wrap-1", LotKind::Packaging, Some(pieces(100.0)));
    log.vat("5 06:00", "b1", "V1", 220.0, "");
    log.portion("6 09:00", "b1", "b1-01 b1-02 b1-03");
    let used = LotUsed {
        lot: id("wrap-1"),
        wheels: wheels("b1-01 b1-02 b1-03"),
        via: None,
        amount: Some(pieces(4.0)),
    };
    log.fact("20 09:00", used);
    let recall = log.recall_lot("wrap-1");
    let parts: Vec<String> = recall.lots[0]
        .used
        .iter()
        .map(|(_, part)| part.to_string())
        .collect();
    assert_eq!(parts, ["1.334", "1.333", "1.333"]);
    assert_eq!(recall.lots[0].left_over.unwrap().to_string(), "96");
}

proptest! {
    #[test]
    fn whatever_happens_to_wheels_their_parts_add_up(
        weights in prop::collection::vec(0u32..9_000, 1..6),
        taken in prop::collection::vec((0usize..6, 0u32..9_000), 0..6),
        rework in prop::collection::vec((0usize..6, 0u32..9_000), 0..6),
    ) {
        let mut log = Log::default();
        log.vat("5 06:00", "b1", "V1", 220.0, "");
        let serials: Vec<String> = (0..weights.len()).map(|n| format!("b1-0{n}")).collect();
        log.portion("6 09:00", "b1", &serials.join(" "));
        for (wheel, weight) in serials.iter().zip(&weights) {
            let weighed = WheelWeighed { wheel: id(wheel), weight_g: grams(*weight), scale: None, tare_g: None };
            log.fact("7 09:00", weighed);
        }
        for (n, (upto, grams_taken)) in taken.iter().enumerate() {
            let sampled = LabSampled {
                sample: id(&format!("q{n}")),
                batch: None,
                wheels: serials.iter().take(*upto).map(|w| id(w)).collect(),
                test: "listeria".to_owned(),
                plan: None,
                scope: None,
                taken_g: Some(grams(*grams_taken)),
            };
            log.fact("8 09:00", sampled);
        }
        for (which, weight) in &rework {
            if let Some(wheel) = serials.get(*which) {
                let from = ReworkSource::Wheel(id(wheel));
                log.fact("9 09:00", VatReworked { batch: id("b2"), from, weight_g: grams(*weight) });
            }
        }
        let balance = log.recall(&Scope::Batch(id("b1"))).balance;
        prop_assert_eq!(balance.sum_g(), balance.portioned_g);
        let all: u32 = taken.iter().filter(|(upto, _)| *upto > 0).map(|(_, g)| g).sum();
        prop_assert_eq!(balance.sampled_g, i64::from(all), "equal parts lose no gram");
    }
}
