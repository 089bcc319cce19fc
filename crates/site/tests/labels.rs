//! Printers and labels in a site file: what is read, and where an error points.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use std::path::{Path, PathBuf};

use labels::{Dpi, Kind};
use recipe::Origin;
use site::{PrintTarget, Site};

const DEMO: &str = include_str!("../../../deploy/demo/larkholm.toml");
const RECIPE: &str = include_str!("../../../deploy/demo/larkholm-blue.toml");

/// Reads the demo's site file with these texts exchanged; its template file is `template`.
fn read(changes: &[(&str, &str)], template: &str) -> Result<Site, String> {
    let mut text = DEMO.to_owned();
    for (from, to) in changes {
        assert!(text.contains(from), "the demo has no {from:?}");
        text = text.replace(from, to);
    }
    let origin = Origin {
        file: "site.toml",
        text: &text,
    };
    let open = |path: &Path| match path.to_str() {
        Some("larkholm-blue.toml") => Ok(RECIPE.to_owned()),
        Some("wheel.toml") => Ok(template.to_owned()),
        _ => Err("no such file".to_owned()),
    };
    Site::parse(&origin, Path::new(""), open).map_err(|error| error.to_string())
}

/// Line, column and message of what is wrong, without the file's name.
fn wrong(changes: &[(&str, &str)]) -> String {
    read(changes, "")
        .unwrap_err()
        .lines()
        .next()
        .unwrap()
        .to_owned()
}

/// `site.toml:<line>:<column>` of a text in the demo after the change before it.
fn at(text: &str, what: &str, nth: usize) -> String {
    let start = text.match_indices(what).nth(nth).unwrap().0;
    let line = text[..start].matches('\n').count() + 1;
    let column = start - text[..start].rfind('\n').unwrap();
    format!("site.toml:{line}:{column}: ")
}

const SECOND: &str = "[[printer]]
name = \"Dispatch bay\"
target = \"ipp://dispatch.local/ipp/print\"
dpi = 300
prints = [\"case\"]

[labels]";

#[test]
fn one_printer_prints_everything_and_two_share_the_kinds() {
    let site = read(&[], "").unwrap();
    let [printer] = &site.printers[..] else {
        panic!("the demo has one printer");
    };
    assert_eq!(printer.name, "Portioning table");
    assert_eq!(printer.target, PrintTarget::Folder(PathBuf::from("labels")));
    assert_eq!(printer.dpi, Dpi::D203);
    assert_eq!(printer.prints, [Kind::Wheel, Kind::Case]);

    let wheels = ("dpi = 203", "dpi = 203\nprints = [\"wheel\"]");
    let site = read(&[wheels, ("[labels]", SECOND)], "").unwrap();
    assert_eq!(site.printers[0].prints, [Kind::Wheel]);
    assert_eq!(site.printers[1].prints, [Kind::Case]);
}

#[test]
fn two_printers_of_one_name_or_for_one_kind_are_refused_where_the_second_stands() {
    let twin = SECOND.replace("Dispatch bay", "Portioning table");
    let text = DEMO.replace("[labels]", &twin);
    assert_eq!(
        wrong(&[("[labels]", &twin)]),
        at(&text, "\"Portioning table\"", 2)
            + "another printer is called \"Portioning table\": give each its own name"
    );
    let text = DEMO.replace("[labels]", SECOND);
    assert_eq!(
        wrong(&[("[labels]", SECOND)]),
        at(&text, "\"case\"]", 1) + "case labels are printed by \"Portioning table\" already"
    );
}

#[test]
fn what_a_printer_or_a_product_cannot_be_is_named_with_its_place() {
    for (from, to, points, says) in [
        (
            "dpi = 203",
            "dpi = 600",
            "600",
            "labels are laid out for printers of 203 or 300 dots an inch, not 600",
        ),
        (
            "target = \"file:labels\"",
            "target = \"lpt1\"",
            "\"lpt1\"",
            "target is \"lpt1\": write \"file:labels\" or \"ipp://printer:631/ipp/print\"",
        ),
        (
            "dpi = 203",
            "dpi = 203\nprints = [\"badge\"]",
            "\"badge\"",
            "\"badge\" is no kind of label that is printed one by one: write wheel or case. Cards and badges are printed as sheets",
        ),
        (
            "99521234543216",
            "99521234543210",
            "\"99521234543210\"",
            "gtin: 99521234543210 is no GTIN: its last digit should be 6",
        ),
        (
            "recipe = \"larkholm-blue\"\ngtin",
            "recipe = \"other\"\ngtin",
            "\"other\"",
            "recipe other is not among the site's recipes",
        ),
        (
            "storage = \"Keep at 2 to 6 °C\"",
            "link = \"id.example.org\"",
            "\"id.example.org\"",
            "link: \"id.example.org\" is no web address: write one such as https://id.example.org",
        ),
    ] {
        let text = DEMO.replace(from, to);
        assert_eq!(wrong(&[(from, to)]), at(&text, points, 0) + says);
    }
}

#[test]
fn a_text_that_fits_no_label_is_found_when_the_file_is_checked() {
    let long = "salt, ".repeat(60);
    let error = wrong(&[("salt, cultures", &long)]);
    assert!(
        error.contains("the wheel label of recipe larkholm-blue v1: "),
        "{error}"
    );
    assert!(
        error.contains("does not fit its place on the label with letters of 2.2 mm"),
        "{error}"
    );
}

#[test]
fn a_template_of_the_dairys_own_is_checked_as_the_site_file_is() {
    let own = ("[labels]", "[labels]\ntemplates = [\"wheel.toml\"]");
    let ours = labels::Templates::ours(Kind::Wheel);
    let smaller = ours.replace(
        "RIPENING – NOT YET FOR SALE",
        "IM REIFEN – NOCH NICHT ZUM VERKAUF",
    );
    let site = read(&[own], &smaller).unwrap();
    let sample = Kind::Wheel.sample().unwrap();
    let drawing = site
        .labels
        .templates
        .draw_label(&sample, Dpi::D203)
        .unwrap();
    assert!(
        drawing
            .words()
            .contains(&"IM REIFEN – NOCH NICHT ZUM VERKAUF")
    );

    let outside = ours.replacen("size_mm = [100, 60]", "size_mm = [100, 50]", 1);
    let error = read(&[own], &outside).unwrap_err();
    assert!(error.starts_with("wheel.toml:"), "{error}");
    assert!(
        error.contains("outside the label of 100 by 50 mm"),
        "{error}"
    );
    let missing = read(&[("[labels]", "[labels]\ntemplates = [\"gone.toml\"]")], "").unwrap_err();
    assert!(
        missing.contains("could not open the label template gone.toml"),
        "{missing}"
    );
}
