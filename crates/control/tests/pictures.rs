//! The charts and the report of invented vats, against their golden files. The pictures go
//! into the folder named by `WHEELWARD_PICTURES`, if there is one, for someone to look at.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod support;

use chart::Figure;
use control::{Finish, Size, Study, draw, figures, found, report, survey};
use facts::BatchId;
use ripening::Floor;
use support::{Station, clock, drifting, floor, recipe, utc, wheel};

fn keep(name: &str, figure: &Figure) {
    insta::assert_snapshot!(name, figure.svg());
    let png = figure.png(1.0).unwrap();
    if let Ok(folder) = std::env::var("WHEELWARD_PICTURES") {
        std::fs::write(format!("{folder}/{name}.png"), png).unwrap();
    }
}

fn folded() -> Floor {
    let mut floor = floor();
    drifting().iter().for_each(|fact| floor.apply(fact));
    floor.refresh(utc("2026-03-03T15:00:00Z"));
    floor
}

fn batch(text: &str) -> BatchId {
    BatchId::new(text).unwrap()
}

fn study_of_vat(floor: &Floor, id: &str) -> Study {
    survey::vat(floor, batch(id), Size::USUAL, Some(9.5)).unwrap()
}

#[test]
fn a_vat_that_drifts_shows_it_on_its_charts() {
    let floor = folded();
    let study = study_of_vat(&floor, "260303A");
    keep("drifting-vat-portions", &draw::portions(&study, &clock()));
    keep(
        "drifting-vat-means-and-ranges",
        &draw::means_and_ranges(&study, &clock()).unwrap(),
    );
    let quiet = study_of_vat(&floor, "260226A");
    keep(
        "quiet-vat-means-and-ranges",
        &draw::means_and_ranges(&quiet, &clock()).unwrap(),
    );
    let words = found(&study, &clock());
    let figures = figures(&study);
    let lines = figures.iter().map(|(what, says)| format!("{what}: {says}"));
    let all: Vec<String> = words.into_iter().chain(lines).collect();
    insta::assert_snapshot!("drifting-vat-words", all.join("\n"));
}

#[test]
fn people_are_shown_side_by_side_and_one_by_one() {
    let floor = folded();
    let from = clock().day_of(floor.now()).plus(-30);
    let studies = survey::people(&floor, from, Size::USUAL, None);
    let badges: Vec<_> = studies
        .iter()
        .map(|study| study.whose.to_string())
        .collect();
    assert_eq!(badges, ["01", "02"]);
    assert_eq!(studies[1].told.len(), 1, "the drift was all by 02");
    assert!(studies[0].told.is_empty());
    keep("people", &draw::people(&studies).unwrap());
    keep(
        "person-means-and-ranges",
        &draw::means_and_ranges(&studies[1], &clock()).unwrap(),
    );
}

#[test]
fn the_report_is_a_pdf_that_says_what_the_charts_say() {
    let mut floor = folded();
    let mut station = Station::default();
    // Weighed at ten weeks: about a fifth lost, one wheel far less.
    for place in 1..=12 {
        let grams = if place == 7 {
            3_990
        } else {
            3_380 + 8 * (place as u32 % 5)
        };
        let weighed = station.weigh(utc("2026-05-12T09:00:00Z"), wheel("260303A", place), grams);
        floor.apply(&weighed);
    }
    floor.refresh(utc("2026-05-12T10:00:00Z"));
    let study = study_of_vat(&floor, "260303A");
    let finish = Finish::of(&floor, batch("260303A")).unwrap();
    let odd: Vec<_> = finish.outliers().map(|w| w.wheel.to_string()).collect();
    assert_eq!(odd, ["260303A-07"]);
    let pdf = report(&study, Some(&finish), &recipe(), "Larkholm Dairy", &clock());
    assert!(pdf.starts_with(b"%PDF-1."));
    assert!(pdf.ends_with(b"%%EOF") || pdf.ends_with(b"%%EOF\n"));
    assert_eq!(
        pdf,
        report(&study, Some(&finish), &recipe(), "Larkholm Dairy", &clock())
    );
    if let Ok(folder) = std::env::var("WHEELWARD_PICTURES") {
        std::fs::write(format!("{folder}/report.pdf"), &pdf).unwrap();
    }
}
