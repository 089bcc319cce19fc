//! Reading one line of a scale.

use crate::format::{LineFormat, Part};
use crate::weight::{Unit, Weight};

/// One line of a scale, read.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Frame {
    /// What the scale shows, tare and all.
    pub weight: Weight,
    /// Whether the scale itself calls the weight settled, if it says so.
    pub stable: Option<bool>,
    /// Whether a tare is taken off, if it says so.
    pub net: Option<bool>,
}

/// A line that is not what the format says.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FrameError {
    /// Nothing but spaces and control characters.
    #[error("the scale sent an empty line")]
    Empty,
    /// Longer than any scale's line.
    #[error(
        "the scale sent {0} characters in one line: check its baud rate and its end-of-line setting"
    )]
    Long(usize),
    /// Something else stands where the format wants a field or a text.
    #[error("the scale's line differs from its format at character {position}: {wanted} expected")]
    Differs {
        /// Where, counted in characters from 1.
        position: usize,
        /// What the format wants there.
        wanted: String,
    },
    /// The number cannot be a mass.
    #[error("the scale shows a number that cannot be a weight: check the unit in its line format")]
    Number,
}

/// Longest line read; the longest format fits well inside.
pub(crate) const LONGEST: usize = 256;

impl LineFormat {
    /// Reads one line, without its line end. Control characters around it are ignored.
    ///
    /// # Errors
    /// [`FrameError`]: the line is noise, cut off, or from a scale set up differently.
    pub fn read(&self, line: &str) -> Result<Frame, FrameError> {
        let line = line.trim_matches(|c: char| c.is_control() || c == ' ');
        if line.is_empty() {
            return Err(FrameError::Empty);
        }
        if line.len() > LONGEST {
            return Err(FrameError::Long(line.chars().count()));
        }
        let mut rest = Rest { line, at: 0 };
        let (mut negative, mut stable, mut net) = (false, None, None);
        let (mut number, mut unit) = (None, None);
        for part in &self.parts {
            match part {
                Part::Spaces => rest.skip_spaces(),
                Part::Literal(c) => rest.literal(*c)?,
                Part::Sign => negative ^= rest.sign(),
                Part::Number(stated) => {
                    number = Some(rest.number()?);
                    unit = unit.or(*stated);
                }
                Part::Unit => unit = Some(rest.unit()?),
                Part::Stable(words) => stable = Some(rest.either(words)?),
                Part::Net(words) => net = Some(rest.either(words)?),
                Part::Skip(n) => rest.skip(*n)?,
            }
        }
        rest.skip_spaces();
        if !rest.text().is_empty() {
            return Err(rest.differs("the end of the line"));
        }
        let weight = number
            .zip(unit)
            .and_then(|((digits, decimals), unit)| {
                Weight::new(if negative { -digits } else { digits }, decimals, unit)
            })
            .ok_or(FrameError::Number)?;
        Ok(Frame {
            weight,
            stable,
            net,
        })
    }
}

/// What is left of a line, and how far in it starts.
struct Rest<'a> {
    line: &'a str,
    at: usize,
}

