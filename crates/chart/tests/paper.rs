//! Reports on A4: nothing is lost between pages.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use chart::paper::{Column, Paper};
use chart::{Axis, Figure, Ink, Layer, Marker, Panel};

const COLUMNS: [Column<'_>; 2] = [
    Column {
        head: "wheel",
        share: 1.0,
        right: false,
    },
    Column {
        head: "grams",
        share: 1.0,
        right: true,
    },
];

fn count(pdf: &[u8], words: &str) -> usize {
    // Content is not compressed, and words are written as they are.
    let words = words.as_bytes();
    pdf.windows(words.len()).filter(|w| *w == words).count()
}

#[test]
fn every_row_of_a_long_table_is_on_some_page_under_a_head() {
    let mut paper = Paper::new("Weights", "The dairy's own.");
    let rows: Vec<Vec<String>> = (0..200)
        .map(|n| vec![format!("W{n:03}"), format!("{}", 4000 + n)])
        .collect();
    paper.table(&COLUMNS, &rows);
    let pdf = paper.finish();
    let pages = count(&pdf, "/Type /Page\n");
    assert!(pages >= 3, "{pages} pages");
    assert_eq!(count(&pdf, "(wheel)"), pages);
    for n in 0..200 {
        assert_eq!(count(&pdf, &format!("(W{n:03})")), 1);
    }
    assert_eq!(
        count(&pdf, &format!("(The dairy's own. Page {pages} of {pages})")),
        1
    );
}

#[test]
fn words_too_long_for_a_cell_go_on_below() {
    let mut paper = Paper::new("Weights", "");
    let long = "one two three four five six seven eight nine ten eleven twelve thirteen fourteen fifteen sixteen";
    paper.table(&COLUMNS, &[vec![long.to_owned(), "1".to_owned()]]);
    let pdf = paper.finish();
    assert_eq!(count(&pdf, &format!("({long})")), 0);
    assert_eq!(count(&pdf, "sixteen)"), 1);
}

#[test]
fn a_chart_that_no_longer_fits_goes_to_the_next_page_and_odd_characters_are_shown_as_such() {
    let figure = Figure {
        title: "Δ weight".to_owned(),
        says: String::new(),
        x: Axis::Numbers {
            label: "day".to_owned(),
        },
        panels: vec![Panel {
            label: "g ± 1".to_owned(),
            range: None,
            share: 1.0,
            layers: vec![Layer::points([(0.0, 1.0)], Marker::Ring, Ink::Warn, None)],
        }],
        width: 960.0,
        height: 900.0,
    };
    let mut paper = Paper::new("Charts", "");
    for _ in 0..3 {
        paper.figure(&figure.drawing());
    }
    let pdf = paper.finish();
    assert_eq!(count(&pdf, "/Type /Page\n"), 3);
    assert_eq!(count(&pdf, "(? weight)"), 3);
}
