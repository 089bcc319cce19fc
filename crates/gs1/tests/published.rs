//! Values that others have published, each beside its source.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

use chrono::NaiveDate;
use facts::Sscc;
use gs1::{Element, ElementString, Gln, Gtin, SEPARATOR, read};
use quantity::Grams;

/// Worked examples of the check digit.
mod check_digits {
    use super::*;

    #[test]
    fn gtins() {
        for (gtin, _source) in [
            (
                "6291041500213",
                "GS1 Hong Kong, check digit calculator page, worked",
            ),
            ("8904000210037", "GS1 India, check digit page, worked"),
            ("7300011000017", "GS1 Sweden, check digit page, worked"),
            (
                "1234567890128",
                "gs1-syntax-dictionary, src/lint_csum.c, unit test",
            ),
            ("12345678901231", "the same"),
            ("02345673", "the same"),
            ("416000336108", "the same"),
            ("95012345678903", "gs1-syntax-engine, src/c-lib/ai.c, test"),
            ("09521234543213", "gs1-syntax-engine, example"),
            ("09506000134352", "GS1 demonstration key (from memory)"),
        ] {
            let read: Gtin = gtin.parse().unwrap();
            assert_eq!(read.to_string(), format!("{gtin:0>14}"));
        }
    }

    #[test]
    fn other_keys() {
        // GS1 General Specifications, check digit figure (from memory); BWIPP wiki; EPC Tag
        // Data Standard (from memory).
        for sscc in [
            "376104250021234569",
            "106141411234567897",
            "106141412345678908",
        ] {
            assert_eq!(sscc.parse::<Sscc>().unwrap().to_string(), sscc);
        }
        assert!("6291041500213".parse::<Gln>().is_ok());
    }

    /// gs1-syntax-dictionary, src/lint_csum.c, unit test.
    #[test]
    fn what_must_fail() {
        for gtin in [
            "1234567890129",
            "12345678901232",
            "",
            "1234567890 28",
            "123456789012A",
        ] {
            assert!(gtin.parse::<Gtin>().is_err(), "{gtin}");
        }
        let wrong = "12345678901232".parse::<Gtin>().unwrap_err();
        assert_eq!(
            wrong.to_string(),
            "12345678901232 is no GTIN: its last digit should be 1"
        );
        assert!("123456789012345670".parse::<Sscc>().is_err());
    }
}

/// gs1-syntax-engine, src/c-lib/ai.c, tests. `^` is FNC1.
mod element_strings {
    use super::*;

    fn raw(text: &str) -> Result<ElementString, gs1::Unreadable> {
        read(&text.replace('^', &SEPARATOR.to_string()))
    }

    #[test]
    fn a_product_and_its_lot() {
        let string = raw("^01123456789012311012345").unwrap();
        assert_eq!(string.to_string(), "(01)12345678901231(10)12345");
        assert_eq!(string.check(), Ok(()));
        assert_eq!(read("(01)12345678901231(10)12345").unwrap(), string);
        assert_eq!(string.data(), "01123456789012311012345");
    }

    #[test]
    fn a_weight_of_123_grams() {
        let string = raw("^01950123456789033103000123").unwrap();
        let Element::NetWeight(weight) = string.elements()[1] else {
            panic!("no weight");
        };
        assert_eq!(weight.grams(), Some(123));
    }

    #[test]
    fn what_is_rejected() {
        for (text, why) in [
            (
                "(01)95012345678902(3103)000123",
                "its last digit should be 3",
            ),
            ("(01)95012345678903(11)131313", "there is no month 13"),
        ] {
            let error = read(text).unwrap_err().to_string();
            assert!(error.contains(why), "{text}: {error}");
        }
        for (text, why) in [
            ("(01)12345678901231(37)123", "(01) and (37) may not stand"),
            ("(01)12345678901231(02)12345678901231(37)1", "(01) and (02)"),
            ("(02)12345678901231", "(02) needs (37)"),
            ("(10)12345", "(10) needs (01) or (02)"),
        ] {
            let error = read(text).unwrap().check().unwrap_err().to_string();
            assert!(error.contains(why), "{text}: {error}");
        }
    }

    /// gs1-syntax-dictionary, src/lint_yymmd0.c, unit test.
    #[test]
    fn dates() {
        let date = |digits: &str| read(&format!("(01)12345678901231(15){digits}"));
        for right in ["200229", "000229", "201200"] {
            assert!(date(right).is_ok(), "{right}");
        }
        for wrong in [
            "210229", "200230", "200431", "201310", "200010", "20022", "2002290",
        ] {
            assert!(date(wrong).is_err(), "{wrong}");
        }
    }
}

/// GS1 Digital Link addresses.
mod digital_links {
    use super::*;

    /// gs1-syntax-engine, src/c-lib/dl.c, tests.
    #[test]
    fn the_syntax_engines_own() {
        for (people, address) in [
            (
                "(01)12312312312326(21)abc123",
                "https://id.gs1.org/01/12312312312326/21/abc123",
            ),
            (
                "(01)12312312312333(10)ABC+123",
                "https://id.gs1.org/01/12312312312333/10/ABC%2B123",
            ),
        ] {
            let string = read(people).unwrap();
            assert_eq!(string.digital_link("https://id.gs1.org").unwrap(), address);
            assert_eq!(read(address).unwrap(), string);
        }
        // AIs that are not typed here are kept, in the order of the address.
        let all = read("https://id.gs1.org/01/12312312312326/22/ABC/10/DEF/21/GHI?95=INT").unwrap();
        assert_eq!(
            all.to_string(),
            "(01)12312312312326(22ABC)(10)DEF(21)GHI(95INT)"
        );
        let order = "https://id.gs1.org/01/12312312312326/10/DEF/22/ABC";
        assert!(read(order).unwrap_err().to_string().contains("wrong place"));
    }

    /// BWIPP project's wiki, GS1 Digital Link page.
    #[test]
    fn a_batch_that_expires_and_a_case() {
        let address = "https://id.gs1.org/01/09521234543213/10/ABC123?17=261231";
        let string = read(address).unwrap();
        assert_eq!(string.to_string(), "(01)09521234543213(10)ABC123(17)261231");
        assert_eq!(string.digital_link("https://id.gs1.org/").unwrap(), address);
        let case = read("https://id.gs1.org/00/106141411234567897").unwrap();
        assert_eq!(case.sscc().unwrap().to_string(), "106141411234567897");
    }
}

/// A wheel of the demonstration prefix 952, worked by hand from the rules above.
#[test]
fn a_whole_wheel_label() {
    let made = NaiveDate::from_ymd_opt(2026, 1, 26).unwrap();
    let string = ElementString::new([
        Element::Gtin("99521234543216".parse().unwrap()),
        Element::lot("26W05-3").unwrap(),
        Element::serial("0417").unwrap(),
        Element::made(made),
        Element::net_weight(Grams::new(8_165).unwrap()).unwrap(),
    ])
    .unwrap();
    assert_eq!(
        string.to_string(),
        "(01)99521234543216(11)260126(3103)008165(10)26W05-3(21)0417"
    );
    assert_eq!(
        string.data(),
        format!("01995212345432161126012631030081651026W05-3{SEPARATOR}210417")
    );
    assert_eq!(
        string.digital_link("https://id.gs1.org").unwrap(),
        "https://id.gs1.org/01/99521234543216/10/26W05-3/21/0417?11=260126&3103=008165"
    );
}
