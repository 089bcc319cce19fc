//! The papers file: the example is right, and mistakes are told with line and column.

use crate::given::{PAPERS, dairy, parse};

#[test]
fn the_example_is_right() {
    let dairy = dairy();
    assert_eq!(dairy.place(), "Larkholm Dairy, 1 Dairy Lane, Larkholm");
    assert_eq!(dairy.customer_place("Nobody"), "Nobody, ADDRESS MISSING");
    assert_eq!(dairy.describe(None), "DESCRIPTION MISSING");
}

#[test]
fn mistakes_are_told_where_they_are() {
    for (right, wrong, words) in [
        (
            "gln = \"9506000134369\"",
            "gln = \"9506000134360\"",
            "its last digit should be 9",
        ),
        (
            "\"https://id.larkholm.example\"",
            "\"larkholm\"",
            ":9:10: domain should be a web address",
        ),
        (
            "completed = \"unhooped\"",
            "completed = \"soon\"",
            "write \"hooped\", \"unhooped\" or \"day 60\"",
        ),
        ("is = \"milk\"", "is = \"water\"", "write milk, culture"),
        (
            "name = \"Quay Deli\"",
            "nam = \"Quay Deli\"",
            "unknown field",
        ),
        (
            "starts = \"https://id.gs1.org/01/09506000134376/\"",
            "starts = \"\"",
            "starts is empty",
        ),
    ] {
        assert!(PAPERS.contains(right), "{right}");
        let refused = parse(&PAPERS.replacen(right, wrong, 1)).expect_err(words);
        assert!(
            refused.starts_with("papers.toml:") && refused.contains(words),
            "{refused}"
        );
    }
    let twice = format!("{PAPERS}\n[[product]]\nrecipe = \"larkholm-blue\"\ndescription = \"x\"\n");
    assert!(parse(&twice).unwrap_err().contains("described twice"));
}
