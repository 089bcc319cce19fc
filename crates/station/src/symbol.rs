//! A label's GS1 symbol, as an element string or a Digital Link address: the serial on our
//! labels is the wheel's number, the lot its batch.

use facts::{BatchId, WheelId};

use crate::code::{Code, Misread};

/// The text without the symbology identifier that a scanner may be set up to send before
/// it: `]`, a letter and a digit (ISO/IEC 15424).
pub(crate) fn unmarked(text: &str) -> &str {
    match text.as_bytes() {
        [b']', letter, modifier, ..]
            if letter.is_ascii_alphabetic() && modifier.is_ascii_alphanumeric() =>
        {
            &text[3..]
        }
        _ => text,
    }
}

/// What the symbol names: its wheel, or the batch where it has no serial.
pub(crate) fn read(text: &str) -> Result<Code, Misread> {
    let symbol = gs1::read(text)?;
    if let Some(serial) = symbol.serial() {
        return Ok(Code::Wheel(WheelId::new(serial)?));
    }
    if let Some(case) = symbol.sscc() {
        return Err(Misread::OtherLabel(format!("case {case}")));
    }
    match (symbol.lot(), symbol.gtin()) {
        (Some(lot), _) => Ok(Code::Batch(BatchId::new(lot)?)),
        (None, Some(gtin)) => Err(Misread::OtherLabel(format!("product {gtin}"))),
        (None, None) => Err(Misread::OtherLabel(symbol.to_string())),
    }
}
