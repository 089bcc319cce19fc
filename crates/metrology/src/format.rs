//! How a scale's line is described.
//!
//! A format is the line itself with fields in braces:
//!
//! | field | stands for |
//! |---|---|
//! | `{number}` | digits with an optional `.` or `,` |
//! | `{number:kg}` | the same, on a line that does not say its unit |
//! | `{number:kg,width=7}` | exactly 7 characters, the number's padding and sign among them |
//! | `{number:kg,decimals=3}` | digits without a point, the last 3 of them after it |
//! | `{sign}` | `+`, `-` or nothing |
//! | `{unit}` | `g`, `kg`, `lb` or `oz`, in any case |
//! | `{unit:K=kg\|L=lb}` | these words and what each means, in just this case |
//! | `{stable:A\|B}` | the word `A` on a settled weight, `B` on a moving one |
//! | `{stable:A\|B\|C\|D}` | further words say that there is no weight: overload, error |
//! | `{net:A\|B}` | the word `A` on a net weight, `B` on a gross one |
//! | `{skip:N}` | N characters of anything |
//!
//! A space in a format stands for any number of spaces, also none, and fields may be
//! padded with spaces. A blank word stands for nothing, or spaces. Everything else must be
//! on the line as it is in the format.

use std::fmt;
use std::str::FromStr;

use crate::cut::LineCutter;
use crate::line::LONGEST;
use crate::weight::{Unit, Weight};

/// A line format that cannot be used.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the scale's line format is wrong at character {position}: {wanted}")]
pub struct BadFormat {
    /// Where, counted in characters from 1.
    pub position: usize,
    /// What would be right there.
    pub wanted: String,
}

/// How a scale writes its lines. Made from text; see the module's table.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct LineFormat {
    text: String,
    pub(crate) parts: Vec<Part>,
}

#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Part {
    Literal(char),
    Spaces,
    Sign,
    Number(Number),
    /// The words for units, if they are not the usual ones.
    Unit(Vec<(String, Unit)>),
    /// Settled, moving, and any that say that there is no weight.
    Stable(Vec<String>),
    /// Net, gross.
    Net(Vec<String>),
    Skip(usize),
}

#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub(crate) struct Number {
    /// The unit, if the line does not say it.
    pub(crate) unit: Option<Unit>,
    /// How many characters it takes, if always as many.
    pub(crate) width: Option<usize>,
    /// How many of its digits stand after a point that is not written.
    pub(crate) decimals: Option<u32>,
}

impl LineFormat {
    /// Whether a line's first character has its meaning by its place.
    pub(crate) fn begins_with_a_column(&self) -> bool {
        match self.parts.first() {
            Some(Part::Skip(_)) => true,
            Some(Part::Number(number)) => number.width.is_some(),
            _ => false,
        }
    }

    /// Cuts a cable that was just opened: perhaps in the middle of a line.
    #[must_use]
    pub fn cutter(&self) -> LineCutter {
        if self.begins_with_a_text() {
            LineCutter::default()
        } else {
            LineCutter::in_the_middle()
        }
    }

    /// Whether every line begins with a text of its own, so that one whose beginning is
    /// missing cannot be taken for a whole one.
    fn begins_with_a_text(&self) -> bool {
        match self.parts.first() {
            Some(Part::Literal(_)) => true,
            Some(Part::Stable(words) | Part::Net(words)) => !words.iter().any(String::is_empty),
            _ => false,
        }
    }
}

impl fmt::Display for LineFormat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

impl FromStr for LineFormat {
    type Err = BadFormat;

