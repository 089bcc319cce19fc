//! Values of letters, digits and signs: lots and serials.

use std::fmt;

use arrayvec::ArrayString;

/// The signs of the GS1 AI encodable character set 82, beside letters and digits (GS1
/// General Specifications, figure 7.11-1).
const SIGNS: &str = "!\"%&'()*+,-./:;<=>?_";

/// A text that a symbol cannot carry.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadText {
    /// Nothing was given.
    #[error("the {0} is empty: it needs at least one character")]
    Empty(&'static str),
    /// More characters than its AI allows.
    #[error("the {what} {text:?} has {length} characters: at most {most} fit")]
    Long {
        /// What it is.
        what: &'static str,
        /// What was given.
        text: String,
        /// Its length.
        length: usize,
        /// The AI's longest.
        most: usize,
    },
    /// A character outside the set.
    #[error(
        "the {what} {text:?} has {character:?} in place {place}: use only letters A-Z and a-z, \
         digits and the signs {SIGNS}"
    )]
    Character {
        /// What it is.
        what: &'static str,
        /// What was given.
        text: String,
        /// The first character that cannot be carried.
        character: char,
        /// Where it stands, from 1.
        place: usize,
    },
}

/// At least one and at most `N` characters of the GS1 set of 82.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Text<const N: usize>(ArrayString<N>);

impl<const N: usize> Text<N> {
    /// Checks a text. `what` is what people call it, for the message.
    ///
    /// # Errors
    /// [`BadText`] names the first character that cannot be carried.
    pub fn new(what: &'static str, text: &str) -> Result<Self, BadText> {
        let shown = || text.chars().take(60).collect();
        if text.is_empty() {
            return Err(BadText::Empty(what));
        }
        for (place, character) in text.chars().enumerate() {
            if !(character.is_ascii_alphanumeric() || SIGNS.contains(character)) {
                return Err(BadText::Character {
                    what,
                    text: shown(),
                    character,
                    place: place + 1,
                });
            }
        }
        ArrayString::from(text)
            .map(Self)
            .map_err(|_| BadText::Long {
                what,
                text: shown(),
                length: text.len(),
                most: N,
            })
    }

    /// The text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }
}

impl<const N: usize> fmt::Display for Text<N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.0)
    }
}

impl<const N: usize> fmt::Debug for Text<N> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", self.0.as_str())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_set_has_82_characters_and_is_plain_ascii() {
        let allowed = (0..=char::MAX as u32)
            .filter_map(char::from_u32)
            .filter(|c| Text::<4>::new("lot", &c.to_string()).is_ok());
        let allowed: String = allowed.collect();
        assert_eq!(allowed.len(), 82, "{allowed}");
    }

    #[test]
    fn the_offending_character_is_named_with_its_place() {
        let words = |text| Text::<20>::new("lot", text).unwrap_err().to_string();
        assert_eq!(
            words("26W05 3"),
            "the lot \"26W05 3\" has ' ' in place 6: use only letters A-Z and a-z, digits and \
             the signs !\"%&'()*+,-./:;<=>?_"
        );
        assert!(words("26W05#3").contains("'#' in place 6"));
        assert!(words("Käse").contains("'ä' in place 2"));
        assert_eq!(
            words(""),
            "the lot is empty: it needs at least one character"
        );
        assert_eq!(
            Text::<20>::new("serial", "123456789012345678901")
                .unwrap_err()
                .to_string(),
            "the serial \"123456789012345678901\" has 21 characters: at most 20 fit"
        );
    }
}