impl<'a> Rest<'a> {
    fn text(&self) -> &'a str {
        self.line.get(self.at..).unwrap_or("")
    }

    fn differs(&self, wanted: &str) -> FrameError {
        let before = self.line.get(..self.at).unwrap_or("");
        FrameError::Differs {
            position: before.chars().count() + 1,
            wanted: wanted.to_owned(),
        }
    }

    fn skip_spaces(&mut self) {
        self.at += self.text().len() - self.text().trim_start_matches(' ').len();
    }

    fn literal(&mut self, wanted: char) -> Result<(), FrameError> {
        if self.text().starts_with(wanted) {
            self.at += wanted.len_utf8();
            Ok(())
        } else {
            Err(self.differs(&format!("{wanted:?}")))
        }
    }

    fn skip(&mut self, count: usize) -> Result<(), FrameError> {
        for _ in 0..count {
            match self.text().chars().next() {
                Some(c) => self.at += c.len_utf8(),
                None => return Err(self.differs("more characters")),
            }
        }
        Ok(())
    }

    /// True for a minus.
    fn sign(&mut self) -> bool {
        self.skip_spaces();
        let negative = self.text().starts_with('-');
        if negative || self.text().starts_with('+') {
            self.at += 1;
        }
        negative
    }

    /// Digits, and how many of them stand after the point.
    fn number(&mut self) -> Result<(i64, u32), FrameError> {
        self.skip_spaces();
        let (mut digits, mut decimals, mut seen, mut point) = (0i64, 0, false, false);
        let mut length = 0;
        for c in self.text().chars() {
            if let Some(digit) = c.to_digit(10) {
                seen = true;
                decimals += u32::from(point);
                digits = digits
                    .checked_mul(10)
                    .and_then(|d| d.checked_add(i64::from(digit)))
                    .ok_or(FrameError::Number)?;
            } else if (c == '.' || c == ',') && !point {
                point = true;
            } else {
                break;
            }
            length += 1;
        }
        if !seen {
            return Err(self.differs("a number"));
        }
        self.at += length;
        Ok((digits, decimals))
    }

    fn unit(&mut self) -> Result<Unit, FrameError> {
        self.skip_spaces();
        for (name, unit) in Unit::NAMES {
            let written = self.text().get(..name.len());
            if written.is_some_and(|text| text.eq_ignore_ascii_case(name)) {
                self.at += name.len();
                return Ok(unit);
            }
        }
        Err(self.differs("g, kg, lb or oz"))
    }

    /// True for the first word. The longer word is tried first, so that one may begin
    /// with the other, or be nothing.
    fn either(&mut self, words: &[String; 2]) -> Result<bool, FrameError> {
        self.skip_spaces();
        let [yes, no] = words;
        let order = if yes.len() >= no.len() {
            [(yes, true), (no, false)]
        } else {
            [(no, false), (yes, true)]
        };
        for (word, meaning) in order {
            if self.text().starts_with(word.as_str()) {
                self.at += word.len();
                return Ok(meaning);
            }
        }
        Err(self.differs(&format!("{yes:?} or {no:?}")))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn format(text: &str) -> LineFormat {
        text.parse().unwrap()
    }

    fn weight(digits: i64, decimals: u32, unit: Unit) -> Weight {
        Weight::new(digits, decimals, unit).unwrap()
    }

    #[test]
    fn a_line_is_read_by_its_format() {
        use Unit::{Gram, Kilogram, Ounce, Pound};
        let full = "{stable:ST|US},{net:NT|GS},{sign}{number}{unit}";
        let table = [
            (
                full,
                "ST,NT,+  11.020kg",
                weight(11_020, 3, Kilogram),
                Some(true),
                Some(true),
            ),
            (
                full,
                "US,GS,-00.012kg",
                weight(-12, 3, Kilogram),
                Some(false),
                Some(false),
            ),
            (
                full,
                "\u{2}ST,GS, 24,5 lb\u{3}\r",
                weight(245, 1, Pound),
                Some(true),
                Some(false),
            ),
            (
                "{sign} {number} {unit} {stable:|~}",
                "- 8 OZ ~",
                weight(-8, 0, Ounce),
                Some(false),
                None,
            ),
            (
                "{sign} {number} {unit} {stable:|~}",
                "8 oz",
                weight(8, 0, Ounce),
                Some(true),
                None,
            ),
            (
                "#{skip:3}={number:g}",
                "#a9é=  4205",
                weight(4_205, 0, Gram),
                None,
                None,
            ),
            ("{number}{unit}", ".5kg", weight(500, 0, Gram), None, None),
            ("{number}{unit}", "5.kg", weight(5_000, 0, Gram), None, None),
            ("{number}{unit}", "3lbs", weight(3, 0, Pound), None, None),
        ];
        for (text, line, weight, stable, net) in table {
            let wanted = Frame {
                weight,
                stable,
                net,
            };
            assert_eq!(format(text).read(line), Ok(wanted), "{text} on {line:?}");
        }
    }

    #[test]
    fn a_line_that_differs_says_where_and_what_was_expected() {
        let full = format("{stable:ST|US},{sign}{number}{unit}");
        for (line, words) in [
            ("", "the scale sent an empty line"),
            ("\u{2}\r\n", "the scale sent an empty line"),
            (
                "ST,+11.0",
                "the scale's line differs from its format at character 9: g, kg, lb or oz expected",
            ),
            (
                "ST,OVER",
                "the scale's line differs from its format at character 4: a number expected",
            ),
            (
                "XX,1kg",
                "the scale's line differs from its format at character 1: \"ST\" or \"US\" expected",
            ),
            (
                "ST 1kg",
                "the scale's line differs from its format at character 3: ',' expected",
            ),
            (
                "ST,1kgST",
                "the scale's line differs from its format at character 7: the end of the line expected",
            ),
            (
                "ST,1.0000000kg",
                "the scale shows a number that cannot be a weight: check the unit in its line format",
            ),
            (
                "ST,99999999999999999999kg",
                "the scale shows a number that cannot be a weight: check the unit in its line format",
            ),
        ] {
            assert_eq!(full.read(line).unwrap_err().to_string(), words, "{line:?}");
        }
        let long = "9".repeat(5_000);
        assert_eq!(full.read(&long), Err(FrameError::Long(5_000)));
    }

    proptest! {
        #[test]
        fn noise_and_cut_off_lines_never_panic(line in any::<String>(), cut in 0usize..40) {
            let full = format("{stable:ST|US},{net:NT|GS},{sign} {number} {unit}");
            let _ = full.read(&line);
            let whole = "ST,NT,+ 11.020 kg";
            prop_assert_eq!(full.read(&whole[..cut.min(whole.len())]).is_ok(), cut >= whole.len());
        }

        #[test]
        fn what_a_scale_shows_is_what_is_read(grams in -2_000_000i32..=2_000_000) {
            let shown = format!("{}{}.{:03}", if grams < 0 { "-" } else { "+" }, grams.abs() / 1000, grams.abs() % 1000);
            let frame = format("{sign}{number:kg}").read(&shown).unwrap();
            prop_assert_eq!(frame.weight, Weight::grams(grams));
        }
    }
}
