//! What is wrong with a cable's settings, guessed from bytes that are no line.

use std::fmt;

use crate::format::LineFormat;
use crate::line::shown;

/// So many characters, at the least, before a guess is made.
const ENOUGH: usize = 8;

/// What bytes that cannot be read look like.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Suspicion {
    /// The line is there, in seven bits, and the eighth is a parity bit.
    Parity(Parity),
    /// Not even text.
    Baud,
}

/// What an eighth bit adds up to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parity {
    /// An even number of ones.
    Even,
    /// An odd number of ones.
    Odd,
}

impl Suspicion {
    /// Looks at a line that `format` could not read, as [`LineCutter`](crate::LineCutter)
    /// gave it. `None`: it is text, and something else is wrong.
    #[must_use]
    pub fn of(line: &str, format: &LineFormat) -> Option<Self> {
        let bytes: Vec<u8> = line
            .chars()
            .filter_map(|c| u8::try_from(u32::from(c)).ok())
            .collect();
        if let Some(parity) = parity(&bytes) {
            let text: String = bytes.iter().map(|byte| char::from(byte & 0x7f)).collect();
            if format.read(&text).is_ok() {
                return Some(Self::Parity(parity));
            }
        }
        let odd = bytes.iter().filter(|byte| !is_text(**byte)).count();
        // Text has hardly any such byte; of random bytes, six in ten are.
        (bytes.len() >= ENOUGH && odd * 4 >= bytes.len()).then_some(Self::Baud)
    }
}

const fn is_text(byte: u8) -> bool {
    matches!(byte, b' '..=b'~' | b'\t' | b'\r' | b'\n' | 0x02 | 0x03)
}

/// Whether the bytes all add up alike with their eighth bit, and it is in use.
fn parity(bytes: &[u8]) -> Option<Parity> {
    if bytes.iter().all(|byte| byte & 0x80 == 0) {
        return None;
    }
    let odd = bytes.iter().filter(|byte| byte.count_ones() % 2 == 1);
    match odd.count() {
        0 => Some(Parity::Even),
        n if n == bytes.len() => Some(Parity::Odd),
        _ => None,
    }
}

/// Bytes with a suspicion, in words for a person.
#[derive(Debug, Clone, Copy)]
pub struct Suspected<'a> {
    /// The line.
    pub line: &'a str,
    /// What it looks like.
    pub suspicion: &'a Suspicion,
    /// The settings it was read with, such as `9600 baud 8N1`.
    pub settings: &'a str,
}

impl fmt::Display for Suspected<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (line, settings) = (shown(self.line), self.settings);
        match self.suspicion {
            Suspicion::Parity(parity) => {
                let (name, letter) = match parity {
                    Parity::Even => ("even", 'E'),
                    Parity::Odd => ("odd", 'O'),
                };
                write!(
                    f,
                    "these bytes are seven bits with {name} parity: {line}. Write bits = \"7{letter}1\" in the site file (now {settings})"
                )
            }
            Suspicion::Baud => write!(
                f,
                "these bytes look like the wrong baud rate or parity: {line}. Compare {settings} with the scale's own settings"
            ),
        }
    }
}
