//! What a station says back: a level and a few words, fit for a small display or a voice.

use std::fmt;

use facts::Draft;

use crate::leaving::Leaving;

/// How a scan went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Level {
    /// Recorded.
    Ok,
    /// Nothing recorded yet: more is needed.
    Next,
    /// Something is wrong: the words say what, what to do, and whether it was recorded.
    Wrong,
    /// Stop working: someone could be harmed.
    Stop,
}

impl fmt::Display for Level {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(match self {
            Self::Ok => "OK",
            Self::Next => "NEXT",
            Self::Wrong => "WRONG",
            Self::Stop => "STOP",
        })
    }
}

/// What the person hears. As a line: `OK  24 wheels on S07 turned`.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// How it went.
    pub level: Level,
    /// What happened, and what to do.
    pub words: String,
}

impl Answer {
    /// An answer.
    pub fn new(level: Level, words: impl Into<String>) -> Self {
        Self {
            level,
            words: words.into(),
        }
    }
}

impl fmt::Display for Answer {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}  {}", self.level, self.words)
    }
}

/// What one scan or weight came to.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// What to say.
    pub answer: Answer,
    /// What to record. The answer holds only once these are stored.
    pub drafts: Vec<Draft>,
    /// What the dispatch desk must be asked first; then the same scan is taken again.
    pub asks: Option<Leaving>,
}

impl Outcome {
    /// An answer, and nothing to record.
    #[must_use]
    pub const fn of(answer: Answer) -> Self {
        Self {
            answer,
            drafts: Vec::new(),
            asks: None,
        }
    }
}
