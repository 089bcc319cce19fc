//! The code grammar: `<letter>.<value>`, one code a line.
//!
//! A '.' because it sits on the same key of nearly every keyboard layout, and most
//! scanners type what they read. The letter and the names of actions and grades may
//! be typed in either case; ids are taken as they are.

use std::fmt;

use arrayvec::ArrayString;
use chrono::{DateTime, Utc};
use facts::{
    BadCode, BatchId, CustomerId, Grade, HoldId, HoopId, LotId, MarketId, OrderId, PersonId,
    PositionId, RecipeId, RoomId, StackId, StillageId, ToolId, VatId, WheelId,
};
use quantity::calendar;

use crate::symbol;

/// Longest line read, in characters: a time, a space and a code, or a GS1 symbol.
const LONGEST: usize = 250;

/// Longest reason typed behind a code, in bytes.
const LONGEST_REASON: usize = 120;

/// What the next scans mean. It stays until another is scanned.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Action {
    /// Milk goes into a vat.
    Vat,
    /// Curd is weighed out into hoops.
    Portion,
    /// Wheels are turned.
    Turn,
    /// Wheels leave their hoops.
    Unhoop,
    /// Wheels are rubbed up.
    RubUp,
    /// Wheels go on a stillage.
    Load,
    /// Wheels go to a room.
    Move,
    /// Someone looks at the rind.
    Rind,
    /// Wheels are pierced.
    Pierce,
    /// A core is drawn.
    Iron,
    /// Wheels are graded.
    Grade,
    /// A wheel is weighed again.
    Weigh,
    /// A piercing machine's needles are counted.
    Needles,
    /// The station's scale is shown a weight that is known.
    CheckWeight,
    /// Wheels may not leave.
    Hold,
    /// A hold ends.
    Release,
    /// Wheels come back.
    Return,
    /// Wheels leave the dairy.
    Dispatch,
    /// Wheels are thrown away.
    Discard,
    /// The last record of this session was wrong.
    Undo,
}

impl Action {
    /// Every action with its name on the card and what to scan after it.
    pub const ALL: [(Self, &'static str, &'static str); 20] = [
        (Self::Vat, "VAT", "scan vat, batch, recipe and litres"),
        (Self::Portion, "PORTION", "scan the batch"),
        (Self::Turn, "TURN", "scan what you turned"),
        (Self::Unhoop, "UNHOOP", "scan what you unhooped"),
        (Self::RubUp, "RUBUP", "scan what you rubbed up"),
        (Self::Load, "LOAD", "scan the stillage"),
        (Self::Move, "MOVE", "scan the room"),
        (Self::Rind, "RIND", "scan what you looked at"),
        (Self::Pierce, "PIERCE", "scan the machine"),
        (Self::Iron, "IRON", "scan the iron or the wheel"),
        (Self::Grade, "GRADE", "scan what you graded"),
        (Self::Weigh, "WEIGH", "scan the wheel"),
        (Self::Needles, "NEEDLES", "scan the machine"),
        (
            Self::CheckWeight,
            "CHECKWEIGHT",
            "scan the grams on the check weight",
        ),
        (Self::Hold, "HOLD", "scan the hold"),
        (Self::Release, "RELEASE", "scan the hold"),
        (Self::Return, "RETURN", "scan what came back"),
        (Self::Dispatch, "DISPATCH", "scan the order"),
        (Self::Discard, "DISCARD", "scan what you throw away"),
        (Self::Undo, "UNDO", ""),
    ];

    fn row(self) -> (&'static str, &'static str) {
        Self::ALL
            .iter()
            .find(|(action, ..)| *action == self)
            .map_or(("", ""), |&(_, name, ask)| (name, ask))
    }

