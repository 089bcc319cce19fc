//! What each label says, and what it never leaves out.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use labels::{
    Card, CaseLabel, CaseWheel, Dpi, Drawing, Kind, Label, LabelError, LabelJob, Templates,
    WheelLabel, pdf, sheet,
};
use recipe::Origin;

fn wheel() -> WheelLabel {
    match Kind::Wheel.sample().unwrap() {
        Label::Wheel(wheel) => wheel,
        other => panic!("{other:?} is no wheel"),
    }
}

fn case() -> CaseLabel {
    match Kind::Case.sample().unwrap() {
        Label::Case(case) => case,
        other => panic!("{other:?} is no case"),
    }
}

fn draw(label: Label) -> Result<Drawing, LabelError> {
    Templates::default().draw_label(&label, Dpi::D203)
}

fn says(drawing: &Drawing, words: &str) -> bool {
    drawing.words().contains(&words)
}

fn copy_of(label: Label) -> Drawing {
    let job = LabelJob {
        cause: "01890a5d-ac96-774b-bcce-b302099a8057".parse().unwrap(),
        copy: true,
        label,
    };
    Templates::default().draw(&job, Dpi::D203).unwrap()
}

#[test]
fn what_each_label_says() {
    for kind in Kind::ALL {
        let drawing = draw(kind.sample().unwrap()).unwrap();
        insta::assert_snapshot!(kind.name(), drawing.words().join("\n"));
    }
}

#[test]
fn a_kinds_fields_are_those_that_its_labels_have() {
    for kind in Kind::ALL {
        let all: String = kind
            .fields()
            .iter()
            .zip(0..)
            .map(|(field, nth)| {
                let left = 2 * nth;
                format!("[[text]]\nwords = \"{{{field}}}\"\nplace_mm = [{left}, 0, 2, 10]\nletter_mm = 2.2\n")
            })
            .collect();
        let text = format!("kind = \"{kind}\"\nsize_mm = [100, 60]\n{all}");
        let origin = Origin {
            file: "all.toml",
            text: &text,
        };
        let templates = Templates::with(&[origin]).unwrap();
        // Each field is looked up; that its words do not fit two millimetres is another matter.
        let drawn = templates.draw_label(&kind.sample().unwrap(), Dpi::D203);
        assert!(
            matches!(drawn, Err(LabelError::DoesNotFit { .. })),
            "{kind}: {drawn:?}"
        );
    }
}

/// Reg. (EU) 1169/2011, article 21: the allergen stands out from the rest of the text.
#[test]
fn milk_is_named_and_emphasised_whatever_else_is_missing() {
    let mut bare = wheel();
    bare.product.storage = None;
    bare.product.ingredients = None;
    bare.product.gtin = None;
    bare.best_before = None;
    bare.dairy.identification_mark = None;
    for label in [Label::Wheel(bare), Label::Case(case())] {
        let drawing = draw(label).unwrap();
        assert!(says(&drawing, "MILK"), "{:?}", drawing.words());
        assert!(says(&drawing, "Contains"));
    }
}

#[test]
fn a_raw_milk_cheese_says_so_and_another_does_not() {
    for raw in [true, false] {
        let (mut wheel, mut case) = (wheel(), case());
        (wheel.product.raw_milk, case.product.raw_milk) = (raw, raw);
        for label in [Label::Wheel(wheel), Label::Case(case)] {
            let drawing = draw(label).unwrap();
            let words = drawing.words().join(" ");
            assert_eq!(words.contains("MADE WITH RAW MILK"), raw, "{words}");
        }
    }
}

#[test]
fn a_copy_says_copy_and_a_first_print_does_not() {
    for label in [Label::Wheel(wheel()), Label::Case(case())] {
        assert!(says(&copy_of(label.clone()), "COPY"));
        assert!(!says(&draw(label).unwrap(), "COPY"));
    }
}

#[test]
fn the_cases_weight_is_that_of_its_wheels_and_its_lot_only_where_there_is_one() {
    let templates = Templates::default();
    let held = |case: &CaseLabel| {
        let symbols = templates.symbols(&Label::Case(case.clone())).unwrap();
        let held = symbols.iter().map(|(_, payload)| payload.to_string());
        held.collect::<Vec<_>>()
    };
    let mut case = case();
    assert_eq!(case.weight_g(), 3_162 + 3_108 + 3_207 + 3_145);
    let all = "(00)095212340000000013(02)99521234543216(3103)012622(15)260526(37)4(10)26W05-3";
    let contents = "(02)99521234543216(3103)012622(37)4";
    assert_eq!(held(&case), [all, contents, "(00)095212340000000013"]);
    case.wheels[0].batch = "26W05-2".parse().unwrap();
    assert!(!held(&case)[0].contains("(10)"));
    case.product.gtin = None;
    assert_eq!(held(&case), ["(00)095212340000000013"; 2]);
}

