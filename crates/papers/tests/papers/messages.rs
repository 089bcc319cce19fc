//! Suppliers' messages, with what they say besides.

use facts::{Event, LotKind, Unit};
use papers::epcis::{Refused, import};
use proptest::prelude::*;

use crate::given::{dairy, id};

/// A message as a supplier could send it, in the standard's own form; names and numbers are
/// invented.
fn message(fields: &str) -> String {
    format!(
        r#"{{
  "@context": ["https://ref.gs1.org/standards/epcis/2.0.0/epcis-context.jsonld", {{"farm": "https://farm.example/terms/"}}],
  "type": "EPCISDocument", "schemaVersion": "2.0", "creationDate": "2026-01-05T04:00:00Z",
  "epcisBody": {{"eventList": [{{
    "type": "ObjectEvent", "eventTime": "2026-01-05T05:30:00+01:00", "eventTimeZoneOffset": "+01:00",
    "action": "OBSERVE", "bizStep": "shipping", "disposition": "in_transit"{fields}
  }}]}}
}}"#
    )
}

const MILK: &str = r#", "quantityList": [{"epcClass": "https://id.gs1.org/01/09506000134376/10/UL-77", "quantity": 1.2, "uom": "MTQ"}],
    "bizTransactionList": [{"type": "urn:epcglobal:cbv:btt:desadv", "bizTransaction": "https://farm.example/desadv/991"}]"#;

#[test]
fn milk_of_a_known_class_is_milk_received_in_litres() {
    let import = import(&message(MILK), &dairy()).unwrap();
    assert_eq!(import.flags, Vec::<String>::new());
    let Event::MilkReceived(milk) = &import.taken[0].event else {
        panic!("{import:?}")
    };
    assert_eq!(milk.lot, id("UL-77"));
    assert_eq!(
        (milk.volume_l.get(), milk.supplier.as_str()),
        (1_200.0, "Upper Lark Farm")
    );
    assert_eq!(milk.document.as_ref().unwrap().kind, "despatch advice");
    assert_eq!(import.taken[0].at.to_rfc3339(), "2026-01-05T04:30:00+00:00");
}

#[test]
fn an_unknown_extension_is_kept_whole_and_flagged() {
    let fields = format!(
        r#"{MILK}, "farm:somaticCells": {{"value": 180000, "unit": "1/mL"}}, "ilmd": {{"farm:herd": "7"}}"#
    );
    let import = import(&message(&fields), &dairy()).unwrap();
    let Event::MilkReceived(milk) = &import.taken[0].event else {
        panic!("{import:?}")
    };
    let kept: serde_json::Value = serde_json::from_str(milk.extensions.as_ref().unwrap()).unwrap();
    assert_eq!(kept["farm:somaticCells"]["value"], 180_000);
    assert_eq!(kept["ilmd"]["farm:herd"], "7");
    assert_eq!(import.flags.len(), 1);
    assert!(
        import.flags[0]
            .starts_with("event 1 (ObjectEvent) says more than is understood, kept with the lot:")
    );
}

