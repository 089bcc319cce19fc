//! The byte format, against published vectors and against the facts' own export.

use chrono::{DateTime, Utc};
use facts::wire;
use facts::{Event, Fact, FactId, PersonId, SiteId, StationId};
use proptest::prelude::*;
use seal::{Clocks, Entry, Head, Leaf, PublicKey, Seal, SigningKey, record, retention::Retention};

use crate::given::{key, line, records, site};

#[test]
fn leaves_are_those_of_rfc_6962() {
    // RFC 6962, section 2.1: the hash of a leaf is SHA-256(0x00 || d). The value for the
    // empty string is the first leaf of the certificate-transparency reference test vectors.
    assert_eq!(
        Leaf::of(b"").to_string(),
        "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"
    );
}

#[test]
fn the_signature_is_ed25519_of_rfc_8032() {
    // RFC 8032, section 7.1, test 1: the public key of this secret key.
    let secret = "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60";
    let key = SigningKey::read(secret).unwrap();
    assert_eq!(
        key.public().to_string(),
        "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a"
    );
    assert_eq!(key.secret_text(), secret);
    assert!(
        !format!("{key:?}").contains(secret),
        "a key is not shown by accident"
    );
}

#[test]
fn a_seal_is_a_few_lines_that_say_what_they_seal() {
    let seal = &records(&[3, 4, 0]).seals[1];
    let text = seal.to_string();
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(
        lines[..6],
        [
            "wheelward seal 2",
            "site larkholm",
            "number 2",
            "day 2026-03-02",
            "first 4",
            "last 7"
        ]
    );
    assert!(lines[10].starts_with("signature ") && lines.len() == 11);
    assert_eq!(text.parse::<Seal>().unwrap(), *seal);
    let scanned = text.replace('\n', " \r\n");
    assert_eq!(
        scanned.parse::<Seal>().unwrap(),
        *seal,
        "scanned from paper"
    );
    assert_eq!(
        "wheelward seal 1\nsite larkholm\nfirst 4\n"
            .parse::<Seal>()
            .unwrap_err()
            .to_string(),
        "line 3 of the seal should begin with \"day\""
    );
    assert!(seal::qr_svg(seal).unwrap().starts_with("<svg"));
}

#[test]
fn a_ledger_line_says_where_what_and_its_leaf() {
    let entry = Entry::of(&line(5, "x"), 105);
    let text = entry.line(5);
    assert!(text.starts_with("5 105 019b8c4f-fcf8-7452-8c26-000000000005 "));
    assert_eq!(Entry::read(&text, 1).unwrap(), (5, entry));
    assert_eq!(
        Entry::read("5 105 nonsense", 5).unwrap_err().to_string(),
        "line 5 of the ledger cannot be read: it should be \"<number> <sequence> <fact> <leaf>\""
    );
    let unreadable = Entry::of(b"not json", 9);
    assert_eq!(
        Entry::read(&unreadable.line(1), 1).unwrap(),
        (1, unreadable)
    );
}

#[test]
fn what_is_no_json_is_kept_as_base64_and_no_header_passes_for_the_body() {
    let headers = [
        ("ce-id", "x"),
        ("Nats-Msg-Id", "x"),
        ("ce-data", "forged"),
        ("ce-zz", "1"),
    ];
    let line = record::line(headers, b"\xff\n");
    assert_eq!(
        String::from_utf8(line).unwrap(),
        r#"{"id":"x","ce-data":"forged","zz":"1","data_base64":"/wo="}"#
    );
    let pretty = record::line([("ce-id", "x")], b"{\n}");
    assert_eq!(
        String::from_utf8(pretty).unwrap(),
        r#"{"id":"x","data_base64":"ewp9"}"#
    );
}

#[test]
fn another_site_has_another_chain() {
    assert_ne!(
        Head::first(&site()),
        Head::first(&"elsewhere".parse().unwrap())
    );
}

#[test]
fn a_public_key_that_is_none_is_refused_in_words() {
    let refused = "12".parse::<PublicKey>().unwrap_err().to_string();
    assert_eq!(
        refused,
        "\"12\" should be 64 hexadecimal digits in lower case, as they were printed"
    );
    assert_eq!(key().public().to_string().parse(), Ok(key().public()));
}

