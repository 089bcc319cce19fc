//! Small charts for people in white boots: a [`Figure`] is data, its [`Drawing`] is shapes,
//! and shapes become SVG for a page ([`Figure::svg`]), PDF for a report ([`paper`], feature
//! `pdf`) or pixels ([`png`], feature `png`).
//!
//! What a chart says is said by shape, dash and word; colour only repeats it, so a chart
//! means the same on a grey printer and to an eye that sees few colours. Lines and marks
//! carry their names beside them instead of in a legend. The same figure always gives the
//! same bytes.

mod axis;
mod drawing;
mod figure;
mod label;
mod layout;
#[cfg(feature = "pdf")]
pub mod paper;
#[cfg(feature = "png")]
pub mod png;
mod svg;
mod text;

pub use axis::{Axis, at};
pub use drawing::{Anchor, Drawing, Ink, Pen, Shape, Step, Stroke, Words};
pub use figure::{Figure, Layer, Line, Mark, Marker, Panel};
pub use svg::CSS;
