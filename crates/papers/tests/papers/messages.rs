//! Suppliers' messages, with what they say besides.

use facts::{Event, LotKind, Unit};
use papers::epcis::{Refused, import};
use proptest::prelude::*;
use serde_json::json;

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

/// The events of the examples in the EPCIS standard 2.0.1 (GS1, 2022), sections 9.6.1, 9.6.3
/// and 9.6.4, and the first example with sensor data: their values, in the form in which
/// earlier drafts of its JSON wrote them.
fn standards_examples() -> [serde_json::Value; 4] {
    let event = |number: u8, mut says: serde_json::Value| {
        says["id"] = format!("_:event{number}").into();
        says["example:myField"] = "Example of a vendor/user extension".into();
        says
    };
    let order = "http://transaction.acme.com/po/12345678";
    let shipped = json!({
        "isA": "ObjectEvent", "action": "OBSERVE",
        "bizStep": "urn:epcglobal:cbv:bizstep:shipping",
        "disposition": "urn:epcglobal:cbv:disp:in_transit",
        "eventTime": "2005-04-03T20:33:31.116000-06:00", "eventTimeZoneOffset": "-06:00",
        "epcList": ["urn:epc:id:sgtin:0614141.107346.2017", "urn:epc:id:sgtin:0614141.107346.2018"],
        "readPoint": {"id": "urn:epc:id:sgln:0614141.07346.1234"},
        "bizTransactionList": [{"type": "urn:epcglobal:cbv:btt:po", "bizTransaction": order}],
    });
    let received = json!({
        "isA": "ObjectEvent", "action": "OBSERVE",
        "bizStep": "urn:epcglobal:cbv:bizstep:receiving",
        "disposition": "urn:epcglobal:cbv:disp:in_progress",
        "eventTime": "2005-04-04T20:33:31.116-06:00", "eventTimeZoneOffset": "-06:00",
        "epcList": ["urn:epc:id:sgtin:0614141.107346.2018"],
        "readPoint": {"id": "urn:epc:id:sgln:0012345.11111.400"},
        "bizLocation": {"id": "urn:epc:id:sgln:0012345.11111.0"},
        "bizTransactionList": [
            {"type": "urn:epcglobal:cbv:btt:po", "bizTransaction": order},
            {"type": "urn:epcglobal:cbv:btt:desadv", "bizTransaction": "urn:epcglobal:cbv:bt:0614141073467:1152"},
        ],
    });
    let packed = json!({
        "isA": "AggregationEvent", "action": "OBSERVE",
        "bizStep": "urn:epcglobal:cbv:bizstep:receiving",
        "disposition": "urn:epcglobal:cbv:disp:in_progress",
        "eventTime": "2013-06-08T14:58:56.591Z", "eventTimeZoneOffset": "+02:00",
        "parentID": "urn:epc:id:sscc:0614141.1234567890",
        "childEPCs": ["urn:epc:id:sgtin:0614141.107346.2017", "urn:epc:id:sgtin:0614141.107346.2018"],
        "childQuantityList": [
            {"epcClass": "urn:epc:idpat:sgtin:4012345.098765.*", "quantity": 10},
            {"epcClass": "urn:epc:class:lgtin:4012345.012345.998877", "quantity": 200.5, "uom": "KGM"},
        ],
        "readPoint": {"id": "urn:epc:id:sgln:0614141.00777.0"},
        "bizLocation": {"id": "urn:epc:id:sgln:0614141.00888.0"},
    });
    let made = json!({
        "isA": "TransformationEvent",
        "bizStep": "urn:epcglobal:cbv:bizstep:commissioning",
        "disposition": "urn:epcglobal:cbv:disp:in_progress",
        "eventTime": "2013-10-31T14:58:56.591Z", "eventTimeZoneOffset": "+02:00",
        "inputEPCList": ["urn:epc:id:sgtin:4012345.011122.25", "urn:epc:id:sgtin:4000001.065432.99886655"],
        "inputQuantityList": [
            {"epcClass": "urn:epc:class:lgtin:4012345.011111.4444", "quantity": 10, "uom": "KGM"},
            {"epcClass": "urn:epc:class:lgtin:0614141.077777.987", "quantity": 30},
            {"epcClass": "urn:epc:idpat:sgtin:4012345.066666.*", "quantity": 220},
        ],
        "outputEPCList": (25..=28).map(|n| format!("urn:epc:id:sgtin:4012345.077889.{n}")).collect::<Vec<_>>(),
        "readPoint": {"id": "urn:epc:id:sgln:4012345.00001.0"},
        "ilmd": {"example:bestBeforeDate": "2014-12-10", "example:batch": "XYZ"},
    });
    let report = |temperature: f64, humidity: f64| {
        json!([
            {"type": "gs1:Temperature", "value": temperature, "uom": "CEL"},
            {"type": "gs1:Humidity", "value": humidity, "uom": "A93"},
        ])
    };
    let felt = [(26.0, 12.1), (26.1, 12.2), (26.2, 12.2)].map(|(t, h)| {
        json!({
            "isA": "epcis:SensorElement",
            "sensorMetaData": {"deviceID": "urn:epc:id:giai:4000001.111"},
            "sensorReport": report(t, h),
        })
    });
    let felt = json!({
        "isA": "ObjectEvent", "action": "OBSERVE",
        "bizStep": "urn:epcglobal:cbv:bizstep:inspecting",
        "epcList": ["urn:epc:id:sgtin:4012345.011111.9876"],
        "eventTime": "2019-04-02T15:00:00.000+01:00", "eventTimeZoneOffset": "+01:00",
        "readPoint": {"id": "urn:epc:id:sgln:4012345.00005.0"},
        "sensorElementList": felt,
    });
    [vec![shipped, received], vec![packed], vec![made], vec![felt]].map(|events| {
        let numbered = (1..).zip(events).map(|(number, says)| event(number, says));
        json!({
            "@context": ["https://gs1.github.io/EPCIS/epcis-context.jsonld", {"example": "http://ns.example.com/epcis/"}],
            "id": "_:document1", "isA": "EPCISDocument", "schemaVersion": 2.0,
            "creationDate": "2005-07-11T11:30:47.0Z",
            "epcisBody": {"eventList": numbered.collect::<Vec<_>>()},
        })
    })
}

#[test]
fn the_standards_own_examples_import_and_what_they_say_beyond_goods_is_flagged() {
    let expected: [(&[&str], usize); 4] = [
        (
            &[
                "2005-04-04 2017 1 Piece",
                "2005-04-04 2018 1 Piece",
                "2005-04-05 2018 1 Piece",
            ],
            5,
        ),
        (
            &[
                "2013-06-08 tin-4012345-098765-- 10 Piece",
                "2013-06-08 998877 200.5 Kg",
                "2013-06-08 2017 1 Piece",
                "2013-06-08 2018 1 Piece",
            ],
            6,
        ),
        (&[], 1), // commissioning, and
        (&[], 1), // inspecting are not about goods that came in
    ];
    for (example, (lots, flags)) in standards_examples().into_iter().zip(expected) {
        let import = import(&example.to_string(), &dairy()).unwrap();
        let taken = import.taken.iter().map(|taken| {
            let Event::LotReceived(lot) = &taken.event else {
                panic!("{taken:?}");
            };
            let amount = lot.amount.unwrap();
            let day = taken.at.date_naive();
            format!("{day} {} {} {:?}", lot.lot, amount.value, amount.unit)
        });
        assert_eq!(taken.collect::<Vec<_>>(), lots);
        assert_eq!(import.flags.len(), flags, "{:#?}", import.flags);
    }
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
