//! The Data Matrix symbol (ISO/IEC 16022, ECC 200), one module to whole dots.

use std::fmt::Write as _;

use datamatrix::{DataMatrix, SymbolList};

use crate::{LabelError, Slot};

/// White modules kept on every side. The standard asks for one; the second makes up
/// for a label stuck on a curve.
const QUIET: u32 = 2;

/// Fewest dots a module may have: two at 203 dpi are 0.25 mm, about the finest that a
/// worn thermal head still prints square.
const FINEST: u32 = 2;

/// An SVG path of the symbol, as large as whole dots allow, in the middle of the slot.
pub(crate) fn path(payload: &str, slot: Slot) -> Result<String, LabelError> {
    let refused = || LabelError::Symbol(payload.to_owned());
    let symbol = DataMatrix::encode_str(payload, SymbolList::default().enforce_square())
        .map_err(|_| refused())?
        .bitmap();
    let modules = u32::try_from(symbol.width()).map_err(|_| refused())?;
    let dots = slot.width.min(slot.height) / (modules + 2 * QUIET);
    if dots < FINEST {
        return Err(refused());
    }
    let left = slot.x + (slot.width - dots * modules) / 2;
    let top = slot.y + (slot.height - dots * modules) / 2;

    let mut path = String::new();
    for (column, row) in symbol.pixels() {
        let x = left + dots * u32::try_from(column).map_err(|_| refused())?;
        let y = top + dots * u32::try_from(row).map_err(|_| refused())?;
        // Writing to a String cannot fail.
        let _ = write!(path, "M{x} {y}h{dots}v{dots}h-{dots}z");
    }
    Ok(path)
}