    fn from_str(text: &str) -> Result<Self, BadFormat> {
        let bad = |position: usize, wanted: String| Err(BadFormat { position, wanted });
        let mut parts = Vec::new();
        let (mut number_at, mut unit_at) = (None, None);
        let mut position = 1;
        let mut rest = text;
        while let Some(c) = rest.chars().next() {
            match c {
                '{' => {
                    let Some(end) = rest.find('}') else {
                        return bad(position, "this '{' needs a '}' after its field".into());
                    };
                    let field = &rest[1..end];
                    let part = field_part(field).map_err(|wanted| BadFormat {
                        position: position + 1,
                        wanted,
                    })?;
                    if parts.iter().any(|p| twice(p, &part)) {
                        return bad(position, format!("{{{field}}} is there already"));
                    }
                    match part {
                        Part::Number(number) => {
                            if number.width.is_some() && parts.last().is_some_and(takes_spaces) {
                                return bad(
                                    position,
                                    "what stands in front would take the padding of this number: \
                                     count it, and any sign, into the width"
                                        .into(),
                                );
                            }
                            number_at = Some((position, number.unit.is_some()));
                        }
                        Part::Unit(_) => unit_at = Some(position),
                        _ => {}
                    }
                    parts.push(part);
                    position += field.chars().count() + 2;
                    rest = &rest[end + 1..];
                    continue;
                }
                '}' => return bad(position, "a '}' closes a field that '{' opened".into()),
                ' ' => parts.push(Part::Spaces),
                c if c.is_control() => {
                    return bad(
                        position,
                        "control characters are ignored: leave it out".into(),
                    );
                }
                c => parts.push(Part::Literal(c)),
            }
            position += 1;
            rest = &rest[c.len_utf8()..];
        }
        match (number_at, unit_at) {
            (None, _) => bad(position, "a {number} is missing".into()),
            (Some((at, false)), None) => bad(
                at,
                "the unit is missing: add a {unit}, or write {number:kg} if the line has none"
                    .into(),
            ),
            (Some((_, true)), Some(at)) => bad(
                at,
                "the number names its unit already: leave {unit} out".into(),
            ),
            _ => Ok(Self {
                text: text.to_owned(),
                parts,
            }),
        }
    }
}

/// Whether a part may take spaces that it does not need.
fn takes_spaces(part: &Part) -> bool {
    match part {
        Part::Spaces | Part::Sign => true,
        Part::Stable(words) | Part::Net(words) => words.iter().any(String::is_empty),
        _ => false,
    }
}

/// Whether two parts say the same thing about a line, which only one may.
fn twice(a: &Part, b: &Part) -> bool {
    !matches!(a, Part::Literal(_) | Part::Spaces | Part::Skip(_))
        && std::mem::discriminant(a) == std::mem::discriminant(b)
}

fn field_part(field: &str) -> Result<Part, String> {
    let (name, setting) = match field.split_once(':') {
        Some((name, setting)) => (name, Some(setting)),
        None => (field, None),
    };
    match (name, setting) {
        ("sign", None) => Ok(Part::Sign),
        ("unit", None) => Ok(Part::Unit(Vec::new())),
        ("unit", Some(words)) => unit_words(words).map(Part::Unit),
        ("number", None) => Ok(Part::Number(Number::default())),
        ("number", Some(settings)) => number(settings).map(Part::Number),
        ("stable", Some(list)) => match words(list) {
            Some(words) if words.len() >= 2 => Ok(Part::Stable(words)),
            _ => Err("different words are needed, with a '|' between each two".into()),
        },
        ("stable", None) => Err("write {stable:A|B}, A for settled and B for moving".into()),
        ("net", Some(list)) => match words(list) {
            Some(words) if words.len() == 2 => Ok(Part::Net(words)),
            _ => Err("two different words are needed, with a '|' between them".into()),
        },
        ("net", None) => Err("write {net:A|B}, A for net and B for gross".into()),
        ("skip", Some(n)) => match n.parse() {
            Ok(n @ 1..=LONGEST) => Ok(Part::Skip(n)),
            _ => Err("after 'skip:' comes the number of characters, 1 to 256".into()),
        },
        ("skip", None) => Err("write {skip:N}, N the number of characters".into()),
        ("sign", Some(_)) => Err("{sign} takes no setting".into()),
        _ => Err("a field is number, sign, unit, stable, net or skip".into()),
    }
}

/// Words with '|' between them; blank ones become empty. `None` when two are alike.
fn words(list: &str) -> Option<Vec<String>> {
    let words: Vec<String> = list.split('|').map(|word| word.trim().to_owned()).collect();
    let alike = words
        .iter()
        .enumerate()
        .any(|(n, word)| words[..n].contains(word));
    (!alike).then_some(words)
}

fn unit_words(list: &str) -> Result<Vec<(String, Unit)>, String> {
    let pairs = list.split('|').map(|pair| {
        let (word, unit) = pair.split_once('=')?;
        let word = word.trim();
        (!word.is_empty()).then_some((word.to_owned(), Unit::named(unit.trim())?))
    });
    let pairs: Option<Vec<_>> = pairs.collect();
    pairs.ok_or_else(|| "write {unit:K=kg|L=lb}, each word with g, kg, lb or oz".into())
}

