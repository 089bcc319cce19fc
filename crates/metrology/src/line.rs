//! Reading one line of a scale.

use std::fmt::Write as _;

use crate::format::{LineFormat, Number, Part};
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

/// A line without a weight.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FrameError {
    /// Nothing but spaces and control characters.
    #[error("the scale sent an empty line")]
    Empty,
    /// Longer than any scale's line.
    #[error(
        "the scale sent {length} characters without a line end, {shown}: compare `baud` and `bits` with its settings, and let it end each line with CR or LF"
    )]
    Long {
        /// How many characters.
        length: usize,
        /// The line's beginning.
        shown: String,
    },
    /// Something else stands where the format wants a field or a text.
    #[error(
        "the scale's line {shown} differs from its format at character {position}: {wanted} expected"
    )]
    Differs {
        /// The line.
        shown: String,
        /// Where, counted in characters from 1.
        position: usize,
        /// What the format wants there.
        wanted: String,
    },
    /// A unit that is none of the format's.
    #[error(
        "the scale's line {shown} has the unit {unit:?} at character {position}, and only {known} are known: set the scale to one of them"
    )]
    Unit {
        /// The line.
        shown: String,
        /// Where, counted in characters from 1.
        position: usize,
        /// The unit as the scale writes it.
        unit: String,
        /// The units that can be read.
        known: String,
    },
    /// The number cannot be a mass.
    #[error(
        "the scale's line {0} has a number that cannot be a weight: check the unit in its line format"
    )]
    Number(String),
    /// The scale says that it has no weight.
    #[error(
        "the scale shows {0:?}, overload or an error: take the load off and look at its display"
    )]
    Overload(String),
}

/// Longest line read; the longest format fits well inside.
pub(crate) const LONGEST: usize = 256;

/// What scales write in place of digits when they are overloaded or in error: common
/// practice. Such a line gives no weight either way; knowing them only betters the words.
const MARKS: [&str; 7] = ["OVER", "UNDER", "OL", "UL", "OF", "ERR", "E-"];

/// A line as people can read it: in quotes, with what is no printable character as `\x02`,
/// and not more of it than fits on a display.
#[must_use]
pub fn shown(line: &str) -> String {
    const MOST: usize = 40;
    let mut shown = String::from("\"");
    for c in line.chars().take(MOST) {
        match u32::from(c) {
            0x20..0x7f => shown.push(c),
            code => {
                let _ = write!(shown, "\\x{code:02x}");
            }
        }
    }
    if line.chars().nth(MOST).is_some() {
        shown.push('…');
    }
    shown.push('"');
    shown
}

fn blank(c: char) -> bool {
    c.is_control() || c == ' '
}

impl FrameError {
    /// Characters that no line end follows.
    #[must_use]
    pub fn unended(line: &str) -> Self {
        Self::Long {
            length: line.chars().count(),
            shown: shown(line),
        }
    }
}

