//! How a scale's cable stands, and what people are told when that changes: once each time.

use std::io;

use facts::ToolId;
use metrology::{FrameError, LineFormat, Suspected, Suspicion};
use station::{Answer, Level};

/// So many unreadable lines in a row are no noise on the cable.
const NOISE: u32 = 10;

/// How a cable stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum State {
    /// Opened or not, nothing was heard yet.
    Starting,
    /// Lines come and are read.
    Read,
    /// Lines come and cannot be read.
    Unreadable,
    /// Nobody is there.
    Gone,
}

/// Why a cable is given up and opened anew.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Loss {
    /// It cannot be opened, read or written.
    #[error("{0}")]
    Broken(#[from] io::Error),
    /// The other end has closed.
    #[error("the other end has closed it")]
    Closed,
    /// Nothing comes.
    #[error("it is silent")]
    Silent,
    /// Bytes come, but no line.
    #[error("{0}")]
    NoLine(String),
}

/// Watches one cable.
#[derive(Debug)]
pub(crate) struct Link {
    scale: ToolId,
    state: State,
    unreadable: u32,
}

impl Link {
    pub(crate) const fn new(scale: ToolId) -> Self {
        Self {
            scale,
            state: State::Starting,
            unreadable: 0,
        }
    }

    /// A line was read.
    pub(crate) fn read(&mut self) -> Option<Answer> {
        self.unreadable = 0;
        let scale = self.scale;
        let words = match std::mem::replace(&mut self.state, State::Read) {
            State::Starting | State::Read => return None,
            State::Gone => format!("scale {scale} is back"),
            State::Unreadable => format!("scale {scale} can be read again"),
        };
        Some(Answer::new(Level::Next, words))
    }

    /// A line came that could not be read.
    pub(crate) fn unreadable(&mut self, why: &Unreadable<'_>) -> Option<Answer> {
        // A line too long for any scale is noise by itself.
        let weight = match why.error {
            FrameError::Long { .. } => NOISE,
            _ => 1,
        };
        self.unreadable = self.unreadable.saturating_add(weight);
        if self.unreadable < NOISE || self.state == State::Unreadable {
            return None;
        }
        self.state = State::Unreadable;
        let words = format!("scale {} cannot be read: {}", self.scale, why.words());
        Some(Answer::new(Level::Wrong, words))
    }

    /// The cable is given up.
    pub(crate) fn lost(&mut self, why: &Loss) -> Option<Answer> {
        self.unreadable = 0;
        if self.state == State::Gone {
            return None;
        }
        self.state = State::Gone;
        let scale = self.scale;
        let words = match why {
            Loss::NoLine(why) => format!("scale {scale} cannot be read: {why}"),
            Loss::Broken(_) | Loss::Closed | Loss::Silent => {
                format!("scale {scale} is gone: check its cable and power")
            }
        };
        Some(Answer::new(Level::Wrong, words))
    }
}

/// A line that could not be read, with what it was to be.
pub(crate) struct Unreadable<'a> {
    pub(crate) line: &'a str,
    pub(crate) format: &'a LineFormat,
    pub(crate) error: &'a FrameError,
    /// How the cable is set.
    pub(crate) settings: &'a str,
}

impl Unreadable<'_> {
    /// What is most likely wrong.
    pub(crate) fn words(&self) -> String {
        match Suspicion::of(self.line, self.format) {
            Some(suspicion) => Suspected {
                line: self.line,
                suspicion: &suspicion,
                settings: self.settings,
            }
            .to_string(),
            None => self.error.to_string(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn said(answer: Option<Answer>) -> Option<String> {
        answer.map(|answer| answer.to_string())
    }

    fn unreadable(link: &mut Link, line: &str) -> Option<String> {
        let format = "{stable:ST|US},{number}{unit}".parse().unwrap();
        let error = LineFormat::read(&format, line).unwrap_err();
        said(link.unreadable(&Unreadable {
            line,
            format: &format,
            error: &error,
            settings: "9600 baud 8N1",
        }))
    }

    #[test]
    fn what_happens_to_a_cable_is_told_once() {
        let mut link = Link::new("SC1".parse().unwrap());
        assert_eq!(said(link.read()), None);
        for _ in 0..9 {
            assert_eq!(unreadable(&mut link, "ST,12.5"), None);
        }
        // Noise now and then is none of anybody's business.
        assert_eq!(said(link.read()), None);
        for _ in 0..9 {
            assert_eq!(unreadable(&mut link, "ST,12.5"), None);
        }
        assert_eq!(
            unreadable(&mut link, "ST,12.5").as_deref(),
            Some(
                "WRONG  scale SC1 cannot be read: the scale's line \"ST,12.5\" differs from its format at character 8: a unit (g, kg, lb and oz) expected"
            )
        );
        assert_eq!(unreadable(&mut link, "ST,12.5"), None);
        assert_eq!(
            said(link.read()).as_deref(),
            Some("NEXT  scale SC1 can be read again")
        );
        assert_eq!(
            said(link.lost(&Loss::Silent)).as_deref(),
            Some("WRONG  scale SC1 is gone: check its cable and power")
        );
        assert_eq!(said(link.lost(&Loss::Closed)), None);
        assert_eq!(
            said(link.read()).as_deref(),
            Some("NEXT  scale SC1 is back")
        );
    }

    #[test]
    fn a_cable_with_wrong_settings_is_told_to_be_just_that() {
        let mut link = Link::new("SC1".parse().unwrap());
        let seven_even: String = "ST,12.5kg"
            .bytes()
            .map(|b| char::from(b | u8::from(b.count_ones() % 2 == 1) << 7))
            .collect();
        let told: Vec<_> = (0..10)
            .filter_map(|_| unreadable(&mut link, &seven_even))
            .collect();
        assert_eq!(
            told,
            [
                "WRONG  scale SC1 cannot be read: these bytes are seven bits with even parity: \"S\\xd4\\xac\\xb1\\xb2.5\\xeb\\xe7\". Write bits = \"7E1\" in the site file (now 9600 baud 8N1)"
            ]
        );
        let mut link = Link::new("SC1".parse().unwrap());
        let garbage = "\u{0}\u{f8}\u{80}".repeat(100);
        assert_eq!(
            unreadable(&mut link, &garbage)
                .unwrap()
                .split(": \"")
                .next(),
            Some(
                "WRONG  scale SC1 cannot be read: these bytes look like the wrong baud rate or parity"
            )
        );
    }
}
