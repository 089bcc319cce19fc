//! Labels: what they tell, how they are laid out, and the dots that a printer burns.
//!
//! A [`LabelJob`] says what one label tells ([`Label`]); [`Templates`] lay it out in whole
//! printer dots, as data in TOML files says; the [`Drawing`] becomes a 1-bit [`Bitmap`]
//! (PNG, PWG Raster) or a PDF page. Symbols hold GS1 element strings where the cheese has a
//! trade item number, else our own short codes; a station reads both.
//!
//! Words shrink to a stated least size and are then refused, never cut. A wheel's label says
//! in its largest band that it is not for sale yet; no label replaces a rule of the dairy's
//! own food safety plan.

mod bitmap;
mod code128;
mod content;
mod drawing;
mod font;
mod job;
mod layout;
mod pdf;
mod pwg;
mod sheet;
mod slot;
mod symbol;
mod template;
mod templates;
mod text;

pub use bitmap::Bitmap;
pub use content::{Card, CaseLabel, CaseWheel, Dairy, Kind, Label, Product, WheelLabel};
pub use drawing::Drawing;
pub use job::LabelJob;
pub use pdf::pdf;
pub use pwg::DotType;
pub use sheet::sheet;
pub use slot::{Dpi, Slot, UnknownDpi};
pub use symbol::{Form, Payload};
pub use templates::Templates;

/// Why a label could not be drawn.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum LabelError {
    /// A text does not fit its place at the smallest size.
    #[error(
        "{words:?} does not fit its place on the label with letters of {least_mm:.1} mm: \
         shorten it, or give it more room in the label's template"
    )]
    DoesNotFit {
        /// The text.
        words: String,
        /// The smallest letters allowed there, in millimetres of em.
        least_mm: f32,
    },
    /// A character that the label's font does not have.
    #[error("the label's font has no {character:?} (in {words:?}): write it in other letters")]
    NoLetter {
        /// The character.
        character: char,
        /// The word it stands in.
        words: String,
    },
    /// A symbol does not fit its place.
    #[error(
        "{0:?} does not fit its symbol's place on the label: use shorter numbers, or give the \
         symbol more room in the label's template"
    )]
    Symbol(String),
    /// The values make no element string.
    #[error("the label's symbol cannot be made: {0}")]
    Elements(String),
    /// The label could not be drawn.
    #[error("the label could not be drawn ({0}): report this label to support")]
    Draw(String),
}
