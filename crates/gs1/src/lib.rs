//! GS1 element strings: what a label's symbol says, typed, built and read.
//!
//! An [`Element`] is one application identifier (AI) with its value; an
//! [`ElementString`] is what one symbol holds. It is written for a symbol
//! ([`ElementString::data`]), for people (as it is displayed) or as a Digital
//! Link address ([`ElementString::digital_link`]), and [`read`] reads all three back
//! whatever a scanner puts before them.
//!
//! AIs, lengths and pairings follow the GS1 Barcode Syntax Dictionary and the GS1 General
//! Specifications; only those that a cheese's label needs are typed, and others are kept as
//! [`Element::Unread`].

mod date;
mod element;
mod key;
mod link;
mod number;
mod reader;
mod string;
mod text;

pub use date::{BadDate, Date};
pub use element::{BadElement, Element};
pub use key::{BadKey, Gln, Gtin};
pub use link::BadLink;
pub use number::{BadNumber, Count, Measure};
pub use reader::{Unreadable, looks_like, read};
pub use string::{BadPairing, ElementString};
pub use text::{BadText, Text};

/// The separator that ends a value of variable length: a reader passes FNC1 on as this
/// (ASCII 29, "GS").
pub const SEPARATOR: char = '\u{1d}';
