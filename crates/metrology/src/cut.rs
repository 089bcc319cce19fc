//! Cutting a scale's bytes into lines, however they arrive.

use crate::line::LONGEST;

/// Starts a line in some indicators' frames; what came before it is noise.
const STX: u8 = 0x02;
/// Ends one.
const ETX: u8 = 0x03;

/// Cuts a stream of bytes into lines. A line ends with CR, LF, ETX or several of them, and
/// begins anew with STX. Empty lines are skipped. The same bytes give the same lines,
/// whatever pieces they come in.
#[derive(Debug, Clone, Default)]
pub struct LineCutter {
    line: Vec<u8>,
    state: State,
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
enum State {
    /// What is there may be the end of a line whose beginning was never heard.
    BeginningLost,
    #[default]
    Line,
    /// The line was too long and given already; its end is still to come.
    TooLong,
}

impl LineCutter {
    /// A stream that may begin in the middle of a line: that one is dropped.
    #[must_use]
    pub const fn in_the_middle() -> Self {
        Self {
            line: Vec::new(),
            state: State::BeginningLost,
        }
    }

    /// Takes bytes, and gives the lines that they complete, each byte as the character of
    /// the same number (ISO/IEC 8859-1): nothing is lost, and a column is a byte. A line
    /// too long for any scale is given once, when it is, without its end.
    pub fn take(&mut self, bytes: &[u8]) -> Vec<String> {
        let mut lines = Vec::new();
        for &byte in bytes {
            match byte {
                b'\r' | b'\n' | ETX => {
                    if self.state == State::Line && !self.line.is_empty() {
                        lines.push(self.text());
                    }
                    self.begin();
                }
                STX => self.begin(),
                _ if self.state == State::TooLong => {}
                _ => {
                    self.line.push(byte);
                    if self.line.len() == LONGEST {
                        lines.push(self.text());
                        self.line.clear();
                        self.state = State::TooLong;
                    }
                }
            }
        }
        lines
    }

    /// What has come of the line that has not ended.
    #[must_use]
    pub fn begun(&self) -> Option<String> {
        (!self.line.is_empty()).then(|| self.text())
    }

    fn begin(&mut self) {
        self.line.clear();
        self.state = State::Line;
    }

    fn text(&self) -> String {
        self.line.iter().copied().map(char::from).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn lines(bytes: &[u8]) -> Vec<String> {
        LineCutter::default().take(bytes)
    }

    #[test]
    fn any_line_end_ends_a_line_and_a_new_start_drops_what_was_begun() {
        assert_eq!(
            lines(b"1 kg\r\n2 kg\n\n\r3 kg\rnoise\x024 kg\x03?\x025 kg\r\n6"),
            ["1 kg", "2 kg", "3 kg", "4 kg", "5 kg"]
        );
        let mut cutter = LineCutter::default();
        assert_eq!(cutter.take(b"\n6 \xff"), [""; 0]);
        assert_eq!(cutter.begun().as_deref(), Some("6 \u{ff}"));
    }

    #[test]
    fn a_line_that_never_ends_is_given_once() {
        let mut bytes = vec![b'9'; 5_000];
        bytes.extend(b"1\r\n5 kg\r\n");
        assert_eq!(lines(&bytes), ["9".repeat(LONGEST).as_str(), "5 kg"]);
    }

    #[test]
    fn a_line_whose_beginning_was_not_heard_is_dropped() {
        let mut cutter = LineCutter::in_the_middle();
        assert_eq!(cutter.take(b"1.5 kg"), [""; 0]);
        assert_eq!(cutter.take(b"\r\n11.5 kg\r\n"), ["11.5 kg"]);
        assert_eq!(LineCutter::in_the_middle().take(b"5\x021 kg\r"), ["1 kg"]);
    }

    proptest! {
        #[test]
        fn the_same_bytes_give_the_same_lines_in_any_pieces(
            bytes in proptest::collection::vec(prop_oneof![
                4 => any::<u8>(), 1 => Just(b'\n'), 1 => Just(b'\r'), 1 => Just(STX), 1 => Just(ETX),
            ], 0..700),
            cuts in proptest::collection::vec(0usize..700, 0..20),
        ) {
            let mut cuts = cuts;
            cuts.sort_unstable();
            let mut cutter = LineCutter::default();
            let (mut pieces, mut from) = (Vec::new(), 0);
            for cut in cuts.into_iter().chain([bytes.len()]) {
                let to = cut.clamp(from, bytes.len());
                pieces.extend(cutter.take(&bytes[from..to]));
                from = to;
            }
            prop_assert_eq!(pieces, lines(&bytes));
        }
    }
}