    /// Its name, as on its card.
    #[must_use]
    pub fn name(self) -> &'static str {
        self.row().0
    }

    /// The kind of fact that it states, `<noun>.<verb>`; none for UNDO.
    #[must_use]
    pub const fn topic(self) -> Option<&'static str> {
        Some(match self {
            Self::Vat => "vat.started",
            Self::Portion => "wheel.portioned",
            Self::Turn => "wheel.turned",
            Self::Unhoop => "wheel.unhooped",
            Self::RubUp => "wheel.rubbed_up",
            Self::Load => "wheel.loaded",
            Self::Move => "wheel.moved",
            Self::Rind => "rind.observed",
            Self::Pierce => "wheel.pierced",
            Self::Iron => "wheel.ironed",
            Self::Grade => "wheel.graded",
            Self::Weigh => "wheel.weighed",
            Self::Needles | Self::CheckWeight => "tool.checked",
            Self::Hold => "wheel.held",
            Self::Release => "wheel.released",
            Self::Return => "wheel.returned",
            Self::Dispatch => "wheel.dispatched",
            Self::Discard => "wheel.discarded",
            Self::Undo => return None,
        })
    }

    /// Whether it takes weights.
    pub(crate) const fn weighs(self) -> bool {
        self.weighs_cheese() || matches!(self, Self::CheckWeight)
    }

    /// Whether it takes weights of cheese, which a scale that failed its check may not give.
    pub(crate) const fn weighs_cheese(self) -> bool {
        matches!(self, Self::Portion | Self::Weigh)
    }

    /// What to scan after it.
    #[must_use]
    pub(crate) fn ask(self) -> &'static str {
        self.row().1
    }

    fn named(text: &str) -> Option<Self> {
        Self::ALL
            .iter()
            .find(|(_, name, _)| name.eq_ignore_ascii_case(text))
            .map(|&(action, ..)| action)
    }
}

impl fmt::Display for Action {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Why something is done, in a person's words.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Reason(ArrayString<LONGEST_REASON>);

impl Reason {
    /// Takes words without what cannot be said back. `None` where there are none.
    fn new(text: &str) -> Result<Option<Self>, Misread> {
        let text = text.trim();
        if text.is_empty() {
            return Ok(None);
        }
        let words: String = text
            .chars()
            .map(|c| if c.is_control() { ' ' } else { c })
            .collect();
        let reason = ArrayString::from(&words);
        reason
            .map(|words| Some(Self(words)))
            .map_err(|_| Misread::Reason(text.chars().count()))
    }
}

impl fmt::Display for Reason {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.0)
    }
}

/// One code, read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Code {
    /// `P.` a badge.
    Person(PersonId),
    /// `A.` an action.
    Action(Action),
    /// `B.` a batch.
    Batch(BatchId),
    /// `W.` a wheel.
    Wheel(WheelId),
    /// `H.` a hoop.
    Hoop(HoopId),
    /// `K.` a stack of hoops.
    Stack(StackId),
    /// `S.` a stillage.
    Stillage(StillageId),
    /// `R.` a room, and a position in it after another '.'.
    Room(RoomId, Option<PositionId>),
    /// `T.` a tool.
    Tool(ToolId),
    /// `N.` a number card.
    Number(f64),
    /// `G.` a grade card.
    Grade(Grade),
    /// `O.` an order.
    Order(OrderId),
    /// `M.` a market.
    Market(MarketId),
    /// `D.` a customer who takes wheels without an order, and after a space the reason.
    Customer(CustomerId, Option<Reason>),
    /// `V.` a vat.
    Vat(VatId),
    /// `C.` a recipe.
    Recipe(RecipeId),
    /// `Q.` a hold.
    Hold(HoldId),
    /// `E.` a lot.
    Lot(LotId),
}

/// A line that is no code. Its words are the answer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Misread {
    /// Nothing on it.
    #[error("nothing was read: scan again")]
    Empty,
    /// Longer than any code.
    #[error("{0} characters are too many for one code: scan one card at a time")]
    Long(usize),
    /// A time that cannot be read.
    #[error("{0:?} is no time: a kept scan starts with a time such as @2026-03-03T06:40:00Z")]
    Time(String),
    /// A time outside the calendar.
    #[error("{0}. Nothing recorded")]
    Calendar(calendar::OutsideCalendar),
    /// Not `<letter>.<value>`, or a letter that means nothing.
    #[error("{0:?} is no code of ours: a code looks like W.311-04, S.S07 or A.TURN")]
    Unknown(String),
    /// An action that does not exist.
    #[error("{0:?} is no action: scan an action card such as A.TURN or A.MOVE")]
    Action(String),
    /// A grade that does not exist.
    #[error("{0:?} is no grade: scan G.A, G.B, G.C or G.REJECT")]
    Grade(String),
    /// A number that cannot be read.
    #[error("{0:?} is no number: a number card looks like N.35 or N.7.5")]
    Number(String),
    /// A reason that is too long.
    #[error("{0} characters are too many for a reason: say it in {LONGEST_REASON} or fewer")]
    Reason(usize),
    /// A value that cannot be the id of its kind.
    #[error(transparent)]
    Code(#[from] BadCode),
    /// A GS1 symbol that cannot be read.
    #[error(transparent)]
    Symbol(#[from] gs1::Unreadable),
    /// A GS1 symbol that names something else.
    #[error("this label is of {0}, not of a wheel or batch: scan the wheel's own label")]
    OtherLabel(String),
}

/// One scanned line: a code, and when it was scanned if the handheld kept it a while.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// The code.
    pub code: Code,
    /// The time that a handheld wrote in front of a kept scan: `@<RFC 3339> <code>`.
    pub kept_since: Option<DateTime<Utc>>,
}