impl LineFormat {
    /// Reads one line, without its line end. Control characters around it are ignored.
    ///
    /// # Errors
    /// [`FrameError`]: the line is noise, cut off, from a scale set up differently, or says
    /// that there is no weight.
    pub fn read(&self, line: &str) -> Result<Frame, FrameError> {
        if line.trim_matches(blank).is_empty() {
            return Err(FrameError::Empty);
        }
        // Columns count from the first character, where there are columns.
        let line = if self.begins_with_a_column() {
            line.trim_start_matches(char::is_control)
        } else {
            line.trim_start_matches(blank)
        };
        if line.len() >= LONGEST {
            return Err(FrameError::unended(line));
        }
        let mut rest = Rest { line, at: 0 };
        let (mut negative, mut stable, mut net) = (false, None, None);
        let (mut digits, mut unit) = (None, None);
        for part in &self.parts {
            match part {
                Part::Spaces => rest.skip_spaces(),
                Part::Literal(c) => rest.literal(*c)?,
                Part::Sign => negative ^= rest.sign(),
                Part::Number(number) => {
                    let read = rest.number(*number)?;
                    negative ^= read.negative;
                    digits = Some((read.digits, read.decimals));
                    unit = unit.or(number.unit);
                }
                Part::Unit(words) => unit = Some(rest.unit(words)?),
                Part::Stable(words) => match rest.word(words)? {
                    (0, _) => stable = Some(true),
                    (1, _) => stable = Some(false),
                    (_, mark) => return Err(FrameError::Overload(mark.to_owned())),
                },
                Part::Net(words) => net = Some(rest.word(words)?.0 == 0),
                Part::Skip(n) => rest.skip(*n)?,
            }
        }
        rest.skip_spaces();
        if !rest.text().trim_matches(blank).is_empty() {
            return Err(rest.differs("the end of the line"));
        }
        let weight = digits
            .zip(unit)
            .and_then(|((digits, decimals), unit)| {
                Weight::new(if negative { -digits } else { digits }, decimals, unit)
            })
            .ok_or_else(|| rest.no_weight())?;
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

/// A number as it stands on a line.
struct Digits {
    digits: i64,
    decimals: u32,
    negative: bool,
}

impl<'a> Rest<'a> {
    fn text(&self) -> &'a str {
        self.line.get(self.at..).unwrap_or("")
    }

    fn position(&self) -> usize {
        let before = self.line.get(..self.at).unwrap_or("");
        before.chars().count() + 1
    }

    fn differs(&self, wanted: &str) -> FrameError {
        FrameError::Differs {
            shown: shown(self.line),
            position: self.position(),
            wanted: wanted.to_owned(),
        }
    }

    fn no_weight(&self) -> FrameError {
        FrameError::Number(shown(self.line))
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

    fn number(&mut self, number: Number) -> Result<Digits, FrameError> {
        let Some(width) = number.width else {
            self.skip_spaces();
            let (digits, read) = self.digits(self.text(), number.decimals, false)?;
            self.at += read;
            return Ok(digits);
        };
        let text = self.text();
        let end = text.char_indices().map(|(at, c)| at + c.len_utf8());
        let Some(end) = end.take(width).nth(width - 1) else {
            return Err(self.differs(&format!("a number of {width} characters")));
        };
        let end = self.at + end;
        let negative = self.sign();
        self.skip_spaces();
        let field = self.line.get(self.at..end).unwrap_or("");
        let field = field.trim_end_matches(' ');
        let (digits, read) = self.digits(field, number.decimals, negative)?;
        if read < field.len() {
            self.at += read;
            return Err(self.differs("a digit"));
        }
        self.at = end;
        Ok(digits)
    }

    /// The digits that a text begins with, and how long they are. With `decimals` there is
    /// no point among them.
    fn digits(
        &self,
        text: &str,
        decimals: Option<u32>,
        negative: bool,
    ) -> Result<(Digits, usize), FrameError> {
        let (mut digits, mut after_point, mut seen, mut point) = (0i64, 0, false, false);
        let mut read = 0;
        for c in text.chars() {
            if let Some(digit) = c.to_digit(10) {
                seen = true;
                after_point += u32::from(point);
                digits = digits
                    .checked_mul(10)
                    .and_then(|d| d.checked_add(i64::from(digit)))
                    .ok_or_else(|| self.no_weight())?;
            } else if (c == '.' || c == ',') && !point && decimals.is_none() {
                point = true;
            } else {
                break;
            }
            read += 1;
        }
        if !seen {
            return Err(match self.mark() {
                Some(mark) => FrameError::Overload(mark),
                None => self.differs("a number"),
            });
        }
        let digits = Digits {
            digits,
            decimals: decimals.unwrap_or(after_point),
            negative,
        };
        Ok((digits, read))
    }

    /// What stands here in place of a number, when it says that there is none: a known
    /// word, or one sign over and over.
    fn mark(&self) -> Option<String> {
        let text = self.text();
        let word: String = text.chars().take_while(char::is_ascii_alphabetic).collect();
        if let Some(known) = MARKS.iter().find(|mark| {
            text.get(..mark.len())
                .is_some_and(|begins| begins.eq_ignore_ascii_case(mark))
        }) {
            return Some(if word.len() > known.len() {
                word
            } else {
                (*known).to_owned()
            });
        }
        let first = text.chars().next().filter(|c| "-_^=*".contains(*c))?;
        let run: String = text.chars().take_while(|c| *c == first).collect();
        (run.len() >= 2).then_some(run)
    }

    fn unit(&mut self, words: &[(String, Unit)]) -> Result<Unit, FrameError> {
        self.skip_spaces();
        if words.is_empty() {
            for (name, unit) in Unit::NAMES {
                let written = self.text().get(..name.len());
                if written.is_some_and(|w| w.eq_ignore_ascii_case(name)) {
                    self.at += name.len();
                    return Ok(unit);
                }
            }
            return Err(self.no_unit("g, kg, lb and oz"));
        }
        let fits = words
            .iter()
            .filter(|(word, _)| self.text().starts_with(word.as_str()));
        match fits.max_by_key(|(word, _)| word.len()) {
            Some((word, unit)) => {
                self.at += word.len();
                Ok(*unit)
            }
            None => {
                let known: Vec<_> = words.iter().map(|(word, _)| word.as_str()).collect();
                Err(self.no_unit(&known.join(", ")))
            }
        }
    }

    fn no_unit(&self, known: &str) -> FrameError {
        let word: String = self
            .text()
            .chars()
            .take_while(|c| c.is_alphabetic())
            .collect();
        if word.is_empty() {
            return self.differs(&format!("a unit ({known})"));
        }
        FrameError::Unit {
            shown: shown(self.line),
            position: self.position(),
            unit: word,
            known: known.to_owned(),
        }
    }

    /// Which of the words stands here. The longer are tried first: a word may begin with
    /// another, or be nothing.
    fn word<'w>(&mut self, words: &'w [String]) -> Result<(usize, &'w str), FrameError> {
        self.skip_spaces();
        let fits = words
            .iter()
            .enumerate()
            .filter(|(_, word)| self.text().starts_with(word.as_str()));
        match fits.max_by_key(|(_, word)| word.len()) {
            Some((index, word)) => {
                self.at += word.len();
                Ok((index, word))
            }
            None => {
                let words: Vec<_> = words.iter().map(|word| format!("{word:?}")).collect();
                Err(self.differs(&words.join(" or ")))
            }
        }
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
            (
                "{number:width=7}{unit:K=kg|L=lb}{net:N|G}{stable:|M|O}",
                "\u{2}-  11.2LG ",
                weight(-112, 1, Pound),
                Some(true),
                Some(false),
            ),
            (
                "{number:width=7}{unit:K=kg|L=lb}{net:N|G}{stable:|M|O}",
                "\u{2}  11.02KNM",
                weight(1_102, 2, Kilogram),
                Some(false),
                Some(true),
            ),
            (
                "{number:kg,width=8,decimals=3}{skip:1}={stable:A|B}",
                "  011020 =A",
                weight(11_020, 3, Kilogram),
                Some(true),
                None,
            ),
            (
                "{number:kg,width=8}",
                "11.02   \r \u{3}",
                weight(1_102, 2, Kilogram),
                None,
                None,
            ),
            (
                "{number}{sign}{unit}",
                "11.02- kg",
                weight(-1_102, 2, Kilogram),
                None,
                None,
            ),
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
    fn a_line_that_differs_is_shown_with_where_and_what_was_expected() {
        let full = format("{stable:ST|US|OL},{sign}{number}{unit}");
        for (line, words) in [
            ("", "the scale sent an empty line"),
            (" \u{2}\r\n", "the scale sent an empty line"),
            (
                "ST,+11.0",
                "the scale's line \"ST,+11.0\" differs from its format at character 9: a unit (g, kg, lb and oz) expected",
            ),
            (
                "ST,full",
                "the scale's line \"ST,full\" differs from its format at character 4: a number expected",
            ),
            (
                "XX,1kg\u{3}",
                "the scale's line \"XX,1kg\\x03\" differs from its format at character 1: \"ST\" or \"US\" or \"OL\" expected",
            ),
            (
                "ST 1kg",
                "the scale's line \"ST 1kg\" differs from its format at character 3: ',' expected",
            ),
            (
                "ST,1kgST",
                "the scale's line \"ST,1kgST\" differs from its format at character 7: the end of the line expected",
            ),
            (
                "ST,12.5 stn",
                "the scale's line \"ST,12.5 stn\" has the unit \"stn\" at character 9, and only g, kg, lb and oz are known: set the scale to one of them",
            ),
            (
                "ST,1.0000000kg",
                "the scale's line \"ST,1.0000000kg\" has a number that cannot be a weight: check the unit in its line format",
            ),
            (
                "ST,99999999999999999999kg",
                "the scale's line \"ST,99999999999999999999kg\" has a number that cannot be a weight: check the unit in its line format",
            ),
            (
                "OL,+999999",
                "the scale shows \"OL\", overload or an error: take the load off and look at its display",
            ),
        ] {
            assert_eq!(full.read(line).unwrap_err().to_string(), words, "{line:?}");
        }
        let long = full.read(&"9".repeat(5_000)).unwrap_err();
        assert!(matches!(long, FrameError::Long { length: 5_000, .. }));
        assert_eq!(shown(&"\u{ff}".repeat(50)).chars().count(), 40 * 4 + 3);
        let odd = format("{number:kg,width=7}");
        for (line, words) in [
            ("  1.2", "character 1: a number of 7 characters expected"),
            ("  1x2  ", "character 4: a digit expected"),
        ] {
            let said = odd.read(line).unwrap_err().to_string();
            assert!(said.ends_with(words), "{said}");
        }
        let units = format("{number} {unit:K=kg|L=lb}");
        let said = units.read("5 Q").unwrap_err().to_string();
        assert!(said.contains("the unit \"Q\" at character 3, and only K, L are known"));
    }

    #[test]
    fn what_a_scale_writes_when_it_is_overloaded_is_no_number() {
        let bare = format("{sign} {number:kg}");
        for (line, mark) in [
            ("OVER", "OVER"),
            ("-over", "OVER"),
            ("  OL   ", "OL"),
            ("Err 3", "ERR"),
            ("OVERLOAD", "OVERLOAD"),
            ("------", "-----"),
            ("^^^^^^", "^^^^^^"),
        ] {
            let mark = mark.to_owned();
            assert_eq!(bare.read(line), Err(FrameError::Overload(mark)), "{line}");
        }
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
