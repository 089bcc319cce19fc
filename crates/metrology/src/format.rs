//! How a scale's line is described.
//!
//! A format is the line itself with fields in braces:
//!
//! | field | stands for |
//! |---|---|
//! | `{number}` | digits with an optional `.` or `,` |
//! | `{number:kg}` | the same, on a line that does not say its unit |
//! | `{sign}` | `+`, `-` or nothing |
//! | `{unit}` | `g`, `kg`, `lb` or `oz`, in any case |
//! | `{stable:A\|B}` | the word `A` on a settled weight, `B` on a moving one |
//! | `{net:A\|B}` | the word `A` on a net weight, `B` on a gross one |
//! | `{skip:N}` | N characters of anything |
//!
//! A space in a format stands for any number of spaces, also none, and fields may be
//! padded with spaces. Everything else must be on the line as it is in the format.

use std::fmt;
use std::str::FromStr;

use crate::line::LONGEST;
use crate::weight::Unit;

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
    /// With the unit, if the line does not say it.
    Number(Option<Unit>),
    Unit,
    Stable([String; 2]),
    Net([String; 2]),
    Skip(usize),
}

fn named_unit(name: &str) -> Option<Unit> {
    Unit::NAMES
        .iter()
        .find(|(written, _)| written.eq_ignore_ascii_case(name))
        .map(|&(_, unit)| unit)
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
                        Part::Number(unit) => number_at = Some((position, unit.is_some())),
                        Part::Unit => unit_at = Some(position),
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
        ("unit", None) => Ok(Part::Unit),
        ("number", None) => Ok(Part::Number(None)),
        ("number", Some(unit)) => match named_unit(unit) {
            Some(unit) => Ok(Part::Number(Some(unit))),
            None => Err("after 'number:' comes g, kg, lb or oz".into()),
        },
        ("stable", Some(words)) => two_words(words).map(Part::Stable),
        ("stable", None) => Err("write {stable:A|B}, A for settled and B for moving".into()),
        ("net", Some(words)) => two_words(words).map(Part::Net),
        ("net", None) => Err("write {net:A|B}, A for net and B for gross".into()),
        ("skip", Some(n)) => match n.parse() {
            Ok(n @ 1..=LONGEST) => Ok(Part::Skip(n)),
            _ => Err("after 'skip:' comes the number of characters, 1 to 256".into()),
        },
        ("skip", None) => Err("write {skip:N}, N the number of characters".into()),
        ("sign" | "unit", Some(_)) => Err(format!("{{{name}}} takes no setting")),
        _ => Err("a field is number, sign, unit, stable, net or skip".into()),
    }
}

fn two_words(words: &str) -> Result<[String; 2], String> {
    match words.split_once('|') {
        Some((yes, no)) if yes != no && !no.contains('|') => Ok([yes.to_owned(), no.to_owned()]),
        _ => Err("two different words are needed, with a '|' between them".into()),
    }
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
                "two different words are needed, with a '|' between them",
            ),
            ("{number:st}", 2, "after 'number:' comes g, kg, lb or oz"),
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

    proptest! {
        #[test]
        fn any_text_is_a_format_or_is_refused_in_words(text in "[{}a-z:|,0-9 é]{0,30}") {
            if let Err(refused) = text.parse::<LineFormat>() {
                prop_assert!(refused.position <= text.chars().count() + 1);
            }
        }
    }
}
