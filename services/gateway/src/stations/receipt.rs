//! What a device sends, and what is kept of how it went.

use authority::people::{Recorded, UNDO_WITHIN, undoable};
use bus::Note;
use chrono::{DateTime, SecondsFormat, TimeDelta, Utc};
use facts::{Fact, FactId, PersonId, StationId, WheelId};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use station::{Answer, Level};

use crate::people::{Device, hash, proof};

/// Receipts kept for each device: days of one station's work.
const RECEIPTS: u64 = 20_000;

/// How a request's mark begins; what is marked stays the same for as long as this does.
const MARKED: &str = "2:";

/// A request of before marks were made so counts as the same within this.
const ALMOST: TimeDelta = TimeDelta::seconds(5);

/// One scan from a device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ScanIn {
    /// The station that the device is.
    pub station: StationId,
    /// The device's own number for it, from 1, rising without gaps.
    pub seq: u64,
    /// When it was scanned; now if left out.
    #[serde(
        default,
        deserialize_with = "quantity::calendar::read::instant_or_none"
    )]
    pub occurred_at: Option<DateTime<Utc>>,
    /// What was scanned: one code. Either this or `undoes`.
    pub line: Option<String>,
    /// The number of an earlier scan to take back.
    pub undoes: Option<u64>,
    /// The badge of who was signed in on the device at the time, if that is no longer who is
    /// signed in now: `session` and `signature` show it.
    pub person: Option<PersonId>,
    /// The action that the device showed as set, empty for none. A scan that meant another
    /// action than the station has is refused.
    pub action: Option<String>,
    /// Never to be done: the device refused it, or gave up waiting for its answer. If it was
    /// taken already, that stays and is answered.
    pub withdrawn: Option<bool>,
    /// The session in which it was scanned.
    pub session: Option<String>,
    /// The scan signed with that session's `scan_key`: HMAC-SHA-256, in hexadecimal, over the
    /// netstrings of `wheelward scan 1`, station, number, time (RFC 3339 with milliseconds and
    /// Z), line, `undoes`, person and action, where what is left out is empty.
    pub signature: Option<String>,
    /// How far the device's own clock was behind the floor's, in milliseconds, as the device
    /// measured it; `occurred_at` is the floor's time already.
    pub skew_ms: Option<i64>,
}

impl ScanIn {
    /// What its session signed.
    pub(super) fn message(&self) -> Vec<u8> {
        let at = self.occurred_at.map(|at| time(at, SecondsFormat::Millis));
        let undoes = self.undoes.map(|seq| seq.to_string());
        proof::message(&[
            self.station.as_str(),
            &self.seq.to_string(),
            at.as_deref().unwrap_or_default(),
            self.line.as_deref().unwrap_or_default(),
            undoes.as_deref().unwrap_or_default(),
            self.person.as_ref().map_or("", PersonId::as_str),
            self.action.as_deref().unwrap_or_default(),
        ])
    }

    /// A mark of the request, so that another one under the same number is noticed: of what is
    /// there, by name, so that a field that a later version adds changes no mark of a scan
    /// without it. How it is sent, and what was measured on the way, is not part of it.
    pub(super) fn mark(&self) -> String {
        let at = self.occurred_at.map(|at| time(at, SecondsFormat::AutoSi));
        let parts = [
            ("station", Some(self.station.to_string())),
            ("seq", Some(self.seq.to_string())),
            ("occurred_at", at),
            ("line", self.line.clone()),
            ("undoes", self.undoes.map(|seq| seq.to_string())),
            ("person", self.person.map(|person| person.to_string())),
            ("action", self.action.clone()),
        ];
        let there = parts
            .iter()
            .filter_map(|(name, value)| Some([*name, value.as_deref()?]))
            .flatten();
        let there: Vec<&str> = there.collect();
        format!("{MARKED}{}", hash(proof::message(&there)))
    }
}

fn time(at: DateTime<Utc>, format: SecondsFormat) -> String {
    at.to_rfc3339_opts(format, true)
}

