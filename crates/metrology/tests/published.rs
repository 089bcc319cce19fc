//! Figures that others have published, read by people before they were written here. Each
//! names its source; where the text itself could not be opened, it says so.

#![allow(clippy::unwrap_used, clippy::panic)] // a test fails by panicking

use metrology::{Class, Plate, Unit, Weight};

fn weight(text: &str) -> Weight {
    text.parse().unwrap()
}

/// A scale that has `intervals` intervals of `e`.
fn plate(class: Class, e: &str, intervals: i32) -> Plate {
    Plate::new(class, weight(e).times(intervals), None, weight(e)).unwrap()
}

mod oiml_r76 {
    //! OIML R 76-1:2006, non-automatic weighing instruments; the same figures stand in
    //! Directive 2014/31/EU, annex I, tables 1 and 3, and for class III in the UK's
    //! SI 1995/1907, schedule 2. Classes I, II and IIII are from memory of the same tables.

    use super::*;

    /// Table 6: loads in e, and the error on initial verification, in halves of e.
    const TABLE_6: [(Class, [(i32, i32); 6]); 4] = [
        (
            Class::I,
            [
                (0, 1),
                (50_000, 1),
                (50_001, 2),
                (200_000, 2),
                (200_001, 3),
                (300_000, 3),
            ],
        ),
        (
            Class::II,
            [
                (0, 1),
                (5_000, 1),
                (5_001, 2),
                (20_000, 2),
                (20_001, 3),
                (100_000, 3),
            ],
        ),
        (
            Class::III,
            [
                (0, 1),
                (500, 1),
                (501, 2),
                (2_000, 2),
                (2_001, 3),
                (10_000, 3),
            ],
        ),
        (
            Class::IIII,
            [(0, 1), (50, 1), (51, 2), (200, 2), (201, 3), (1_000, 3)],
        ),
    ];

    #[test]
    fn the_maximum_permissible_errors_step_where_table_6_says() {
        for (class, rows) in TABLE_6 {
            let most = match class {
                Class::I => 300_000,
                Class::II => 100_000,
                Class::III => 10_000,
                Class::IIII => 1_000,
            };
            let plate = plate(class, "10 g", most);
            for (load, halves) in rows {
                let load = weight("10 g").times(load);
                assert_eq!(
                    plate.error_at_first(load),
                    weight("5 g").times(halves),
                    "class {class}, {load}"
                );
                // 3.5.2: in service twice as much.
                assert_eq!(plate.error_in_service(load), weight("10 g").times(halves));
            }
        }
    }

    #[test]
    fn a_load_between_two_intervals_counts_as_it_is() {
        // Max 30 kg, e = 10 g. 8.165 kg is 816.5 e, 4.9 kg 490 e, 20.01 kg 2 001 e.
        let plate = plate(Class::III, "10 g", 3_000);
        for (load, first, in_service) in [
            ("8.165 kg", "10 g", "20 g"),
            ("4.9 kg", "5 g", "10 g"),
            ("5.001 kg", "10 g", "20 g"),
            ("20.01 kg", "15 g", "30 g"),
        ] {
            assert_eq!(plate.error_at_first(weight(load)), weight(first), "{load}");
            assert_eq!(plate.error_in_service(weight(load)), weight(in_service));
        }
    }

    /// Table 3: minimum capacity in e, and how many intervals there may be at 5 g and at 1 g.
    type Table3Row = (Class, i32, (i32, Option<i32>), (i32, Option<i32>));

    const TABLE_3: [Table3Row; 4] = [
        (Class::I, 100, (50_000, None), (50_000, None)),
        (
            Class::II,
            50,
            (5_000, Some(100_000)),
            (5_000, Some(100_000)),
        ),
        (Class::III, 20, (500, Some(10_000)), (100, Some(10_000))),
        (Class::IIII, 10, (100, Some(1_000)), (100, Some(1_000))),
    ];

    #[test]
    fn minimum_capacity_and_number_of_intervals_are_as_in_table_3() {
        for (class, least, coarse, fine) in TABLE_3 {
            for (e, (fewest, most)) in [("5 g", coarse), ("1 g", fine)] {
                let e = weight(e);
                let of = |intervals| Plate::new(class, e.times(intervals), None, e);
                assert_eq!(of(fewest).unwrap().min(), e.times(least), "class {class}");
                assert!(of(fewest - 1).is_err(), "class {class}, {fewest}");
                match most {
                    Some(most) => assert!(of(most).is_ok() && of(most + 1).is_err()),
                    None => assert!(of(1_000_000).is_ok()),
                }
            }
        }
    }
}

mod nist_sp_811 {
    //! NIST Special Publication 811 (2008), appendix B.8 and its footnotes: the avoirdupois
    //! pound is 0.453 592 37 kg exactly; the ounce, a sixteenth, is 28.349 523 125 g.

    use super::*;

    #[test]
    fn pounds_and_ounces_have_their_exact_factors() {
        let kg = |digits, decimals| Weight::new(digits, decimals, Unit::Kilogram);
        // 10^8 lb = 45 359 237 kg is beyond any scale: 10^5 lb.
        assert_eq!(Weight::new(100_000, 0, Unit::Pound), kg(45_359_237, 3));
        assert_eq!(
            Weight::new(1_000_000, 0, Unit::Ounce),
            kg(28_349_523_125, 6)
        );
        assert_eq!(
            Weight::new(16, 0, Unit::Ounce),
            Weight::new(1, 0, Unit::Pound)
        );
        assert_eq!(
            Weight::new(1, 0, Unit::Kilogram),
            Weight::new(1_000, 0, Unit::Gram)
        );
    }

    #[test]
    fn whole_grams_are_the_published_kilograms_rounded() {
        // The same factors, by hand: 24 lb = 10 886.216 88 g, 18 lb = 8 164.662 66 g,
        // 1 lb = 453.592 37 g, 1 oz = 28.349 5 g, 24.3 lb = 11 022.294 591 g.
        for (text, grams) in [
            ("24 lb", 10_886),
            ("18 lb", 8_165),
            ("1 lb", 454),
            ("1 oz", 28),
            ("24.3 lb", 11_022),
            ("0.01 lb", 5),
        ] {
            assert_eq!(weight(text).to_grams().unwrap().get(), grams, "{text}");
        }
    }
}

mod gs1 {
    //! GS1 General Specifications, 3.6: AI 310n holds a net weight in kilograms as six digits
    //! of which n stand after the point; 3103 is in grams.

    use super::*;
    use metrology::{Frame, Refusal, Settling, StableWeight, Verdict};

    #[test]
    fn a_weight_of_seven_digits_of_grams_is_refused() {
        let settling = Settling::of(&plate(Class::III, "200 g", 7_500));
        let frame = |grams| Frame {
            weight: Weight::grams(grams),
            stable: Some(true),
            net: None,
        };
        for (grams, fits) in [(999_800, true), (999_900, false), (1_000_000, false)] {
            let mut scale = StableWeight::new(settling);
            scale.take(frame(0));
            match scale.take(frame(grams)) {
                Verdict::Settled(settled) => {
                    assert!(fits && format!("{:06}", settled.weight.get()).len() == 6);
                }
                verdict => {
                    let refused = Verdict::Refused(Refusal::Unlabelled(Weight::grams(grams)));
                    assert!(!fits && verdict == refused, "{verdict:?}");
                }
            }
        }
    }
}
