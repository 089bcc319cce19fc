//! One application identifier with its value.

use std::fmt;

use arrayvec::ArrayString;
use chrono::NaiveDate;
use facts::{BadSscc, Sscc};
use quantity::Grams;

use crate::{BadDate, BadKey, BadNumber, BadText, Count, Date, Gln, Gtin, Measure, Text};

/// One application identifier (AI) with its value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Element {
    /// 00: the number of a case or pallet.
    Sscc(Sscc),
    /// 01: the trade item.
    Gtin(Gtin),
    /// 02: the trade items inside a case or pallet.
    Contents(Gtin),
    /// 10: batch or lot.
    Lot(Text<20>),
    /// 11: production date.
    Made(Date),
    /// 13: packaging date.
    Packed(Date),
    /// 15: best before.
    BestBefore(Date),
    /// 16: sell by.
    SellBy(Date),
    /// 17: use by.
    UseBy(Date),
    /// 21: serial.
    Serial(Text<20>),
    /// 251: the thing that this was made from.
    Source(Text<30>),
    /// 30: pieces in an item whose number of pieces varies.
    Pieces(Count),
    /// 310n: net weight in kilograms.
    NetWeight(Measure),
    /// 320n: net weight in pounds.
    NetPounds(Measure),
    /// 330n: gross weight in kilograms.
    GrossWeight(Measure),
    /// 37: how many trade items are inside.
    Inside(Count),
    /// 410: where it goes.
    ShipTo(Gln),
    /// 414: a place.
    Place(Gln),
    /// Any other, as it was read: its AI and value together.
    Unread(String),
}