#[test]
fn what_is_not_known_is_taken_where_that_is_safe_and_flagged_always() {
    let of = |quantity: &str| {
        let fields = format!(
            r#", "quantityList": [{quantity}], "sourceList": [{{"type": "owning_party", "source": "urn:epc:id:pgln:9506000.00001"}}]"#
        );
        import(&message(&fields), &dairy()).unwrap()
    };
    let unknown = of(
        r#"{"epcClass": "urn:epc:class:lgtin:9506000.013439.A/7", "quantity": 3, "uom": "KGM"}"#,
    );
    let Event::LotReceived(lot) = &unknown.taken[0].event else {
        panic!("{unknown:?}")
    };
    assert_eq!(
        (lot.kind, lot.supplier.as_str()),
        (LotKind::Other, "urn:epc:id:pgln:9506000.00001")
    );
    assert_eq!(
        (lot.lot, lot.supplier_lot.as_deref()),
        (id("A-7"), Some("A/7"))
    );
    assert_eq!(lot.amount.unwrap().unit, Unit::Kg);
    assert_eq!(unknown.flags.len(), 2, "{:?}", unknown.flags);

    let barrels = of(
        r#"{"epcClass": "https://id.gs1.org/01/09506000134383/10/C1", "quantity": 3, "uom": "BLL"}"#,
    );
    let Event::LotReceived(lot) = &barrels.taken[0].event else {
        panic!("{barrels:?}")
    };
    assert_eq!((lot.kind, lot.amount), (LotKind::Culture, None));
    assert!(barrels.flags[0].contains("3 BLL is in a unit not known here"));

    let heavy = of(
        r#"{"epcClass": "https://id.gs1.org/01/09506000134376/10/M1", "quantity": 1200, "uom": "KGM"}"#,
    );
    assert!(
        heavy.taken.is_empty(),
        "kilograms of milk are not guessed to be litres"
    );
    assert!(
        heavy.flags[0].contains("is no volume in litres: left, enter it by hand"),
        "{:?}",
        heavy.flags
    );
}

#[test]
fn older_messages_and_single_events_are_read_too() {
    let old = message(MILK)
        .replace("\"type\": \"EPCISDocument\"", "\"isA\": \"EPCISDocument\"")
        .replace(
            "\"bizStep\": \"shipping\"",
            "\"bizStep\": \"urn:epcglobal:cbv:bizstep:receiving\"",
        );
    assert_eq!(import(&old, &dairy()).unwrap().taken.len(), 1);
    let single = r#"{"type": "ObjectEvent", "eventTime": "2026-01-05T04:30:00Z", "eventTimeZoneOffset": "+00:00",
        "action": "OBSERVE", "bizStep": "https://ref.gs1.org/cbv/BizStep-receiving",
        "epcList": ["https://id.gs1.org/01/09506000134383/21/9"]}"#;
    let taken = import(single, &dairy()).unwrap().taken;
    let Event::LotReceived(lot) = &taken[0].event else {
        panic!("{taken:?}")
    };
    assert_eq!((lot.lot, lot.amount.unwrap().value), (id("9"), 1.0));
}

#[test]
fn what_is_not_about_goods_that_came_in_is_left_and_said() {
    let flags = |text: &str| import(text, &dairy()).unwrap().flags.join(" ");
    assert!(flags(&message(MILK).replace("shipping", "storing")).contains("is about storing"));
    assert!(
        flags(&message(MILK).replace("2026-01-05T05:30:00+01:00", "yesterday")).contains("no time")
    );
    assert!(flags(&message("")).contains("names no goods"));
    let taken_back =
        format!(r#"{MILK}, "errorDeclaration": {{"declarationTime": "2026-01-06T00:00:00Z"}}"#);
    assert!(flags(&message(&taken_back)).contains("takes back"));
}

#[test]
fn what_is_no_epcis_is_refused_in_words() {
    assert!(matches!(
        import("<epcis/>", &dairy()),
        Err(Refused::NotJson(_))
    ));
    assert!(matches!(import("{}", &dairy()), Err(Refused::NoEvents)));
    assert!(
        import("<epcis/>", &dairy())
            .unwrap_err()
            .to_string()
            .contains("ask the supplier for EPCIS 2.0")
    );
}

proptest! {
    #[test]
    fn no_message_makes_the_reader_panic(class in "\\PC{0,60}", amount in any::<f64>(), unit in "[A-Z0-9]{0,3}") {
        let quantity = serde_json::json!([{"epcClass": class, "quantity": amount, "uom": unit}]);
        let fields = format!(", \"quantityList\": {quantity}");
        let import = import(&message(&fields), &dairy()).unwrap();
        prop_assert!(import.taken.len() <= 1);
        prop_assert!(!import.taken.is_empty() || !import.flags.is_empty(), "left without a word");
    }
}
