//! What must hold for every wheel label that any job can ask for.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use chrono::NaiveDate;
use facts::{BatchId, FactId, WheelId};
use labels::{Bitmap, Dpi, LabelJob, Slot, WheelLabel};
use proptest::prelude::*;
use quantity::{DairyDay, Grams};

fn any_job() -> impl Strategy<Value = LabelJob> {
    let words = || {
        prop_oneof![
            any::<String>(),
            "\\PC{0,200}",
            "[A-Za-z ]{0,120}",
            "W{1,200}",
            "g\u{300}{0,90}\u{489}{0,90}",
            "[&<>\"' ]{0,20}",
        ]
    };
    (
        (any::<FactId>(), any::<WheelId>(), any::<BatchId>(), words()),
        (-90_000_000..90_000_000_i32, 0..=Grams::MOST, any::<bool>()),
        (words(), proptest::option::of(words())),
    )
        .prop_map(
            |((cause, wheel, batch, product), (day, weight, raw_milk), (site_name, mark))| {
                LabelJob {
                    cause,
                    wheel,
                    batch,
                    product,
                    made: DairyDay::starting(
                        NaiveDate::from_num_days_from_ce_opt(day).unwrap_or_default(),
                    ),
                    weight_g: Grams::new(weight).unwrap(),
                    raw_milk,
                    site_name,
                    identification_mark: mark,
                }
            },
        )
}

fn any_dpi() -> impl Strategy<Value = Dpi> {
    prop_oneof![Just(Dpi::D203), Just(Dpi::D300)]
}

fn job(product: &str) -> LabelJob {
    LabelJob {
        cause: "01890a5d-ac96-774b-bcce-b302099a8057".parse().unwrap(),
        wheel: "26W05-3-04".parse().unwrap(),
        batch: "26W05-3".parse().unwrap(),
        product: product.to_owned(),
        made: DairyDay::starting(NaiveDate::from_ymd_opt(2026, 1, 28).unwrap()),
        weight_g: Grams::new(10_886).unwrap(),
        raw_milk: false,
        site_name: "Larkholm Dairy".to_owned(),
        identification_mark: None,
    }
}

fn ink(bitmap: &Bitmap) -> impl Iterator<Item = (u32, u32)> + '_ {
    (0..bitmap.height())
        .flat_map(|y| (0..bitmap.width()).map(move |x| (x, y)))
        .filter(|&(x, y)| bitmap.is_black(x, y))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn whatever_the_job_says_nothing_overlaps_and_nothing_leaves_its_place(
        job in any_job(),
        dpi in any_dpi(),
    ) {
        let label = WheelLabel::new(&job, dpi).unwrap();
        let slots: &[Slot] = label.slots();
        for (nth, one) in slots.iter().enumerate() {
            for other in &slots[nth + 1..] {
                prop_assert!(!one.overlaps(*other), "{one:?} overlaps {other:?}");
            }
        }
        let bitmap = label.bitmap().unwrap();
        for slot in slots {
            prop_assert!(slot.x + slot.width <= bitmap.width());
            prop_assert!(slot.y + slot.height <= bitmap.height());
        }
        for (x, y) in ink(&bitmap) {
            prop_assert!(slots.iter().any(|slot| slot.holds(x, y)), "ink at {x},{y} is nobody's");
        }
    }

    #[test]
    fn every_wheel_number_is_read_back_from_the_dots_and_written_whole(
        job in any_job(),
        dpi in any_dpi(),
    ) {
        let label = WheelLabel::new(&job, dpi).unwrap();
        for code in [job.wheel.as_str(), job.batch.as_str(), &job.scan_code()] {
            let written = format!(">{code}</text>");
            prop_assert!(label.svg().contains(&written), "{code} is not written whole");
        }
        prop_assert_eq!(read_symbol(&label, dpi), job.scan_code());
    }
}