impl Line {
    /// Reads a line, whatever is on it. Spaces and control characters around it are ignored.
    ///
    /// # Errors
    /// [`Misread`], in words for the person who scanned.
    pub fn read(line: &str) -> Result<Self, Misread> {
        let blank = |c: char| c.is_whitespace() || c.is_control();
        let line = line.trim_matches(blank);
        if line.is_empty() {
            return Err(Misread::Empty);
        }
        if line.len() > LONGEST {
            return Err(Misread::Long(line.chars().count()));
        }
        let Some(kept) = line.strip_prefix('@') else {
            let code = Code::read(line)?;
            return Ok(Self {
                code,
                kept_since: None,
            });
        };
        let (time, code) = kept.split_once(blank).unwrap_or((kept, ""));
        let time = DateTime::parse_from_rfc3339(time).map_err(|_| Misread::Time(readable(time)))?;
        Ok(Self {
            code: Code::read(code.trim_matches(blank))?,
            kept_since: Some(calendar::instant(time.to_utc()).map_err(Misread::Calendar)?),
        })
    }
}

impl Code {
    /// Reads `<letter>.<value>`, or a label's GS1 symbol.
    fn read(text: &str) -> Result<Self, Misread> {
        if text.is_empty() {
            return Err(Misread::Empty);
        }
        if gs1::looks_like(text) {
            return symbol::read(text);
        }
        let text = symbol::unmarked(text);
        let unknown = || Misread::Unknown(readable(text));
        let (letter, value) = text.split_once('.').ok_or_else(unknown)?;
        Ok(match letter.to_ascii_uppercase().as_str() {
            "P" => Self::Person(PersonId::new(value)?),
            "A" => {
                Self::Action(Action::named(value).ok_or_else(|| Misread::Action(readable(value)))?)
            }
            "B" => Self::Batch(BatchId::new(value)?),
            "W" => Self::Wheel(WheelId::new(value)?),
            "H" => Self::Hoop(HoopId::new(value)?),
            "K" => Self::Stack(StackId::new(value)?),
            "S" => Self::Stillage(StillageId::new(value)?),
            "R" => match value.split_once('.') {
                Some((room, place)) => {
                    Self::Room(RoomId::new(room)?, Some(PositionId::new(place)?))
                }
                None => Self::Room(RoomId::new(value)?, None),
            },
            "T" => Self::Tool(ToolId::new(value)?),
            "N" => Self::Number(number(value).ok_or_else(|| Misread::Number(readable(value)))?),
            "G" => Self::Grade(grade(value).ok_or_else(|| Misread::Grade(readable(value)))?),
            "O" => Self::Order(OrderId::new(value)?),
            "M" => Self::Market(MarketId::new(value)?),
            "D" => match value.split_once(char::is_whitespace) {
                Some((customer, why)) => {
                    Self::Customer(CustomerId::new(customer)?, Reason::new(why)?)
                }
                None => Self::Customer(CustomerId::new(value)?, None),
            },
            "V" => Self::Vat(VatId::new(value)?),
            "C" => Self::Recipe(RecipeId::new(value)?),
            "Q" => Self::Hold(HoldId::new(value)?),
            "E" => Self::Lot(LotId::new(value)?),
            _ => return Err(unknown()),
        })
    }
}

impl fmt::Display for Code {
    /// As a person says it: `stillage S07`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Person(id) => write!(f, "badge {id}"),
            Self::Action(action) => write!(f, "{action}"),
            Self::Batch(id) => write!(f, "batch {id}"),
            Self::Wheel(id) => write!(f, "wheel {id}"),
            Self::Hoop(id) => write!(f, "hoop {id}"),
            Self::Stack(id) => write!(f, "stack {id}"),
            Self::Stillage(id) => write!(f, "stillage {id}"),
            Self::Room(id, None) => write!(f, "room {id}"),
            Self::Room(id, Some(place)) => write!(f, "room {id} place {place}"),
            Self::Tool(id) => write!(f, "tool {id}"),
            Self::Number(value) => write!(f, "number {value}"),
            Self::Grade(grade) => write!(f, "grade {grade}"),
            Self::Order(id) => write!(f, "order {id}"),
            Self::Market(id) => write!(f, "market {id}"),
            Self::Customer(id, _) => write!(f, "customer {id}"),
            Self::Vat(id) => write!(f, "vat {id}"),
            Self::Recipe(id) => write!(f, "recipe {id}"),
            Self::Hold(id) => write!(f, "hold {id}"),
            Self::Lot(id) => write!(f, "lot {id}"),
        }
    }
}

