//! An error in a file a person wrote: where it is, what is wrong, what would be right.

use std::fmt;
use std::ops::Range;

/// A file's name and text, so that an error can show the line.
#[derive(Debug, Clone, Copy)]
pub struct Origin<'a> {
    /// The name to show.
    pub file: &'a str,
    /// The whole text.
    pub text: &'a str,
}

/// An error at a place in a file.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Located {
    /// The file's name.
    pub file: String,
    /// Line, from 1.
    pub line: usize,
    /// Column in characters, from 1.
    pub column: usize,
    /// The text of that line.
    pub source_line: String,
    /// What is wrong and what would be right.
    pub message: String,
}

impl Origin<'_> {
    /// An error at a byte range of the text.
    #[must_use]
    pub fn error(&self, span: Range<usize>, message: impl Into<String>) -> Located {
        let mut start = span.start.min(self.text.len());
        while !self.text.is_char_boundary(start) {
            start -= 1;
        }
        let before = &self.text[..start];
        let line_start = before.rfind('\n').map_or(0, |i| i + 1);
        let rest = &self.text[line_start..];
        Located {
            file: self.file.to_owned(),
            line: before.matches('\n').count() + 1,
            column: self.text[line_start..start].chars().count() + 1,
            source_line: rest.lines().next().unwrap_or_default().to_owned(),
            message: message.into(),
        }
    }

    /// Reads TOML into `T`; syntax errors, unknown keys and values of the wrong kind
    /// come back located.
    ///
    /// # Errors
    /// [`Located`] points at the first thing that does not fit.
    pub fn toml<T: serde::de::DeserializeOwned>(&self) -> Result<T, Located> {
        toml::from_str(self.text).map_err(|e| {
            let whole = e.message().trim_end();
            self.error(e.span().unwrap_or(0..0), whole)
        })
    }
}

impl fmt::Display for Located {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self {
            file,
            line,
            column,
            source_line,
            message,
        } = self;
        writeln!(f, "{file}:{line}:{column}: {message}")?;
        writeln!(f, "  {line:>4} | {source_line}")?;
        write!(f, "       | {:>column$}", "^")
    }
}

impl std::error::Error for Located {}
