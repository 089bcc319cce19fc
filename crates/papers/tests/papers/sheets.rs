//! Traceability records. Counts of key data elements after 21 CFR 1.1340 (8), 1.1345 (8) and
//! 1.1350(a)(2) (6), eCFR text of 2026-06-11.

use std::collections::BTreeSet;

use facts::Scope;
use papers::{
    Asked, Cell, Sheet, batch_file, key_sheet, notice, one_step_back, one_step_forward,
    traceability, workbook,
};

use crate::given::{clock, dairy, facts, id, now, plan, recall};

fn sheet(asked: &Asked) -> Sheet {
    traceability(facts(), &dairy(), &clock(), asked)
}

fn column(sheet: &Sheet, name: &str) -> usize {
    sheet.head.iter().position(|head| *head == name).unwrap()
}

fn rows<'s>(sheet: &'s Sheet, event: &str) -> Vec<&'s Vec<Cell>> {
    let rows = sheet.rows.iter();
    rows.filter(|row| row[0] == Cell::Text(event.to_owned()))
        .collect()
}

#[test]
fn every_row_has_the_key_data_elements_of_its_event() {
    let sheet = sheet(&Asked::default());
    let needed = |event: &str| -> Vec<&str> {
        match event {
            "shipping" => vec![
                "traceability lot code",
                "quantity",
                "product description",
                "next recipient",
                "shipped from",
                "date",
                "lot code source",
                "document number",
            ],
            "receiving" => vec![
                "traceability lot code",
                "quantity",
                "product description",
                "shipped from",
                "location",
                "date",
                "lot code source",
                "document number",
            ],
            "transformation" => vec![
                "traceability lot code",
                "location",
                "date",
                "product description",
                "quantity",
                "document number",
            ],
            _ => vec![
                "traceability lot code",
                "product description",
                "quantity",
                "into lot",
            ],
        }
    };
    assert_eq!(needed("shipping").len(), 8);
    let mut seen = BTreeSet::new();
    for row in &sheet.rows {
        let Cell::Text(event) = &row[0] else {
            panic!("{row:?}")
        };
        seen.insert(event.as_str());
        for name in needed(event) {
            assert_ne!(row[column(&sheet, name)], Cell::Empty, "{event}: {name}");
        }
        assert_eq!(row.len(), sheet.head.len());
    }
    let all = [
        "receiving",
        "shipping",
        "transformation",
        "transformation: ingredient",
    ];
    assert_eq!(seen, BTreeSet::from(all));
}

#[test]
fn one_row_a_lot_and_event_and_the_quantities_are_those_of_the_facts() {
    let sheet = sheet(&Asked::default());
    assert_eq!(
        rows(&sheet, "transformation").len(),
        55,
        "a batch a make day"
    );
    // O-1 of one batch, O-2 and O-3 of two each.
    assert_eq!(rows(&sheet, "shipping").len(), 5);
    assert_eq!(rows(&sheet, "receiving").len(), 1, "one wheel came back");
    let kg: f64 = rows(&sheet, "shipping")
        .iter()
        .map(|row| match row[column(&sheet, "quantity")] {
            Cell::Number(kg) => kg,
            ref other => panic!("{other:?}"),
        })
        .sum();
    let portions: u32 = facts()
        .iter()
        .filter_map(|fact| match &fact.event {
            facts::Event::WheelPortioned(e) => {
                let sent = "260106A-01 260106A-02 260106A-03 260107A-01 260107A-02 260107A-03 260108A-01 260108A-02";
                sent.split(' ').any(|wheel| wheel == e.wheel.as_str()).then_some(e.weight_g.get())
            }
            _ => None,
        })
        .sum();
    assert!(
        (kg * 1000.0 - f64::from(portions)).abs() < 0.5,
        "{kg} kg, {portions} g"
    );
}

#[test]
fn a_range_of_dates_or_lot_codes_can_be_asked_for() {
    let lots = BTreeSet::from(["260106A".to_owned()]);
    let of_lot = sheet(&Asked {
        lots,
        ..Asked::default()
    });
    assert_eq!(of_lot.rows.len(), 3, "made, and sent in two orders");
    let asked = Asked {
        from: Some("2026-03-13".parse().unwrap()),
        to: Some("2026-03-13".parse().unwrap()),
        ..Asked::default()
    };
    let of_day = sheet(&asked);
    assert_eq!(rows(&of_day, "shipping").len(), 5);
    assert!(rows(&of_day, "receiving").is_empty());
}

#[test]
fn what_is_missing_is_said_in_capitals() {
    let mut dairy = dairy();
    dairy.customers.clear();
    dairy.products.clear();
    let csv = traceability(facts(), &dairy, &clock(), &Asked::default()).csv();
    assert!(csv.contains("\"Quay Deli, ADDRESS MISSING\""));
    assert!(csv.contains("larkholm-blue: DESCRIPTION MISSING"));
}

#[test]
fn csv_is_rfc_4180_and_no_cell_becomes_a_formula() {
    let sheet = Sheet {
        name: "x",
        head: vec!["a", "b"],
        rows: vec![vec![
            Cell::from("=1+1"),
            Cell::from("say \"no\", twice\nover"),
        ]],
    };
    assert_eq!(
        sheet.csv(),
        "a,b\r\n'=1+1,\"say \"\"no\"\", twice\nover\"\r\n"
    );
}

#[test]
fn one_step_back_and_forward_name_businesses() {
    let all = Asked::default();
    let back = one_step_back(facts(), &dairy(), &clock(), &all);
    // Two milk lots on 55 days, 8 weeks' culture, 2 of rennet and salt each, wrap, coating.
    assert_eq!(back.rows.len(), 110 + 8 + 4 + 2);
    assert!(
        back.csv()
            .contains("\"Upper Lark Farm, Upper Lark, Larkholm\",UL-260105,delivery note,1000")
    );
    let forward = one_step_forward(facts(), &dairy(), &clock(), &all);
    assert_eq!(forward.rows.len(), 5);
    assert!(
        forward
            .csv()
            .contains("\"Harbour Imports, Pier 4, Farhaven\",O-3,export")
    );
}

#[test]
fn the_same_sheets_give_the_same_workbook() {
    let sheets = [sheet(&Asked::default()), key_sheet(&dairy())];
    let book = workbook(&sheets, "Larkholm", now()).unwrap();
    assert!(book.starts_with(b"PK"));
    assert_eq!(book, workbook(&sheets, "Larkholm", now()).unwrap());
}

#[test]
fn a_notice_is_a_draft_that_names_each_wheel() {
    let recall = recall(&Scope::Lot(id("M260107a")));
    let line = recall
        .customers
        .iter()
        .find(|line| line.order == Some(id("O-3")))
        .unwrap();
    insta::assert_snapshot!(notice(&recall, line, &dairy(), &clock()));
}

#[test]
fn a_batch_file_says_everything_that_is_recorded_of_the_batch() {
    let batch = id("260128A");
    let recall = recall(&Scope::Batch(batch));
    let pdf = batch_file(batch, facts(), &recall, Some(&plan()), &dairy(), &clock());
    assert!(pdf.starts_with(b"%PDF"));
    let text = String::from_utf8_lossy(&pdf);
    for words in [
        "Batch 260128A",
        "UL-260128",
        "pH 5.9 at 12:30",
        "milled an hour later",
        "OUT, decided",
        "HELD by",
        "UNEXPLAINED",
        "Signatures",
    ] {
        assert!(text.contains(words), "{words}");
    }
}