/// How a scan went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum Went {
    /// Recorded.
    Ok,
    /// More is needed.
    Next,
    /// Something is wrong: the words say what, and whether it was recorded.
    Wrong,
    /// Stop: someone could be harmed.
    Stop,
}

impl From<Level> for Went {
    fn from(level: Level) -> Self {
        match level {
            Level::Ok => Self::Ok,
            Level::Next => Self::Next,
            Level::Wrong => Self::Wrong,
            Level::Stop => Self::Stop,
        }
    }
}

/// What a scan came to, as kept.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct Receipt {
    /// The device's number.
    pub seq: u64,
    /// When it was scanned.
    pub occurred_at: DateTime<Utc>,
    /// Who scanned it.
    pub person: PersonId,
    /// What was scanned.
    pub line: Option<String>,
    /// The earlier scan that it takes back.
    pub undoes: Option<u64>,
    /// How it went.
    pub level: Went,
    /// What the station says, in English.
    pub words: String,
    /// What kind of fact was recorded, `wheel.turned` for instance.
    pub recorded: Option<String>,
    /// The wheels that it touched, or will touch when what is still asked for was scanned.
    pub wheels: Vec<WheelId>,
    /// The facts that were recorded.
    pub facts: Vec<FactId>,
    /// Whether it was taken back.
    pub undone: bool,
    /// Until when whoever scanned it may undo it, once it is the last that they recorded here;
    /// none if only a manager may correct it, with a reason.
    #[serde(default)]
    pub undo_until: Option<DateTime<Utc>>,
    /// The badge that was scanned and must sign in with its PIN.
    pub asks_pin_of: Option<PersonId>,
    /// How far the device's clock was behind the floor's, in milliseconds.
    #[serde(default)]
    pub skew_ms: Option<i64>,
}

/// A receipt on the disk.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Kept {
    /// What it came to.
    pub receipt: Receipt,
    /// A mark of the request, so that another one under the same number is noticed.
    pub request: String,
    /// The session in which it was scanned.
    #[serde(default)]
    pub session: String,
    /// Who may take back what it recorded.
    #[serde(default)]
    pub record: Option<Recorded>,
}

impl Kept {
    /// Whether this is what came of a request.
    pub fn is_of(&self, scan: &ScanIn) -> bool {
        if self.request.starts_with(MARKED) {
            return self.request == scan.mark();
        }
        // Of an earlier version, whose marks cannot be made any more: what the receipt says.
        let kept = &self.receipt;
        let line = scan.line.as_deref().map(super::shortened);
        line == kept.line
            && (scan.undoes == kept.undoes || line.is_some())
            && scan.person.is_none_or(|person| person == kept.person)
            && scan
                .occurred_at
                .is_none_or(|at| (kept.occurred_at - at).abs() <= ALMOST || at > kept.occurred_at)
    }

    /// Whether it recorded something that still counts.
    pub fn stands(&self) -> bool {
        let receipt = &self.receipt;
        receipt.undoes.is_none() && !receipt.facts.is_empty() && !receipt.undone
    }
}

pub(super) fn with_receipt(
    device: &Device,
    mut kept: Kept,
    answer: &Answer,
    facts: &[Fact],
) -> Vec<Note> {
    kept.record = Recorded::of(facts);
    let receipt = &mut kept.receipt;
    receipt.level = answer.level.into();
    receipt.words.clone_from(&answer.words);
    receipt.recorded = facts.first().map(|fact| fact.event.topic().to_owned());
    // What UNDO takes back.
    receipt.facts = undoable(facts).map(|fact| fact.id).collect();
    receipt.undo_until = kept
        .record
        .filter(|record| {
            record
                .may_be_undone(
                    Some(receipt.person),
                    record.at,
                    record.received.unwrap_or(record.at),
                )
                .is_ok()
        })
        .map(|record| record.at + UNDO_WITHIN);
    for fact in facts {
        receipt.wheels.extend_from_slice(fact.event.wheels());
    }
    receipt.wheels.sort_unstable();
    receipt.wheels.dedup();
    let seq = receipt.seq;
    let mut notes = vec![(receipt_key(device, seq), serde_json::to_vec(&kept).ok())];
    if let Some(old) = seq.checked_sub(RECEIPTS) {
        notes.push((receipt_key(device, old), None));
    }
    notes
}

