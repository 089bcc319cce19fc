//! Wheel labels: symbol, layout, raster.
//!
//! A [`LabelJob`] says what a wheel's label tells; a [`WheelLabel`] is that job laid
//! out in whole printer dots. It gives one SVG, drawn into a 1-bit [`Bitmap`] and
//! written as PNG: the same drawing on the screen and on the printer.
//!
//! The label is 100 mm wide and 60 mm high. It identifies the wheel while it ripens:
//! it is not a label for sale, says so in its largest band, and replaces no rule of
//! the dairy's own food safety plan.

mod job;
mod label;
mod raster;
mod slot;
mod symbol;
mod text;

pub use job::LabelJob;
pub use label::WheelLabel;
pub use raster::Bitmap;
pub use slot::{Dpi, Slot, UnknownDpi};

/// Why a label could not be drawn.
#[derive(Debug, thiserror::Error)]
pub enum LabelError {
    /// The scan code does not fit the symbol's place on the label.
    #[error("the scan code {0:?} does not fit the symbol on the label: use a shorter wheel number")]
    Symbol(String),
    /// The drawing library refused the label.
    #[error("the label could not be drawn ({0}): report this label job to support")]
    Draw(String),
}