/// Samples the symbol's modules from the raster and decodes them. A module that is not
/// whole dots, or a quiet zone with ink in it, fails here.
fn read_symbol(label: &WheelLabel, dpi: Dpi) -> String {
    let bitmap = label.bitmap().unwrap();
    // The symbol's slot is the only square one.
    let slot = *label
        .slots()
        .iter()
        .find(|s| s.width.abs_diff(s.height) <= 1)
        .unwrap();
    let inside: Vec<_> = ink(&bitmap).filter(|&(x, y)| slot.holds(x, y)).collect();
    let left = inside.iter().map(|p| p.0).min().unwrap();
    let top = inside.iter().map(|p| p.1).min().unwrap();
    let right = inside.iter().map(|p| p.0).max().unwrap() + 1;
    let bottom = inside.iter().map(|p| p.1).max().unwrap() + 1;
    assert_eq!(
        right - left,
        bottom - top,
        "a square symbol is square in dots"
    );
    // The top edge of a Data Matrix alternates: its first dark run is one module.
    let module = (left..right)
        .take_while(|&x| bitmap.is_black(x, top))
        .count() as u32;
    assert_eq!((right - left) % module, 0, "modules are whole dots");
    assert!(
        left - slot.x >= module && top - slot.y >= module,
        "quiet zone kept"
    );
    let mm = f64::from(module) * 1000.0 / f64::from(dpi.per_metre());
    assert!(mm >= 0.5, "a module of {mm} mm is too fine for a wet room");
    let modules = (right - left) / module;
    let mut bits = Vec::new();
    for row in 0..modules {
        for column in 0..modules {
            let (x, y) = (left + column * module, top + row * module);
            let dark = bitmap.is_black(x, y);
            let whole = (0..module * module)
                .all(|n| bitmap.is_black(x + n % module, y + n / module) == dark);
            assert!(whole, "module {column},{row} is not whole dots");
            bits.push(dark);
        }
    }
    String::from_utf8(datamatrix::DataMatrix::decode(&bits, modules as usize).unwrap()).unwrap()
}

#[test]
fn a_raw_milk_label_differs_only_where_it_says_so() {
    let plain = WheelLabel::new(&job("Larkholm Blue"), Dpi::D203).unwrap();
    let raw = LabelJob {
        raw_milk: true,
        ..job("Larkholm Blue")
    };
    let raw = WheelLabel::new(&raw, Dpi::D203).unwrap();
    assert!(raw.svg().contains("MADE WITH RAW MILK"));
    assert!(!plain.svg().contains("RAW"));
    assert!(plain.svg().contains(">MILK</text>"));
    let statement = *raw
        .slots()
        .iter()
        .find(|slot| !plain.slots().contains(slot))
        .unwrap();
    let (plain, raw) = (plain.bitmap().unwrap(), raw.bitmap().unwrap());
    for y in 0..raw.height() {
        for x in (0..raw.width()).filter(|&x| !statement.holds(x, y)) {
            assert_eq!(plain.is_black(x, y), raw.is_black(x, y), "at {x},{y}");
        }
    }
}

#[test]
fn a_long_name_wraps_a_longer_one_is_cut_and_markup_is_only_text() {
    let svg = |name: &str| WheelLabel::new(&job(name), Dpi::D203).unwrap().svg();
    assert!(svg("Larkholm Blue").contains(">Larkholm Blue</text>"));
    let wrapped = svg("Larkholm Blue matured for export in the lower cellar");
    assert!(
        wrapped.contains(">Larkholm Blue matured for</text>"),
        "{wrapped}"
    );
    assert!(
        wrapped.contains(">export in the lower cellar</text>"),
        "{wrapped}"
    );
    let cut = svg(&"Longname ".repeat(60));
    assert!(cut.contains("…</text>"), "{cut}");
    assert!(svg("<b>&\u{0}\u{7}\n\u{202e}blue").contains(">&lt;b&gt;&amp; blue</text>"));
}

#[test]
fn the_png_is_one_bit_deep_and_knows_its_physical_size() {
    for (dpi, millimetre) in [(Dpi::D203, 8.0), (Dpi::D300, 11.811)] {
        let png = WheelLabel::new(&job("Larkholm Blue"), dpi)
            .unwrap()
            .png()
            .unwrap();
        let reader = png::Decoder::new(std::io::Cursor::new(&png))
            .read_info()
            .unwrap();
        let info = reader.info();
        assert_eq!(info.bit_depth, png::BitDepth::One);
        assert_eq!(info.pixel_dims.unwrap().xppu, dpi.per_metre());
        assert!((f64::from(info.width) / millimetre - 100.0).abs() < 0.1);
        assert!((f64::from(info.height) / millimetre - 60.0).abs() < 0.1);
    }
}

#[test]
fn a_label_job_is_the_same_after_a_trip_over_the_wire() {
    let job = LabelJob {
        identification_mark: Some("ZZ 999".into()),
        ..job("Larkholm Blue")
    };
    let wire = serde_json::to_string(&job).unwrap();
    assert!(wire.contains(r#""made":"2026-01-28""#), "{wire}");
    assert_eq!(serde_json::from_str::<LabelJob>(&wire).unwrap(), job);
}

#[test]
fn only_the_resolutions_labels_are_laid_out_for_are_accepted() {
    assert_eq!(Dpi::try_from(203), Ok(Dpi::D203));
    assert_eq!(
        Dpi::try_from(600).unwrap_err().to_string(),
        "labels are laid out for printers of 203 or 300 dots an inch, not 600"
    );
}