pub(super) fn receipts_key(device: &Device) -> Vec<u8> {
    format!("receipt\0{}\0{}\0", device.station, device.enrolment).into_bytes()
}

pub(super) fn receipt_key(device: &Device, seq: u64) -> Vec<u8> {
    [receipts_key(device), seq.to_be_bytes().to_vec()].concat()
}

#[cfg(test)]
mod tests {
    use serde_json::{Value, json};

    use super::*;

    fn scan(fields: &Value) -> ScanIn {
        let mut scan = json!({ "station": "tablet-1", "seq": 7 });
        scan.as_object_mut()
            .unwrap()
            .extend(fields.as_object().unwrap().clone());
        serde_json::from_value(scan).unwrap()
    }

    fn kept(request: &str) -> Kept {
        let receipt = json!({
            "seq": 7, "occurred_at": "2026-03-03T06:00:00Z", "person": "O1", "line": "W.311-01",
            "undoes": null, "level": "ok", "words": "", "recorded": null, "wheels": [],
            "facts": [], "undone": false, "asks_pin_of": null,
        });
        let kept = json!({ "receipt": receipt, "request": request });
        serde_json::from_value(kept).unwrap()
    }

    // These stay: a scan that an earlier version took is sent again to a later one.
    #[test]
    fn a_requests_mark_is_the_same_in_every_version() {
        let short = scan(&json!({ "line": "W.311-01" }));
        assert_eq!(
            short.mark(),
            "2:f992f5b7f5a348326ad83caaf990d03364498670540358939bb658e70875cd60"
        );
        let whole = scan(&json!({
            "occurred_at": "2026-03-03T06:00:00.250Z", "line": "W.311-01", "undoes": 3,
            "person": "O1", "action": "TURN",
        }));
        assert_eq!(
            whole.mark(),
            "2:2bfcac18a09a82865a852f2c961805419f8441c767c4c1a450d3af7d669a3c83"
        );
        // What was measured, signed or given up on the way is not part of it.
        let sent = scan(&json!({
            "line": "W.311-01", "skew_ms": 93_000, "session": "s", "signature": "00", "withdrawn": true,
        }));
        assert_eq!(sent.mark(), short.mark());
    }

    #[test]
    fn every_field_that_says_what_was_scanned_changes_the_mark() {
        let plain = json!({
            "occurred_at": "2026-03-03T06:00:00Z", "line": "W.311-01", "person": "O1",
        });
        for (field, other) in [
            ("station", json!("tablet-2")),
            ("seq", json!(8)),
            ("occurred_at", json!("2026-03-03T06:00:00.001Z")),
            ("line", json!("W.311-02")),
            ("undoes", json!(1)),
            ("person", json!("O2")),
            ("action", json!("")),
        ] {
            let mut changed = plain.clone();
            changed[field] = other;
            assert_ne!(scan(&changed).mark(), scan(&plain).mark(), "{field}");
        }
    }

    #[test]
    fn a_receipt_of_before_the_marks_is_known_by_what_it_says() {
        // As they were: a hash of how one version wrote a scan down for programmers.
        let old = kept(&hash("ScanIn { station: StationId(\"tablet-1\"), seq: 7 }"));
        let again = json!({
            "occurred_at": "2026-03-03T06:00:00Z", "line": "W.311-01", "person": "O1", "skew_ms": 3,
        });
        assert!(old.is_of(&scan(&again)));
        assert!(old.is_of(&scan(&json!({ "line": "W.311-01" }))));
        for (field, other) in [
            ("line", json!("W.311-02")),
            ("person", json!("O2")),
            ("occurred_at", json!("2026-03-03T05:59:00Z")),
        ] {
            let mut changed = again.clone();
            changed[field] = other;
            assert!(!old.is_of(&scan(&changed)), "{field}");
        }
        let new = kept(&scan(&again).mark());
        assert!(new.is_of(&scan(&again)));
        assert!(!new.is_of(&scan(&json!({ "line": "W.311-01" }))));
    }
}