#[test]
fn nothing_is_due_before_its_time_and_facts_never_before_two_years() {
    let at = |text: &str| text.parse::<DateTime<Utc>>().unwrap();
    let short = Retention { facts_months: 1 };
    let last = at("2026-03-01T00:00:00Z");
    // 21 CFR 1.1455(d): two years.
    assert!(!short.facts_are_due(last, at("2028-03-01T00:00:00Z")));
    assert!(short.facts_are_due(last, at("2028-03-01T00:00:01Z")));
    assert!(!Retention::default().facts_are_due(last, at("2033-02-28T00:00:00Z")));
}

fn any_time() -> impl Strategy<Value = DateTime<Utc>> {
    (946_684_800_000i64..4_102_444_800_000)
        .prop_filter_map("a time", DateTime::from_timestamp_millis)
}

fn any_fact() -> impl Strategy<Value = Fact> {
    let who = any::<(FactId, SiteId, StationId, u64, Option<PersonId>)>();
    (who, any_time(), any_time(), any::<bool>(), any::<Event>()).prop_map(
        |((id, site, station, station_seq, person), claimed, recorded_at, believed, event)| {
            let (occurred_at, claimed_at) = match believed {
                true => facts::ordered(claimed, recorded_at),
                false => (recorded_at, Some(claimed)),
            };
            Fact {
                id,
                site,
                station,
                station_seq,
                person,
                occurred_at,
                claimed_at,
                recorded_at,
                event,
            }
        },
    )
}

#[test]
fn a_clock_that_went_back_is_told_once_and_sending_again_is_not() {
    let fact = |seq, minute: u32| Fact {
        id: FactId::from_uuid("019b8c4f-fcf8-7452-8c26-000000000001".parse().unwrap()),
        site: site(),
        station: "s1".parse().unwrap(),
        station_seq: seq,
        person: None,
        occurred_at: DateTime::UNIX_EPOCH,
        claimed_at: None,
        recorded_at: DateTime::UNIX_EPOCH + chrono::TimeDelta::minutes(minute.into()),
        event: facts::RoomCleaned {
            room: "R1".parse().unwrap(),
            method: String::new(),
        }
        .into(),
    };
    let mut clocks = Clocks::default();
    let told: Vec<bool> = [(1, 10), (2, 20), (1, 10), (3, 5), (4, 6)]
        .map(|(seq, minute)| {
            let line = wire::to_line(&fact(seq, minute)).unwrap();
            let seen = clocks.saw(line.as_bytes());
            assert_eq!(seen.recorded_at, Some(fact(seq, minute).recorded_at));
            seen.went_back.is_some()
        })
        .to_vec();
    assert_eq!(told, [false, false, false, true, false]);
    assert_eq!(clocks.saw(b"{\"data\":1}"), seal::Seen::default());
}

proptest! {
    #[test]
    fn a_facts_record_is_the_line_of_its_export(fact in any_fact()) {
        let binary = wire::to_binary(&fact).unwrap();
        let headers = binary.headers.iter().map(|(name, value)| (*name, value.as_str()));
        let line = record::line(headers, &binary.body);
        prop_assert_eq!(String::from_utf8(line.clone()).unwrap(), wire::to_line(&fact).unwrap());
        prop_assert_eq!(record::id_of(&line), Some(fact.id));
    }

    #[test]
    fn any_message_is_one_line_of_json(
        headers in prop::collection::vec(("(ce-)?[a-z]{1,8}", ".{0,20}"), 0..6),
        body in prop::collection::vec(any::<u8>(), 0..60),
    ) {
        let pairs = headers.iter().map(|(name, value)| (name.as_str(), value.as_str()));
        let line = record::line(pairs, &body);
        prop_assert!(!line.contains(&b'\n'));
        prop_assert!(serde_json::from_slice::<serde_json::Value>(&line).is_ok());
        let _ = record::id_of(&body);
    }
}
