//! What a device sends, and what is kept of how it went.

use bus::Note;
use chrono::{DateTime, Utc};
use facts::{Fact, FactId, PersonId, StationId, WheelId};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use station::{Answer, Level};

use crate::people::Device;

/// Receipts kept for each device: days of one station's work.
const RECEIPTS: u64 = 20_000;

/// One scan from a device.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ScanIn {
    /// The station that the device is.
    pub station: StationId,
    /// The device's own number for it, from 1, rising.
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
    /// signed in now.
    pub person: Option<PersonId>,
    /// How far the device's own clock was behind the floor's, in milliseconds, as the device
    /// measured it; `occurred_at` is the floor's time already.
    pub skew_ms: Option<i64>,
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
}

pub(super) fn can_be_undone(receipt: &Receipt) -> bool {
    receipt.undoes.is_none() && !receipt.facts.is_empty() && !receipt.undone
}

pub(super) fn with_receipt(
    device: &Device,
    mut kept: Kept,
    answer: &Answer,
    facts: &[Fact],
) -> Vec<Note> {
    let receipt = &mut kept.receipt;
    receipt.level = answer.level.into();
    receipt.words.clone_from(&answer.words);
    receipt.recorded = facts.first().map(|fact| fact.event.topic().to_owned());
    receipt.facts = facts.iter().map(|fact| fact.id).collect();
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