#[test]
fn a_pallets_label_says_how_many_and_where_they_are_named() {
    let mut pallet = case();
    let first = pallet.wheels[0].clone();
    let wheels = (0..96).map(|n| CaseWheel {
        wheel: format!("260106A-{n:02}").parse().unwrap(),
        batch: format!("26W{:02}", n / 12).parse().unwrap(),
        ..first.clone()
    });
    pallet.wheels = wheels.collect();
    let drawing = draw(Label::Case(pallet)).unwrap();
    let all = drawing.words().join(" ");
    assert!(all.contains("96 wheels: see the dispatch note"), "{all}");
    assert!(all.contains("8 lots: see the dispatch note"), "{all}");
}

#[test]
fn too_much_text_is_refused_with_what_to_do_and_never_cut() {
    let mut long = wheel();
    long.product.name = "Larkholm Blue matured for export in the lower cellar".to_owned();
    let drawing = draw(Label::Wheel(long.clone())).unwrap();
    assert!(says(&drawing, "Larkholm Blue matured for export in"));
    assert!(says(&drawing, "the lower cellar"));
    long.product.name = "Longname ".repeat(60);
    let error = draw(Label::Wheel(long.clone())).unwrap_err().to_string();
    assert!(
        error.contains("does not fit its place on the label with letters of 2.2 mm: shorten it"),
        "{error}"
    );
    long.product.name = "藍奶酪".to_owned();
    let error = draw(Label::Wheel(long)).unwrap_err().to_string();
    assert_eq!(
        error,
        "the label's font has no '藍' (in \"藍奶酪\"): write it in other letters"
    );
}

#[test]
fn control_and_direction_characters_are_no_text() {
    let mut odd = wheel();
    odd.product.name = "<b>&\u{0}\u{7}\n\u{202e}blue".to_owned();
    assert!(says(&draw(Label::Wheel(odd)).unwrap(), "<b>& blue"));
}

#[test]
fn a_weight_of_a_tonne_fits_no_symbol_and_says_why() {
    let mut heavy = wheel();
    heavy.weight_g = 1_000_000_u32.try_into().unwrap();
    let error = draw(Label::Wheel(heavy)).unwrap_err().to_string();
    assert!(
        error.contains("1000000 g does not fit a weight of 6 digits"),
        "{error}"
    );
}

#[test]
fn the_png_is_one_bit_deep_and_knows_its_physical_size() {
    for (dpi, millimetre) in [(Dpi::D203, 8.0), (Dpi::D300, 11.811)] {
        let drawing = Templates::default()
            .draw_label(&Label::Wheel(wheel()), dpi)
            .unwrap();
        let png = drawing.bitmap().png().unwrap();
        let reader = png::Decoder::new(std::io::Cursor::new(&png))
            .read_info()
            .unwrap();
        let info = reader.info();
        assert_eq!(
            (info.bit_depth, info.color_type),
            (png::BitDepth::One, png::ColorType::Grayscale)
        );
        assert_eq!(info.pixel_dims.unwrap().xppu, dpi.per_metre());
        assert!((f64::from(info.width) / millimetre - 100.0).abs() < 0.1);
        assert!((f64::from(info.height) / millimetre - 60.0).abs() < 0.1);
    }
}

#[test]
fn a_job_is_the_same_after_a_trip_over_the_wire() {
    for kind in Kind::ALL {
        let job = LabelJob {
            cause: "01890a5d-ac96-774b-bcce-b302099a8057".parse().unwrap(),
            copy: kind == Kind::Case,
            label: kind.sample().unwrap(),
        };
        let wire = serde_json::to_string(&job).unwrap();
        assert!(wire.contains(&format!(r#""kind":"{kind}""#)), "{wire}");
        assert_eq!(serde_json::from_str::<LabelJob>(&wire).unwrap(), job);
    }
}

#[test]
fn a_sheet_has_as_many_pages_as_its_cards_take() {
    let cards: Vec<Drawing> = (0..40)
        .map(|nth| {
            let card = Card {
                code: format!("N.{nth}"),
                name: nth.to_string(),
                note: "a number".to_owned(),
                dairy: "Larkholm Dairy".to_owned(),
            };
            Templates::default()
                .draw_label(&Label::Action(card), Dpi::D300)
                .unwrap()
        })
        .collect();
    let pages = sheet("Number cards", &cards).unwrap();
    assert_eq!(
        pages.len(),
        3,
        "18 cards of 62 by 42 mm stand on an A4 page"
    );
    assert!(says(&pages[2], "Number cards – page 3 of 3"));
    assert!(says(&pages[2], "39"));
    let file = pdf("Number cards", &pages).unwrap();
    assert!(file.starts_with(b"%PDF-"));
    assert!(sheet("nothing", &[]).unwrap().is_empty());
}

#[test]
fn only_the_resolutions_labels_are_laid_out_for_are_accepted() {
    assert_eq!(Dpi::try_from(203), Ok(Dpi::D203));
    assert_eq!(
        Dpi::try_from(600).unwrap_err().to_string(),
        "labels are laid out for printers of 203 or 300 dots an inch, not 600"
    );
}
