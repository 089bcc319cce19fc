//! A name is known, or it is an error. One owner: the command line, the gateway and every
//! worker that answers questions say what is said here of a code that nobody knows.
//!
//! An answer about an unknown lot that says "nothing is affected" is the worst answer there
//! is. So whoever looks something up by a code gives [`UnknownName`] where there is no such
//! thing, with the codes that the person may have meant.

mod kind;
mod near;

use std::collections::BTreeMap;
use std::fmt;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

pub use kind::Kind;

/// There is no such thing.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema, thiserror::Error)]
pub struct UnknownName {
    /// What kind of thing was asked about.
    pub kind: Kind,
    /// The code, as it was asked.
    pub asked: String,
    /// The codes that may have been meant, the likeliest first.
    pub nearest: Vec<String>,
    /// Whether anything of that kind is known.
    pub any: bool,
}

impl UnknownName {
    /// A code that is not among those that are known.
    pub fn among<S: AsRef<str>>(
        kind: Kind,
        asked: impl fmt::Display,
        known: impl IntoIterator<Item = S>,
    ) -> Self {
        let asked: String = asked.to_string().chars().take(LONGEST).collect();
        let (nearest, any) = near::nearest(&asked, known);
        Self {
            kind,
            asked,
            nearest,
            any,
        }
    }

    /// The same with what to do.
    #[must_use]
    pub fn then(&self, what: impl fmt::Display) -> String {
        let said = self.to_string();
        match said.ends_with('?') {
            true => format!("{said} {what}"),
            false => format!("{said}. {what}"),
        }
    }

    /// The codes that may have been meant, in words: `A, B or C`.
    #[must_use]
    pub fn choice(&self, or: &str) -> String {
        match self.nearest.as_slice() {
            [] => String::new(),
            [one] => one.clone(),
            [first @ .., last] => format!("{} {or} {last}", first.join(", ")),
        }
    }
}

impl fmt::Display for UnknownName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { kind, asked, .. } = self;
        match (self.nearest.is_empty(), self.any) {
            (false, _) => write!(
                f,
                "there is no {kind} {asked}; did you mean {}?",
                self.choice("or")
            ),
            (true, true) => write!(
                f,
                "there is no {kind} {asked}, nor one that is written nearly so: check the code"
            ),
            (true, false) => write!(f, "there is no {kind} {asked}: no {kind} is known yet"),
        }
    }
}

/// More of what was asked is not said back.
const LONGEST: usize = 40;

/// Codes that are known, by kind. A code is the same in any case and is given back as it was
/// first entered.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Known(BTreeMap<Kind, BTreeMap<String, String>>);

impl Known {
    /// Adds a code.
    pub fn add(&mut self, kind: Kind, code: impl fmt::Display) {
        let code = code.to_string();
        let of_kind = self.0.entry(kind).or_default();
        of_kind.entry(code.to_ascii_uppercase()).or_insert(code);
    }

    /// Adds codes.
    pub fn with<C: fmt::Display>(mut self, kind: Kind, codes: impl IntoIterator<Item = C>) -> Self {
        codes.into_iter().for_each(|code| self.add(kind, code));
        self
    }

    /// Whether a code is known.
    #[must_use]
    pub fn has(&self, kind: Kind, code: &str) -> bool {
        let of_kind = self.0.get(&kind);
        of_kind.is_some_and(|of_kind| of_kind.contains_key(&code.to_ascii_uppercase()))
    }

    /// The codes of a kind, as they were entered.
    pub fn of(&self, kind: Kind) -> impl Iterator<Item = &str> {
        let of_kind = self.0.get(&kind).into_iter().flat_map(BTreeMap::values);
        of_kind.map(String::as_str)
    }

    /// A code as it was entered.
    ///
    /// # Errors
    /// There is no such thing.
    pub fn find(&self, kind: Kind, asked: impl fmt::Display) -> Result<&str, UnknownName> {
        let asked = asked.to_string();
        let of_kind = self.0.get(&kind);
        let found = of_kind.and_then(|of_kind| of_kind.get(&asked.to_ascii_uppercase()));
        found
            .map(String::as_str)
            .ok_or_else(|| UnknownName::among(kind, asked, self.of(kind)))
    }
}

#[cfg(test)]
mod tests;