/// A value that does not fit its AI.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadElement {
    /// A key of digits.
    #[error(transparent)]
    Key(#[from] BadKey),
    /// The number of a case.
    #[error(transparent)]
    Sscc(#[from] BadSscc),
    /// A lot or serial.
    #[error(transparent)]
    Text(#[from] BadText),
    /// A date.
    #[error(transparent)]
    Date(#[from] BadDate),
    /// A count or weight.
    #[error(transparent)]
    Number(#[from] BadNumber),
}

impl Element {
    /// A lot (AI 10).
    ///
    /// # Errors
    /// [`BadText`]: empty, over 20 characters, or a character outside the GS1 set.
    pub fn lot(lot: &str) -> Result<Self, BadText> {
        Text::new("lot", lot).map(Self::Lot)
    }

    /// A serial (AI 21).
    ///
    /// # Errors
    /// [`BadText`]: empty, over 20 characters, or a character outside the GS1 set.
    pub fn serial(serial: &str) -> Result<Self, BadText> {
        Text::new("serial", serial).map(Self::Serial)
    }

    /// A production date (AI 11).
    #[must_use]
    pub fn made(date: NaiveDate) -> Self {
        Self::Made(Date::of(date))
    }

    /// A best-before date (AI 15).
    #[must_use]
    pub fn best_before(date: NaiveDate) -> Self {
        Self::BestBefore(Date::of(date))
    }

    /// A net weight to the gram (AI 3103).
    ///
    /// # Errors
    /// [`BadNumber::Heavy`] from 1 000 kg.
    pub fn net_weight(weight: Grams) -> Result<Self, BadNumber> {
        Measure::kilograms(weight.get().into(), 3).map(Self::NetWeight)
    }

    /// Its AI.
    #[must_use]
    pub fn ai(&self) -> ArrayString<4> {
        let mut ai = ArrayString::new();
        let (digits, decimals) = match self {
            Self::Sscc(_) => ("00", None),
            Self::Gtin(_) => ("01", None),
            Self::Contents(_) => ("02", None),
            Self::Lot(_) => ("10", None),
            Self::Made(_) => ("11", None),
            Self::Packed(_) => ("13", None),
            Self::BestBefore(_) => ("15", None),
            Self::SellBy(_) => ("16", None),
            Self::UseBy(_) => ("17", None),
            Self::Serial(_) => ("21", None),
            Self::Source(_) => ("251", None),
            Self::Pieces(_) => ("30", None),
            Self::NetWeight(weight) => ("310", Some(weight.decimals())),
            Self::NetPounds(weight) => ("320", Some(weight.decimals())),
            Self::GrossWeight(weight) => ("330", Some(weight.decimals())),
            Self::Inside(_) => ("37", None),
            Self::ShipTo(_) => ("410", None),
            Self::Place(_) => ("414", None),
            Self::Unread(_) => ("", None),
        };
        // All of these fit four characters.
        let _ = ai.try_push_str(digits);
        if let Some(decimals) = decimals {
            let _ = ai.try_push((b'0' + decimals) as char);
        }
        ai
    }

    /// Its value as it is written after the AI.
    #[must_use]
    pub fn value(&self) -> String {
        match self {
            Self::Sscc(number) => number.to_string(),
            Self::Gtin(gtin) | Self::Contents(gtin) => gtin.to_string(),
            Self::Lot(text) | Self::Serial(text) => text.to_string(),
            Self::Source(text) => text.to_string(),
            Self::Made(date)
            | Self::Packed(date)
            | Self::BestBefore(date)
            | Self::SellBy(date)
            | Self::UseBy(date) => date.to_string(),
            Self::Pieces(count) | Self::Inside(count) => count.to_string(),
            Self::NetWeight(weight) | Self::NetPounds(weight) | Self::GrossWeight(weight) => {
                weight.to_string()
            }
            Self::ShipTo(gln) | Self::Place(gln) => gln.to_string(),
            Self::Unread(both) => both.clone(),
        }
    }

    /// Whether a separator ends its value, unless it is the last: true of every AI that is
    /// not in the table of predefined lengths.
    #[must_use]
    pub(crate) const fn is_ended_by_separator(&self) -> bool {
        matches!(
            self,
            Self::Lot(_)
                | Self::Serial(_)
                | Self::Source(_)
                | Self::Pieces(_)
                | Self::Inside(_)
                | Self::Unread(_)
        )
    }

    /// Reads the value of an AI. `None`: an AI that is not typed here.
    pub(crate) fn of(ai: &str, value: &str) -> Option<Result<Self, BadElement>> {
        let decimals = ai
            .as_bytes()
            .get(3)
            .map_or(0, |digit| digit.wrapping_sub(b'0'));
        let weight = || Measure::read(value, decimals);
        Some(match ai {
            "00" => value.parse().map(Self::Sscc).map_err(Into::into),
            "01" => value.parse().map(Self::Gtin).map_err(Into::into),
            "02" => value.parse().map(Self::Contents).map_err(Into::into),
            "10" => Self::lot(value).map_err(Into::into),
            "11" => Date::read(value).map(Self::Made).map_err(Into::into),
            "13" => Date::read(value).map(Self::Packed).map_err(Into::into),
            "15" => Date::read(value).map(Self::BestBefore).map_err(Into::into),
            "16" => Date::read(value).map(Self::SellBy).map_err(Into::into),
            "17" => Date::read(value).map(Self::UseBy).map_err(Into::into),
            "21" => Self::serial(value).map_err(Into::into),
            "251" => Text::new("source", value)
                .map(Self::Source)
                .map_err(Into::into),
            "30" => Count::read(value).map(Self::Pieces).map_err(Into::into),
            "37" => Count::read(value).map(Self::Inside).map_err(Into::into),
            "410" => value.parse().map(Self::ShipTo).map_err(Into::into),
            "414" => value.parse().map(Self::Place).map_err(Into::into),
            _ if ai.starts_with("310") => weight().map(Self::NetWeight).map_err(Into::into),
            _ if ai.starts_with("320") => weight().map(Self::NetPounds).map_err(Into::into),
            _ if ai.starts_with("330") => weight().map(Self::GrossWeight).map_err(Into::into),
            _ => return None,
        })
    }
}

impl fmt::Display for Element {
    /// For people: `(10)26W05-3`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Unread(both) => write!(f, "({both})"),
            element => write!(f, "({}){}", element.ai(), element.value()),
        }
    }
}

/// How many digits an AI has that begins with this text, where it is typed here.
pub(crate) fn ai_length(text: &str) -> Option<usize> {
    let starts = |with: &[&str]| with.iter().any(|ai| text.starts_with(ai));
    if starts(&[
        "00", "01", "02", "10", "11", "13", "15", "16", "17", "21", "30", "37",
    ]) {
        Some(2)
    } else if starts(&["251", "410", "414"]) {
        Some(3)
    } else if starts(&["310", "320", "330"]) {
        Some(4)
    } else {
        None
    }
}

/// Characters of AI and value together, for AIs of predefined length: known from the first
/// two digits, and frozen, so that a reader can pass an AI it does not know (GS1 General
/// Specifications, figure 7.8.5-2).
pub(crate) fn predefined_length(text: &str) -> Option<usize> {
    Some(match text.get(..2)? {
        "00" => 20,
        "01" | "02" | "03" => 16,
        "04" => 18,
        "11" | "12" | "13" | "14" | "15" | "16" | "17" | "18" | "19" => 8,
        "20" => 4,
        "31" | "32" | "33" | "34" | "35" | "36" => 10,
        "41" => 16,
        _ => return None,
    })
}
