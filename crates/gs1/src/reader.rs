//! Reading what a scanner sends.

use crate::element::{ai_length, predefined_length};
use crate::{BadElement, BadLink, Element, ElementString, SEPARATOR, link};

/// Symbology identifiers that announce an element string: GS1-128, GS1 DataMatrix, GS1 QR,
/// GS1 DataBar and composite, GS1 DotCode (ISO/IEC 15424).
const GS1: [&str; 5] = ["]C1", "]d2", "]Q3", "]e0", "]J1"];

/// A scanned text that is no element string.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unreadable {
    /// Nothing in it.
    #[error("nothing was read: scan again")]
    Empty,
    /// A value that does not fit its AI.
    #[error("({ai}): {reason}")]
    Element {
        /// The AI.
        ai: String,
        /// What is wrong with its value.
        reason: BadElement,
    },
    /// It ends in the middle of a value.
    #[error("({ai}) needs {length} characters, and only {text:?} was read: scan again")]
    Short {
        /// The AI.
        ai: String,
        /// How many characters its value has.
        length: usize,
        /// What was there.
        text: String,
    },
    /// A character where an AI should be.
    #[error("no application identifier starts with {0:?}: this is no GS1 symbol")]
    Identifier(String),
    /// A Digital Link address.
    #[error(transparent)]
    Link(#[from] BadLink),
}

/// Whether a scanned line is GS1 rather than anything else: by its symbology identifier or
/// separator, because it is an address, has bracketed identifiers, or begins with a key of
/// 14 or 18 digits.
#[must_use]
pub fn looks_like(line: &str) -> bool {
    let key = |ai: &str, digits: usize| {
        line.strip_prefix(ai)
            .and_then(|rest| rest.as_bytes().get(..digits))
            .is_some_and(|key| key.iter().all(u8::is_ascii_digit))
    };
    is_marked(line)
        || line.starts_with(SEPARATOR)
        || is_address(line.strip_prefix("]Q1").unwrap_or(line))
        || is_bracketed(line)
        || key("00", 18)
        || key("01", 14)
        || key("02", 14)
}

fn is_marked(line: &str) -> bool {
    GS1.iter().any(|mark| line.starts_with(mark))
}

fn is_address(line: &str) -> bool {
    ["http://", "https://"].iter().any(|scheme| {
        line.get(..scheme.len())
            .is_some_and(|start| start.eq_ignore_ascii_case(scheme))
    })
}

fn is_bracketed(line: &str) -> bool {
    line.strip_prefix('(')
        .and_then(|rest| rest.split_once(')'))
        .is_some_and(|(ai, _)| is_ai(ai))
}

fn is_ai(text: &str) -> bool {
    (2..=4).contains(&text.len()) && text.bytes().all(|b| b.is_ascii_digit())
}

/// Reads an element string as a scanner sends it (with or without its symbology identifier),
/// as people write it (`(01)…(21)…`), or as a Digital Link address. Elements of unknown AIs
/// are kept as [`Element::Unread`]; whether the elements may stand together is not asked
/// ([`ElementString::check`]).
///
/// # Errors
/// [`Unreadable`], in words for the person who scanned.
pub fn read(line: &str) -> Result<ElementString, Unreadable> {
    let unmarked = ["]Q1", "]d1"]
        .iter()
        .chain(&GS1)
        .find_map(|mark| line.strip_prefix(mark))
        .unwrap_or(line);
    if is_address(unmarked) {
        return Ok(link::read(unmarked)?);
    }
    if is_bracketed(unmarked) {
        return read_bracketed(unmarked);
    }
    read_data(unmarked)
}

fn read_data(data: &str) -> Result<ElementString, Unreadable> {
    let mut rest = data.trim_start_matches(SEPARATOR);
    if rest.is_empty() {
        return Err(Unreadable::Empty);
    }
    let mut elements = Vec::new();
    while !rest.is_empty() {
        let (element, after) = read_first(rest)?;
        elements.push(element);
        rest = after.trim_start_matches(SEPARATOR);
    }
    Ok(ElementString::as_read(elements))
}

/// The first element and what follows it.
fn read_first(rest: &str) -> Result<(Element, &str), Unreadable> {
    let digits = rest.bytes().take_while(u8::is_ascii_digit).count();
    if digits < 2 {
        return Err(Unreadable::Identifier(rest.chars().take(4).collect()));
    }
    let whole = match predefined_length(rest) {
        Some(length) => length,
        None => rest.find(SEPARATOR).unwrap_or(rest.len()),
    };
    let ai_digits = ai_length(rest).unwrap_or(2).min(rest.len());
    let (Some(text), Some(ai)) = (
        rest.get(..whole).filter(|text| !text.contains(SEPARATOR)),
        rest.get(..ai_digits),
    ) else {
        let ai: String = rest.chars().take(ai_digits).collect();
        return Err(Unreadable::Short {
            length: whole - ai_digits,
            text: rest.chars().skip(ai_digits).take(60).collect(),
            ai,
        });
    };
    let after = &rest[whole..];
    let element = match ai_length(rest).and_then(|_| Element::of(ai, &text[ai_digits..])) {
        Some(read) => read.map_err(|reason| element_error(ai, reason))?,
        None => Element::Unread(text.to_owned()),
    };
    Ok((element, after))
}

fn read_bracketed(text: &str) -> Result<ElementString, Unreadable> {
    let mut elements = Vec::new();
    let mut rest = text;
    while let Some((ai, after)) = rest.strip_prefix('(').and_then(|r| r.split_once(')')) {
        let end = next_bracket(after);
        let value = &after[..end];
        let element = match Element::of(ai, value) {
            Some(read) => read.map_err(|reason| element_error(ai, reason))?,
            None => Element::Unread(format!("{ai}{value}")),
        };
        elements.push(element);
        rest = &after[end..];
    }
    Ok(ElementString::as_read(elements))
}

/// Where the next `(AI)` starts; a bracket alone is part of a value.
fn next_bracket(text: &str) -> usize {
    text.match_indices('(')
        .find(|(at, _)| {
            text[at + 1..]
                .split_once(')')
                .is_some_and(|(ai, _)| is_ai(ai))
        })
        .map_or(text.len(), |(at, _)| at)
}

pub(crate) fn element_error(ai: &str, reason: BadElement) -> Unreadable {
    Unreadable::Element {
        ai: ai.to_owned(),
        reason,
    }
}
