//! The safety file: the example is right, and mistakes are told with line and column.

use crate::given::{FILE, parse, plan};

#[test]
fn the_example_is_right() {
    let plan = plan();
    assert!(plan.controls.len() >= 8 && plan.samplings.len() >= 4);
    assert!(!plan.may_release.is_empty());
}

#[test]
fn mistakes_are_told_where_they_are() {
    let head = "[release]\nbadges = [\"01\"]\n[milk]\nheat = \"eu\"\n";
    let control = |lines: &str| {
        format!("{head}[[control]]\nid = \"x\"\nname = \"x\"\nwhen_wrong = \"hold it\"\n{lines}")
    };
    let sampling = |lines: &str| format!("{head}[[sampling]]\nid = \"x\"\ntest = \"x\"\n{lines}");
    let cases = [
        (
            FILE.replace("heat = \"eu\"", "heat = \"hot\""),
            "write \"eu\", \"us\" or \"own\"",
        ),
        (
            "[release]\nbadges = []\n[milk]\nheat = \"eu\"\n".to_owned(),
            ":2:10: badges is empty",
        ),
        (
            "[release]\nbadges = [\"01\"]\n[milk]\nheat = \"own\"\n".to_owned(),
            "write at least one [[milk.pair]]",
        ),
        (
            format!("{head}[[milk.pair]]\nat_least_c = 72.0\nat_least_f = 161.0\nfor_s = 15.0\n"),
            "write either at_least_c or at_least_f",
        ),
        (
            control("reads = \"smell\"\nevery = \"day\"\n"),
            ":9:9: reads is \"smell\"",
        ),
        (
            control("reads = \"vat_ph\"\nevery = \"batch\"\n"),
            "vat_ph needs a limit",
        ),
        (
            control("reads = \"vat_ph\"\nmost = 5.0\nevery = \"day\"\n"),
            "vat_ph cannot be checked every day",
        ),
        (
            control("reads = \"vat_ph\"\nleast = 6.0\nmost = 5.0\nevery = \"batch\"\n"),
            ":11:8: most is 5 and least 6: nothing is within",
        ),
        (
            control("reads = \"needles\"\nevery = \"day_of_use\"\n"),
            "needles needs a tool",
        ),
        (
            control("reads = \"milk_heat\"\nmost = 5.0\nevery = \"milk_lot\"\n"),
            "leave least and most out",
        ),
        (
            control("reads = \"vat_ph\"\nmost = 5.0\nevery = \"batch\"\nbefore = \"lunch\"\n"),
            "write cut, drained, milled or closed",
        ),
        (
            control("reads = \"vat_ph\"\nmost = 5.0\nevery = \"batch\"\nwithin_h = 0\n"),
            "within_h must be 1 to 2400",
        ),
        (sampling("n = 0\nc = 0\nm = \"100 cfu/g\"\n"), "n is 0"),
        (
            sampling("n = 5\nc = 5\nm = \"100 cfu/g\"\n"),
            ":9:5: c is 5 of n 5",
        ),
        (
            sampling("n = 5\nc = 1\nm = \"not detected in 25 g\"\n"),
            "c must be 0",
        ),
        (
            sampling("n = 5\nc = 0\nm = \"not detected\"\n"),
            "with the grams",
        ),
        (
            sampling("n = 5\nc = 2\nm = \"1000 cfu/g\"\nM = \"100 cfu/g\"\n"),
            ":11:5: M is below m: they are exchanged",
        ),
        (sampling("n = 5\nc = 2\nm = \"3\"\n"), "has no unit"),
        (
            sampling("n = 5\nc = 2\nm = \"<10 cfu/g\"\n"),
            "write a count such as",
        ),
        (format!("{head}colour = \"blue\"\n"), "unknown field"),
    ];
    for (text, words) in cases {
        let refused = parse(&text).expect_err(words);
        assert!(refused.starts_with("safety.toml:"), "{refused}");
        assert!(refused.contains(words), "{refused}\n  should say: {words}");
    }
}

#[test]
fn twice_the_same_code_is_refused() {
    let again = FILE.rfind("[[sampling]]").unwrap();
    let doubled = format!("{FILE}\n{}", &FILE[again..]);
    assert!(parse(&doubled).unwrap_err().contains("stands here twice"));
}
