//! What must hold for every label that any job can ask for.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use chrono::NaiveDate;
use facts::{BatchId, WheelId};
use labels::{
    Bitmap, Dairy, Dpi, Kind, Label, LabelError, LabelJob, Product, Templates, WheelLabel,
};
use proptest::prelude::*;
use quantity::{DairyDay, Grams};

fn any_words() -> impl Strategy<Value = String> {
    prop_oneof![
        any::<String>(),
        "\\PC{0,200}",
        "[A-Za-z ]{0,60}",
        "W{1,200}",
        "g\u{300}{0,90}\u{489}{0,90}",
        "[&<>\"'*{} ]{0,20}",
    ]
}

fn any_day() -> impl Strategy<Value = DairyDay> {
    (-90_000_000..90_000_000_i32).prop_map(|day| {
        DairyDay::starting(NaiveDate::from_num_days_from_ce_opt(day).unwrap_or_default())
    })
}

fn any_wheel() -> impl Strategy<Value = WheelLabel> {
    let gtin = prop_oneof![Just(None), Just(Some("99521234543216".parse().unwrap()))];
    // One text is anything, so that many a label is drawn and not refused for another.
    let texts = (0..5_usize, any_words()).prop_map(|(nth, odd)| {
        let mut texts = [
            "Larkholm Blue",
            "Larkholm Dairy",
            "XX 1",
            "Keep cold",
            "**Milk**, salt",
        ]
        .map(str::to_owned);
        texts[nth] = odd;
        texts
    });
    let numbers = (any_day(), proptest::option::of(any_day()), 0..1_000_000_u32);
    (any::<(WheelId, BatchId, bool)>(), gtin, texts, numbers).prop_map(
        |((wheel, batch, raw_milk), gtin, texts, (made, best_before, grams))| {
            let [name, dairy, mark, storage, ingredients] = texts;
            WheelLabel {
                wheel,
                batch,
                made,
                best_before,
                weight_g: Grams::new(grams).unwrap(),
                product: Product {
                    name,
                    raw_milk,
                    gtin,
                    storage: Some(storage),
                    ingredients: Some(ingredients),
                },
                dairy: Dairy {
                    name: dairy,
                    identification_mark: Some(mark),
                    link: None,
                },
            }
        },
    )
}

fn any_dpi() -> impl Strategy<Value = Dpi> {
    prop_oneof![Just(Dpi::D203), Just(Dpi::D300)]
}

fn job(label: Label, copy: bool) -> LabelJob {
    LabelJob {
        cause: "01890a5d-ac96-774b-bcce-b302099a8057".parse().unwrap(),
        copy,
        label,
    }
}

fn ink(bitmap: &Bitmap) -> impl Iterator<Item = (u32, u32)> + '_ {
    (0..bitmap.height())
        .flat_map(|y| (0..bitmap.width()).map(move |x| (x, y)))
        .filter(|&(x, y)| bitmap.is_black(x, y))
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    #[test]
    fn whatever_a_job_says_it_is_drawn_in_its_places_or_refused_for_what_it_says(
        wheel in any_wheel(),
        copy in any::<bool>(),
        dpi in any_dpi(),
    ) {
        let templates = Templates::default();
        let drawing = match templates.draw(&job(Label::Wheel(wheel), copy), dpi) {
            Ok(drawing) => drawing,
            Err(LabelError::DoesNotFit { .. } | LabelError::NoLetter { .. }) => return Ok(()),
            Err(other) => return Err(TestCaseError::fail(other.to_string())),
        };
        let bitmap = drawing.bitmap();
        let places = templates.places(Kind::Wheel, dpi).unwrap();
        for (nth, one) in places.iter().enumerate() {
            prop_assert!(one.x + one.width <= bitmap.width());
            prop_assert!(one.y + one.height <= bitmap.height());
            for other in &places[nth + 1..] {
                prop_assert!(!one.overlaps(*other), "{one:?} overlaps {other:?}");
            }
        }
        for (x, y) in ink(&bitmap) {
            prop_assert!(places.iter().any(|place| place.holds(x, y)), "ink at {x},{y} is nobody's");
        }
    }

    #[test]
    fn every_wheel_and_batch_number_fits_and_is_written_whole(
        wheel in any::<WheelId>(),
        batch in any::<BatchId>(),
        gtin in any::<bool>(),
        dpi in any_dpi(),
    ) {
        let Label::Wheel(mut label) = Kind::Wheel.sample().unwrap() else {
            panic!("a wheel's sample is a wheel's");
        };
        (label.wheel, label.batch) = (wheel, batch);
        label.product.gtin = label.product.gtin.filter(|_| gtin);
        let templates = Templates::default();
        let drawing = templates.draw(&job(Label::Wheel(label), false), dpi).unwrap();
        for code in [wheel.as_str(), batch.as_str()] {
            prop_assert!(drawing.words().contains(&code), "{code} is not written whole");
        }
    }

    #[test]
    fn modules_are_whole_dots_of_half_a_millimetre_and_more_with_a_quiet_zone(
        wheel in any::<WheelId>(),
        dpi in any_dpi(),
    ) {
        let Label::Wheel(mut label) = Kind::Wheel.sample().unwrap() else {
            panic!("a wheel's sample is a wheel's");
        };
        label.wheel = wheel;
        label.product.gtin = None;
        let code = label.code();
        let templates = Templates::default();
        let drawing = templates.draw(&job(Label::Wheel(label), false), dpi).unwrap();
        let place = *templates.places(Kind::Wheel, dpi).unwrap().last().unwrap();
        prop_assert_eq!(read_symbol(&drawing.bitmap(), place), code);
    }
}

/// Samples a Data Matrix's modules from the raster and decodes them. A module that is not
/// whole dots, or a quiet zone with ink in it, fails here.
fn read_symbol(bitmap: &Bitmap, place: labels::Slot) -> String {
    let inside: Vec<_> = ink(bitmap).filter(|&(x, y)| place.holds(x, y)).collect();
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
    let dark = |x: &u32| bitmap.is_black(*x, top);
    let module = u32::try_from((left..right).take_while(dark).count()).unwrap();
    assert_eq!((right - left) % module, 0, "modules are whole dots");
    assert!(
        left - place.x >= module && top - place.y >= module,
        "quiet zone kept"
    );
    let mm = f64::from(module) * 1000.0 / f64::from(bitmap.dpi().per_metre());
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
