//! Symbols, one module to whole dots.

use datamatrix::{DataMatrix, SymbolList};
use gs1::{ElementString, SEPARATOR};
use qrcodegen::{QrCode, QrCodeEcc};

use crate::{Drawing, LabelError, Slot, code128};

/// The byte that stands for FNC1 between elements.
pub(crate) const FNC1_BYTE: u8 = SEPARATOR as u8;

/// What a symbol says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Payload {
    /// A short code of our own, such as `W.311-04`.
    Code(String),
    /// A GS1 element string.
    Elements(ElementString),
    /// A web address.
    Address(String),
}

/// The kinds of symbol.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Form {
    /// Data Matrix ECC 200 (ISO/IEC 16022); GS1 DataMatrix for element strings.
    Datamatrix,
    /// GS1-128, for element strings.
    Gs1128,
    /// QR Code (ISO/IEC 18004), for addresses and short codes.
    Qr,
}

impl Form {
    /// What a reader puts before the content (ISO/IEC 15424).
    #[must_use]
    pub const fn identifier(self, payload: &Payload) -> &'static str {
        match (self, payload) {
            (Self::Datamatrix, Payload::Elements(_)) => "]d2",
            (Self::Datamatrix, _) => "]d1",
            (Self::Gs1128, _) => "]C1",
            (Self::Qr, _) => "]Q1",
        }
    }

    /// White modules kept on the left and right, and above and below. GS1 General
    /// Specifications, 5: 10 beside a GS1-128, 1 around a Data Matrix and 4 around a QR
    /// Code; the Data Matrix has one more, for a label stuck on a curve.
    const fn quiet(self) -> (u32, u32) {
        match self {
            Self::Datamatrix => (2, 2),
            Self::Gs1128 => (10, 0),
            Self::Qr => (4, 4),
        }
    }
}

impl Payload {
    /// What a reader sends after the symbology identifier.
    #[must_use]
    pub fn scanned(&self) -> String {
        match self {
            Self::Code(text) | Self::Address(text) => text.clone(),
            Self::Elements(elements) => elements.data(),
        }
    }
}

/// Dark and light modules, row by row.
struct Modules {
    width: u32,
    height: u32,
    dark: Vec<bool>,
}

/// Draws a symbol as large as whole dots allow in the middle of the slot.
///
/// # Errors
/// [`LabelError::Symbol`] when a module would be smaller than `least` dots.
pub(crate) fn draw(
    drawing: &mut Drawing,
    form: Form,
    payload: &Payload,
    slot: Slot,
    least: u32,
) -> Result<(), LabelError> {
    let refused = || LabelError::Symbol(payload.to_string());
    let modules = modules(form, payload).ok_or_else(refused)?;
    let (sides, ends) = form.quiet();
    let mut dots = slot.width / (modules.width + 2 * sides);
    if form != Form::Gs1128 {
        dots = dots.min(slot.height / (modules.height + 2 * ends));
    }
    if dots < least {
        return Err(refused());
    }
    // Bars are as high as their place; a matrix is square.
    let row = if form == Form::Gs1128 {
        slot.height
    } else {
        dots
    };
    let left = slot.x + (slot.width - dots * modules.width) / 2;
    let top = slot.y + (slot.height - row * modules.height) / 2;
    for (y, line) in (0..).zip(modules.dark.chunks_exact(modules.width as usize)) {
        let mut x = 0;
        for run in line.chunk_by(|a, b| a == b) {
            let width = u32::try_from(run.len()).map_err(|_| refused())?;
            if run.first() == Some(&true) {
                let bar = Slot {
                    x: left + x * dots,
                    y: top + y * row,
                    width: width * dots,
                    height: row,
                };
                drawing.bar(bar, true);
            }
            x += width;
        }
    }
    Ok(())
}

fn modules(form: Form, payload: &Payload) -> Option<Modules> {
    match (form, payload) {
        (Form::Datamatrix, Payload::Code(text) | Payload::Address(text)) => {
            matrix(&DataMatrix::encode_str(text, squares()).ok()?)
        }
        (Form::Datamatrix, Payload::Elements(elements)) => {
            matrix(&DataMatrix::encode_gs1(elements.data().as_bytes(), squares()).ok()?)
        }
        (Form::Gs1128, Payload::Elements(elements)) => {
            let data = elements.data();
            if data.len() > code128::MOST_CHARACTERS {
                return None;
            }
            let mut dark = Vec::new();
            for (nth, width) in code128::bars(&data)?.into_iter().enumerate() {
                dark.extend(std::iter::repeat_n(nth % 2 == 0, width as usize));
            }
            Some(Modules {
                width: u32::try_from(dark.len()).ok()?,
                height: 1,
                dark,
            })
        }
        (Form::Qr, Payload::Code(text) | Payload::Address(text)) => {
            let code = QrCode::encode_text(text, QrCodeEcc::Medium).ok()?;
            let size = code.size();
            let places = (0..size).flat_map(|y| (0..size).map(move |x| (x, y)));
            Some(Modules {
                width: u32::try_from(size).ok()?,
                height: u32::try_from(size).ok()?,
                dark: places.map(|(x, y)| code.get_module(x, y)).collect(),
            })
        }
        (Form::Gs1128, _) | (Form::Qr, Payload::Elements(_)) => None,
    }
}

fn squares() -> SymbolList {
    SymbolList::default().enforce_square()
}

fn matrix(symbol: &DataMatrix) -> Option<Modules> {
    let bitmap = symbol.bitmap();
    let (width, height) = (bitmap.width(), bitmap.height());
    let mut dark = vec![false; width * height];
    for (column, row) in bitmap.pixels() {
        *dark.get_mut(row * width + column)? = true;
    }
    Some(Modules {
        width: u32::try_from(width).ok()?,
        height: u32::try_from(height).ok()?,
        dark,
    })
}

impl std::fmt::Display for Payload {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Code(text) | Self::Address(text) => f.write_str(text),
            Self::Elements(elements) => elements.fmt(f),
        }
    }
}
