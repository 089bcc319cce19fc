//! Kinds of trouble, and what is said of each.

use chrono::{DateTime, Utc};
use facts::stored_enum;
use serde::{Deserialize, Serialize};

use crate::{Severity, State};

/// A kind of trouble.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)] // `Situation::words` says what each is
pub enum Situation {
    NotTurned,
    NotUnhooped,
    NotRubbedUp,
    NotPlaced,
    NoRind,
    NotMovedOn,
    NotPierced,
    NotIroned,
    Unseen,
    Contradiction,
    CameBack,
    CheckFailed,
    RoomOutOfRange,
    FactsMissing,
    NumbersReused,
    ClockWrong,
    PiercedUnchecked,
    WeightOff,
    SensorDoubted,
    GasHigh,
    GasDanger,
    RecipeMissing,
}

impl Situation {
    /// The trouble in words, after a count of wheels or the name of a thing.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::NotTurned => "not turned today",
            Self::NotUnhooped => "still in the hoop after the last day for it",
            Self::NotRubbedUp => "unhooped but not rubbed up",
            Self::NotPlaced => "rubbed up but not brought to a room",
            Self::NoRind => "no mould seen although it should have come",
            Self::NotMovedOn => "not moved on after the longest stay",
            Self::NotPierced => "not pierced by the last day for it",
            Self::NotIroned => "not ironed when it was due",
            Self::Unseen => "not seen by anyone for days",
            Self::Contradiction => "recorded in a way that cannot be right",
            Self::CameBack => "came back: decide what becomes of it",
            Self::CheckFailed => "failed its check",
            Self::RoomOutOfRange => "out of its climate range",
            Self::FactsMissing => "facts that never arrived",
            Self::NumbersReused => "numbers used twice",
            Self::ClockWrong => "clock wrong",
            Self::PiercedUnchecked => {
                "used to pierce without a good needle count that day: hold the wheels and look for metal"
            }
            Self::WeightOff => "weighs far from what its age and portion lead to expect",
            Self::SensorDoubted => "a sensor that cannot be right: its readings are not relied on",
            Self::GasHigh => "gas in the air above a limit for people",
            Self::GasDanger => "gas in the air that is dangerous to life: LEAVE AT ONCE",
            Self::RecipeMissing => "made by a version of its recipe that this site does not have",
        }
    }

    /// The trouble on a day that is over.
    pub(super) const fn words_when_worse(self) -> &'static str {
        match self {
            Self::NotTurned => "not turned for a whole dairy day",
            Self::NotRubbedUp => "unhooped and left open past the day: rub up at once",
            other => other.words(),
        }
    }

    /// Of what people see to at a wheel: that they have done so, and when the facts say that it
    /// was done last.
    pub(super) fn done(self, state: &State) -> Option<(&'static str, Option<DateTime<Utc>>)> {
        let turned = state.turned.map(|seen| seen.moment);
        let unhooped = state.unhooped.map(|seen| seen.moment);
        let rubbed_up = state.rubbed_up.map(|seen| seen.moment);
        let room = state.room.map(|seen| seen.moment);
        let graded = state.grade.map(|seen| seen.moment);
        let (words, moment) = match self {
            Self::NotTurned => ("turned again", turned),
            Self::NotUnhooped => ("out of the hoop", unhooped),
            Self::NotRubbedUp => ("rubbed up", rubbed_up),
            Self::NotPlaced => ("brought to a room", room),
            Self::NoRind => ("rind seen", state.first_rind),
            Self::NotMovedOn => ("moved on", room),
            Self::NotPierced => ("pierced", state.pierced.map(|seen| seen.moment)),
            Self::NotIroned => ("ironed", state.ironed.map(|seen| seen.moment)),
            Self::Unseen => ("found", state.last_seen),
            Self::CameBack => ("decided on", graded.max(state.discarded)),
            _ => return None,
        };
        Some((words, moment.map(|moment| moment.at)))
    }

    /// That it is over, where no work at a wheel ends it: true however it came to be over.
    pub(super) const fn words_when_over(self) -> &'static str {
        match self {
            Self::Contradiction => "no longer recorded so",
            Self::CheckFailed => "no failed check of it stands",
            Self::RoomOutOfRange => "back in its climate range",
            Self::FactsMissing => "all facts arrived",
            Self::NumbersReused => "numbers in order again",
            Self::ClockWrong => "clock right again",
            Self::PiercedUnchecked => {
                "no wheel is left to look for metal in: held, counted, corrected, or gone"
            }
            Self::WeightOff => "weighs as expected again, was graded or corrected, or has left",
            Self::SensorDoubted => "its sensors can be relied on again",
            Self::GasHigh => "gas below its limits again, by the sensor",
            Self::GasDanger => "gas no longer at the dangerous level, by the sensor",
            Self::RecipeMissing => {
                "its recipe is here again, it was moved to another, or it has left"
            }
            _ => "no longer asked for now",
        }
    }

    pub(super) const fn severity(self) -> Severity {
        match self {
            Self::NotRubbedUp
            | Self::Unseen
            | Self::CheckFailed
            | Self::GasHigh
            | Self::GasDanger
            | Self::PiercedUnchecked
            | Self::FactsMissing
            | Self::NumbersReused => Severity::Alarm,
            Self::NotIroned | Self::Contradiction => Severity::Notice,
            _ => Severity::Warning,
        }
    }
}

// A number stands for its variant for ever: what is new gets a new one.
stored_enum!(Situation {
    0 = NotTurned,
    1 = NotUnhooped,
    2 = NotRubbedUp,
    3 = NotPlaced,
    4 = NoRind,
    5 = NotMovedOn,
    6 = NotPierced,
    7 = NotIroned,
    8 = Unseen,
    9 = Contradiction,
    10 = CameBack,
    11 = CheckFailed,
    12 = RoomOutOfRange,
    13 = FactsMissing,
    14 = NumbersReused,
    15 = ClockWrong,
    16 = PiercedUnchecked,
    17 = WeightOff,
    18 = SensorDoubted,
    19 = GasHigh,
    20 = GasDanger,
    21 = RecipeMissing,
});
