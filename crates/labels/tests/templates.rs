//! A template that is wrong says where, and what would be right.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use labels::{Kind, Templates};
use recipe::Origin;

fn read(text: &str) -> Result<Templates, String> {
    let origin = Origin {
        file: "own.toml",
        text,
    };
    Templates::with(&[origin]).map_err(|error| error.to_string())
}

/// Our own template of a kind with these texts exchanged, and what is wrong with it.
fn wrong(kind: Kind, from: &str, to: &str) -> String {
    let ours = Templates::ours(kind);
    assert!(ours.contains(from), "our template has no {from:?}");
    let error = read(&ours.replacen(from, to, 1)).unwrap_err();
    error.lines().next().unwrap().to_owned()
}

/// `own.toml:<line>:<column>: ` of a text in our template.
fn at(kind: Kind, text: &str, what: &str) -> String {
    let ours = Templates::ours(kind);
    let start = ours.find(text).unwrap() + text.find(what).unwrap();
    let line = ours[..start].matches('\n').count() + 1;
    let column = start - ours[..start].rfind('\n').unwrap();
    format!("own.toml:{line}:{column}: ")
}

#[test]
fn an_unknown_field_is_pointed_at_inside_its_words() {
    let from = "words = \"{batch}\"";
    assert_eq!(
        wrong(Kind::Wheel, "{batch}", "{vintage}"),
        at(Kind::Wheel, from, "{batch}")
            + "a wheel label has no field {vintage}: it has product, gtin, raw_milk, storage, \
               ingredients, dairy, mark, wheel, batch, made, best_before, weight, copy"
    );
    let unknown = wrong(Kind::Wheel, "when = \"raw_milk\"", "when = \"raw\"");
    assert!(
        unknown.contains("a wheel label has no field {raw}"),
        "{unknown}"
    );
    let key = wrong(Kind::Badge, "letter_mm = 4\n", "font_mm = 4\n");
    assert!(key.contains("unknown field `font_mm`"), "{key}");
}

#[test]
fn places_that_overlap_or_leave_the_label_are_pointed_at() {
    let from = "place_mm = [30, 33, 29, 4.5]";
    assert_eq!(
        wrong(Kind::Position, "[30, 33, 29, 4.5]", "[30, 31.5, 29, 4.5]"),
        at(Kind::Position, from, "[30") + "this place overlaps the one in line 15"
    );
    assert_eq!(
        wrong(Kind::Position, "[30, 33, 29, 4.5]", "[30, 33, 40, 4.5]"),
        at(Kind::Position, from, "[30")
            + "this place ends at 70 and 37.5 mm, outside the label of 62 by 42 mm"
    );
    let flat = wrong(Kind::Position, "[30, 33, 29, 4.5]", "[30, 33, 29, 0]");
    assert!(flat.contains("left, top, width and height"), "{flat}");
    let nan = wrong(Kind::Position, "[30, 33, 29, 4.5]", "[30, 33, nan, 4.5]");
    assert!(nan.contains("left, top, width and height"), "{nan}");
}

#[test]
fn what_else_cannot_be_laid_out_says_what_would_be_right() {
    for (kind, from, to, says) in [
        (
            Kind::Wheel,
            "size_mm = [100, 60]",
            "size_mm = [100, 6]",
            "10 to 300 and 10 to 420",
        ),
        (
            Kind::Wheel,
            "%-d %b %Y",
            "%-d %Q %Y",
            "write it like \"%-d %b %Y\"",
        ),
        (
            Kind::Wheel,
            "%-d %b %Y",
            "%H:%M",
            "write it like \"%-d %b %Y\"",
        ),
        (
            Kind::Wheel,
            "letter_mm = 7.2",
            "letter_mm = 1.5",
            "from the smallest (2.2 mm) to 200",
        ),
        (
            Kind::Wheel,
            "letter_mm = 7.2",
            "letter_mm = 7.2\nleast_letter_mm = 0.5",
            "nobody reads",
        ),
        (Kind::Wheel, "lines = 2", "lines = 0", "lines is 1 to 50"),
        (
            Kind::Wheel,
            "**MILK**",
            "**MILK",
            "an emphasis that has no end",
        ),
        (
            Kind::Wheel,
            "{product}",
            "{product",
            "begins with { and has no }",
        ),
        (
            Kind::Wheel,
            "\"identity\"",
            "\"number\"",
            "it holds identity, address",
        ),
        (
            Kind::Wheel,
            "form = \"datamatrix\"",
            "form = \"gs1128\"",
            "does not go into this form",
        ),
        (
            Kind::Case,
            "least_module_mm = 0.37",
            "least_module_mm = 0.1",
            "0.25 to 5",
        ),
        (
            Kind::Case,
            "[[text]]\nwords = \"COPY\"\nwhen = \"copy\"\nplace_mm = [81, 9.5, 16, 8]\nletter_mm = 5\nbold = true\nground = \"frame\"\n",
            "",
            "no text stands for {copy}",
        ),
        (
            Kind::Badge,
            "kind = \"badge\"",
            "kind = \"pallet\"",
            "unknown variant `pallet`",
        ),
    ] {
        let error = wrong(kind, from, to);
        assert!(error.contains(says), "{to}: {error}");
    }
}

#[test]
fn two_files_for_one_kind_are_refused() {
    let text = Templates::ours(Kind::Badge);
    let error = Templates::with(&[
        Origin {
            file: "one.toml",
            text,
        },
        Origin {
            file: "two.toml",
            text,
        },
    ])
    .unwrap_err();
    assert_eq!((error.file.as_str(), error.line), ("two.toml", 1));
    assert_eq!(error.message, "one.toml lays out the badge label already");
}

#[test]
fn decimals_and_dates_are_written_as_the_template_says() {
    let text = Templates::ours(Kind::Wheel)
        .replace("%-d %b %Y", "%d.%m.%Y")
        .replace(
            "size_mm = [100, 60]",
            "size_mm = [100, 60]\ndecimal_comma = true",
        );
    let templates = read(&text).unwrap();
    let drawing = templates
        .draw_label(&Kind::Wheel.sample().unwrap(), labels::Dpi::D203)
        .unwrap();
    let words = drawing.words();
    assert!(
        words.contains(&"26.01.2026") && words.contains(&"4,215 kg"),
        "{words:?}"
    );
}