fn grade(text: &str) -> Option<Grade> {
    [
        ("A", Grade::A),
        ("B", Grade::B),
        ("C", Grade::C),
        ("REJECT", Grade::Reject),
    ]
    .into_iter()
    .find(|(name, _)| name.eq_ignore_ascii_case(text))
    .map(|(_, grade)| grade)
}

/// Plain decimals only: no exponent, no infinity.
fn number(text: &str) -> Option<f64> {
    let text = text.replacen(',', ".", 1);
    let plain = text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
    (plain && text.starts_with(|c: char| c.is_ascii_digit()))
        .then(|| text.parse().ok())
        .flatten()
}

/// What was read, fit to be said back: short, and without control characters.
fn readable(text: &str) -> String {
    const MOST: usize = 24;
    let mut shown: String = text
        .chars()
        .take(MOST)
        .map(|c| if c.is_control() { '?' } else { c })
        .collect();
    if text.chars().nth(MOST).is_some() {
        shown.push('…');
    }
    shown
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn code(line: &str) -> Code {
        Line::read(line).unwrap().code
    }

    #[test]
    fn every_letter_reads_its_kind() {
        for (line, said) in [
            ("P.17", "badge 17"),
            ("A.rubup", "RUBUP"),
            ("B.311", "batch 311"),
            ("w.311-04\r\n", "wheel 311-04"),
            ("H.H12", "hoop H12"),
            ("K.K3", "stack K3"),
            ("\u{2}S.S07\u{3}", "stillage S07"),
            ("R.R2", "room R2"),
            ("R.R2.14", "room R2 place 14"),
            ("T.P1", "tool P1"),
            ("N.35", "number 35"),
            ("N.7,5", "number 7.5"),
            ("G.reject", "grade reject"),
            ("O.O-12", "order O-12"),
            ("M.export", "market export"),
            ("V.V1", "vat V1"),
            ("C.blue", "recipe blue"),
            ("Q.Q7", "hold Q7"),
            ("E.lot_9", "lot lot_9"),
        ] {
            assert_eq!(code(line).to_string(), said);
        }
    }

    #[test]
    fn what_is_no_code_is_answered_with_what_a_code_looks_like() {
        for (line, words) in [
            ("", "nothing was read: scan again"),
            ("\u{2}\u{3}\r", "nothing was read: scan again"),
            (
                "4006381333931",
                "\"4006381333931\" is no code of ours: a code looks like W.311-04, S.S07 or A.TURN",
            ),
            (
                "X.1",
                "\"X.1\" is no code of ours: a code looks like W.311-04, S.S07 or A.TURN",
            ),
            (
                "A.FLY",
                "\"FLY\" is no action: scan an action card such as A.TURN or A.MOVE",
            ),
            ("G.D", "\"D\" is no grade: scan G.A, G.B, G.C or G.REJECT"),
            (
                "N.1e9",
                "\"1e9\" is no number: a number card looks like N.35 or N.7.5",
            ),
            (
                "W.",
                "a wheel is missing: it needs 1 to 20 letters, digits, '-' or '_'",
            ),
            (
                "@06:40 W.311-04",
                "\"06:40\" is no time: a kept scan starts with a time such as @2026-03-03T06:40:00Z",
            ),
            ("@2026-03-03T06:40:00Z", "nothing was read: scan again"),
        ] {
            assert_eq!(Line::read(line).unwrap_err().to_string(), words, "{line:?}");
        }
        assert_eq!(Line::read(&"W".repeat(9_000)), Err(Misread::Long(9_000)));
    }

    #[test]
    fn a_kept_scan_carries_its_own_time_whatever_its_offset() {
        let line = Line::read("@2026-03-03T07:40:00+01:00  A.TURN").unwrap();
        assert_eq!(line.code, Code::Action(Action::Turn));
        assert_eq!(
            line.kept_since,
            Some("2026-03-03T06:40:00Z".parse().unwrap())
        );
    }

    proptest! {
        #[test]
        fn any_line_is_a_code_or_is_refused_in_few_words(line in any::<String>()) {
            if let Err(refused) = Line::read(&line) {
                prop_assert!(refused.to_string().chars().count() < 220);
                prop_assert!(!refused.to_string().contains(char::is_control));
            }
        }
    }
}