fn number(settings: &str) -> Result<Number, String> {
    const MOST_WIDTH: usize = 20;
    let mut number = Number::default();
    for setting in settings.split(',') {
        match setting.trim().split_once('=') {
            Some(("width", n)) => match n.parse() {
                Ok(n @ 1..=MOST_WIDTH) => number.width = Some(n),
                _ => return Err("after 'width=' comes the number of characters, 1 to 20".into()),
            },
            Some(("decimals", n)) => match n.parse() {
                Ok(n @ 0..=Weight::MOST_DECIMALS) => number.decimals = Some(n),
                _ => return Err("after 'decimals=' comes the number of digits, 0 to 6".into()),
            },
            _ => match Unit::named(setting.trim()) {
                Some(unit) => number.unit = Some(unit),
                None => {
                    return Err(
                        "after 'number:' comes g, kg, lb or oz, width=N or decimals=N".into(),
                    );
                }
            },
        }
    }
    Ok(number)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_format_that_cannot_be_used_says_where_and_what_would_be_right() {
        for (text, position, wanted) in [
            ("", 1, "a {number} is missing"),
            (
                "{number}",
                1,
                "the unit is missing: add a {unit}, or write {number:kg} if the line has none",
            ),
            (
                "{number:kg} {unit}",
                13,
                "the number names its unit already: leave {unit} out",
            ),
            ("é{number", 2, "this '{' needs a '}' after its field"),
            ("{number}}", 9, "a '}' closes a field that '{' opened"),
            (
                "{weight}{unit}",
                2,
                "a field is number, sign, unit, stable, net or skip",
            ),
            (
                "{stable}{number:g}",
                2,
                "write {stable:A|B}, A for settled and B for moving",
            ),
            (
                "{stable:ST}{number:g}",
                2,
                "different words are needed, with a '|' between each two",
            ),
            (
                "{stable:ST|US|ST}{number:g}",
                2,
                "different words are needed, with a '|' between each two",
            ),
            (
                "{stable:ST|}{net:N|G|T}{number:g}",
                14,
                "two different words are needed, with a '|' between them",
            ),
            (
                "{number:st}",
                2,
                "after 'number:' comes g, kg, lb or oz, width=N or decimals=N",
            ),
            (
                "{number:kg,width=0}",
                2,
                "after 'width=' comes the number of characters, 1 to 20",
            ),
            (
                "{number:kg,decimals=7}",
                2,
                "after 'decimals=' comes the number of digits, 0 to 6",
            ),
            (
                "{number}{unit:K}",
                10,
                "write {unit:K=kg|L=lb}, each word with g, kg, lb or oz",
            ),
            (
                "{sign}{number:g,width=7}",
                7,
                "what stands in front would take the padding of this number: count it, and any sign, into the width",
            ),
            ("{sign:-}{number:g}", 2, "{sign} takes no setting"),
            ("{number:g}{number:g}", 11, "{number:g} is there already"),
            (
                "{skip:x}{number:g}",
                2,
                "after 'skip:' comes the number of characters, 1 to 256",
            ),
        ] {
            let wanted = wanted.to_owned();
            assert_eq!(
                text.parse::<LineFormat>(),
                Err(BadFormat { position, wanted }),
                "{text}"
            );
        }
    }

    #[test]
    fn a_line_that_could_have_lost_its_beginning_is_known_by_its_format() {
        for (text, begins) in [
            ("{stable:ST|US},{number}{unit}", true),
            ("={number:kg}", true),
            ("{net:N|G}{number:kg}", true),
            ("{stable: |M}{number:kg}", false),
            ("{sign}{number:kg}", false),
            (" {number:kg}", false),
        ] {
            let format: LineFormat = text.parse().unwrap();
            assert_eq!(format.begins_with_a_text(), begins, "{text}");
        }
    }

    proptest! {
        #[test]
        fn any_text_is_a_format_or_is_refused_in_words(text in "[{}a-z:|,0-9 é]{0,30}") {
            if let Err(refused) = text.parse::<LineFormat>() {
                prop_assert!(refused.position <= text.chars().count() + 1);
            }
        }
    }
}
