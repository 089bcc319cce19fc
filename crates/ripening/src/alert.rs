//! Alerts: one message per situation, not per wheel.
//!
//! A situation is a kind of trouble at a place. Wheels join and leave it; a person hears
//! of it when it is raised, when it gets worse, and when it is over.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use chrono::{DateTime, Utc};
use facts::{RoomId, StackId, StationId, StillageId, ToolId, WheelId};
use serde::{Deserialize, Serialize};

use crate::wheels::{Slot, Wheels};
use crate::{Action, Severity, Urgency, Wheel, rule};

/// How many wheels a message names one by one.
const NAMED: usize = 50;

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
        }
    }

    /// The trouble on a day that is over.
    const fn words_when_worse(self) -> &'static str {
        match self {
            Self::NotTurned => "not turned for a whole dairy day",
            Self::NotRubbedUp => "unhooped and left open past the day: rub up at once",
            other => other.words(),
        }
    }

    const fn words_when_over(self) -> &'static str {
        match self {
            Self::NotTurned => "turned again",
            Self::NotUnhooped => "out of the hoop",
            Self::NotRubbedUp => "rubbed up",
            Self::NotPlaced => "brought to a room",
            Self::NoRind => "rind seen",
            Self::NotMovedOn => "moved on",
            Self::NotPierced => "pierced",
            Self::NotIroned => "ironed",
            Self::Unseen => "found",
            Self::Contradiction => "cleared up",
            Self::CameBack => "decided on",
            Self::CheckFailed => "passed its check again",
            Self::RoomOutOfRange => "back in its climate range",
            Self::FactsMissing => "all facts arrived",
            Self::NumbersReused => "numbers in order again",
            Self::ClockWrong => "clock right again",
            Self::PiercedUnchecked => "wheels held, or its count came in",
            Self::WeightOff => "weighs as expected again, or was graded",
            Self::SensorDoubted => "its sensors can be relied on again",
            Self::GasHigh => "gas below its limits again, by the sensor",
            Self::GasDanger => "gas no longer at the dangerous level, by the sensor",
        }
    }

    const fn severity(self) -> Severity {
        match self {
            Self::NotRubbedUp
            | Self::Unseen
            | Self::CheckFailed
            | Self::GasHigh
            | Self::GasDanger
            | Self::PiercedUnchecked
            | Self::FactsMissing
            | Self::NumbersReused => Severity::Alarm,
            Self::NotIroned | Self::Contradiction | Self::ClockWrong => Severity::Notice,
            _ => Severity::Warning,
        }
    }
}

/// What a situation is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)]
pub enum Subject {
    Stillage(StillageId),
    Stack(StackId),
    Wheel(WheelId),
    Room(RoomId),
    Tool(ToolId),
    Station(StationId),
}

impl fmt::Display for Subject {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Stillage(id) => write!(f, "stillage {id}"),
            Self::Stack(id) => write!(f, "stack {id}"),
            Self::Wheel(id) => write!(f, "wheel {id}"),
            Self::Room(id) => write!(f, "room {id}"),
            Self::Tool(id) => write!(f, "{id}"),
            Self::Station(id) => write!(f, "station {id}"),
        }
    }
}

/// How bad a situation is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Level {
    /// Someone should act.
    Raised,
    /// It has got worse.
    Escalated,
}

/// What a message says of its situation.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Step {
    /// It began.
    Raised,
    /// It got worse.
    Escalated,
    /// It is over.
    Cleared,
}

impl Step {
    /// The step as a subject token.
    #[must_use]
    pub const fn as_str(self) -> &'static str {
        match self {
            Self::Raised => "raised",
            Self::Escalated => "escalated",
            Self::Cleared => "cleared",
        }
    }
}

/// One message about one situation.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Alert {
    /// The situation's own name: the same from raised to cleared.
    pub alert: String,
    /// What this message says of it.
    pub step: Step,
    /// How bad.
    pub severity: Severity,
    /// The kind of trouble.
    pub situation: Situation,
    /// Where.
    pub subject: Subject,
    /// One sentence for a chat.
    pub text: String,
    /// How many wheels it concerns; 0 when it is not about wheels.
    pub wheel_count: usize,
    /// The wheels, at most 50 of them.
    pub wheels: Vec<WheelId>,
    /// Since when.
    pub since: DateTime<Utc>,
}

impl Alert {
    /// The message's own name: one a step of a situation, the same if it is made again.
    #[must_use]
    pub fn id(&self) -> String {
        format!("{}-{}", self.alert, self.step.as_str())
    }
}

/// A wheel's part in a situation.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Told {
    pub(crate) key: Key,
    pub(crate) level: Level,
}

pub(crate) type Key = (Situation, Subject);

/// What people have been told and not yet been told is over. Stored with the state, so
/// that a restart neither repeats nor forgets a message.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Open {
    /// The kind of trouble and where.
    pub key: (Situation, Subject),
    /// How bad people were told it is.
    pub level: Level,
    /// Since when.
    #[serde(with = "chrono::serde::ts_microseconds")]
    pub since: DateTime<Utc>,
}

impl Open {
    /// The situation's own name: the same as in every message about it.
    #[must_use]
    pub fn name(&self) -> String {
        name(self.key, self.since)
    }
}

/// A situation as it is now.
#[derive(Debug, Clone, Default)]
struct Standing {
    wheels: BTreeMap<Slot, Level>,
    /// How many of the wheels are at the worse level.
    escalated: usize,
    /// For what is not about single wheels: how bad, and in words.
    other: Option<(Level, String)>,
}

impl Standing {
    fn level(&self) -> Option<Level> {
        let wheels = match (self.wheels.is_empty(), self.escalated) {
            (true, _) => None,
            (false, 0) => Some(Level::Raised),
            (false, _) => Some(Level::Escalated),
        };
        wheels.max(self.other.as_ref().map(|(level, _)| *level))
    }

    fn joins(&mut self, wheel: Slot, level: Level) {
        self.leaves(wheel);
        self.wheels.insert(wheel, level);
        self.escalated += usize::from(level == Level::Escalated);
    }

    fn leaves(&mut self, wheel: Slot) {
        let level = self.wheels.remove(&wheel);
        self.escalated -= usize::from(level == Some(Level::Escalated));
    }
}

/// Every situation, and what people have been told of it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Board {
    standing: BTreeMap<Key, Standing>,
    changed: BTreeSet<Key>,
    open: BTreeMap<Key, Open>,
}

impl Board {
    pub(crate) fn restore(&mut self, open: Vec<Open>) {
        self.changed.extend(open.iter().map(|o| o.key));
        self.open = open.into_iter().map(|o| (o.key, o)).collect();
    }

    pub(crate) fn open(&self) -> impl Iterator<Item = &Open> {
        self.open.values()
    }

    /// How many situations stand, told or not.
    pub(crate) fn standing(&self) -> impl Iterator<Item = (&Key, Level, usize)> {
        self.standing
            .iter()
            .filter_map(|(k, s)| Some((k, s.level()?, s.wheels.len())))
    }

    /// Replaces a wheel's part in all situations.
    pub(crate) fn wheel(&mut self, wheel: Slot, before: &[Told], after: &[Told]) {
        for told in before {
            if let Some(standing) = self.standing.get_mut(&told.key) {
                standing.leaves(wheel);
            }
            self.changed.insert(told.key);
        }
        for told in after {
            let standing = self.standing.entry(told.key).or_default();
            standing.joins(wheel, told.level);
            self.changed.insert(told.key);
        }
    }

    /// Sets or clears a situation that is not about what single wheels need.
    pub(crate) fn other(&mut self, key: Key, now: Option<(Level, String)>) {
        self.other_with(key, now, &[]);
    }

    /// The same, naming the wheels it concerns.
    pub(crate) fn other_with(&mut self, key: Key, now: Option<(Level, String)>, wheels: &[Slot]) {
        if now.is_none() && !self.standing.contains_key(&key) {
            return;
        }
        let mut standing = Standing::default();
        if let Some((level, _)) = &now {
            for wheel in wheels {
                standing.joins(*wheel, *level);
            }
        }
        standing.other = now;
        self.standing.insert(key, standing);
        self.changed.insert(key);
    }

    /// What people should be told now, as told.
    pub(crate) fn tell(&mut self, now: DateTime<Utc>, wheels: &Wheels) -> Vec<Alert> {
        let mut alerts = Vec::new();
        for key in std::mem::take(&mut self.changed) {
            let level = self.standing.get(&key).and_then(Standing::level);
            let open = self.open.get(&key);
            let (step, since) = match (open, level) {
                (None, None) => (None, now),
                (None, Some(Level::Raised)) => (Some(Step::Raised), now),
                (None, Some(Level::Escalated)) => (Some(Step::Escalated), now),
                (Some(o), Some(level)) if level > o.level => (Some(Step::Escalated), o.since),
                (Some(o), Some(_)) => (None, o.since),
                (Some(o), None) => (Some(Step::Cleared), o.since),
            };
            if let Some(step) = step {
                alerts.push(self.message(key, step, since, wheels));
            }
            match level {
                // A situation that eases without ending stays as bad as people were told.
                Some(level) => {
                    let open = self.open.entry(key).or_insert(Open { key, level, since });
                    open.level = open.level.max(level);
                }
                None => {
                    self.open.remove(&key);
                    self.standing.remove(&key);
                }
            }
        }
        alerts
    }

    fn message(&self, key: Key, step: Step, since: DateTime<Utc>, wheels: &Wheels) -> Alert {
        let (situation, subject) = key;
        let standing = self.standing.get(&key);
        let slots = standing.iter().flat_map(|s| s.wheels.keys());
        let mut wheels: Vec<WheelId> = slots.map(|slot| wheels.id(*slot)).collect();
        wheels.sort_unstable();
        let detail = standing
            .and_then(|s| s.other.as_ref())
            .map(|(_, words)| words.as_str());
        let words = match step {
            Step::Raised => situation.words(),
            Step::Escalated => situation.words_when_worse(),
            Step::Cleared => situation.words_when_over(),
        };
        let what = match (wheels.len(), subject) {
            (0, _) | (_, Subject::Wheel(_) | Subject::Tool(_) | Subject::Room(_)) => {
                format!("{subject}: {words}")
            }
            (1, _) => format!("1 wheel on {subject} {words}"),
            (n, _) => format!("{n} wheels on {subject} {words}"),
        };
        let text = match (detail, step) {
            (Some(detail), Step::Raised | Step::Escalated) => format!("{what}. {detail}"),
            _ => what,
        };
        let severity = match step {
            Step::Cleared => Severity::Notice,
            Step::Raised | Step::Escalated => situation.severity(),
        };
        Alert {
            alert: name(key, since),
            step,
            severity,
            situation,
            subject,
            text,
            wheel_count: wheels.len(),
            wheels: wheels.into_iter().take(NAMED).collect(),
            since,
        }
    }
}

/// `not_turned-stillage-S07-1772517600`: fit for a header and a subject token.
fn name((situation, subject): Key, since: DateTime<Utc>) -> String {
    let kind = format!("{situation:?}");
    let place = subject.to_string().replace(' ', "-");
    format!("{kind}-{place}-{}", since.timestamp())
}

/// Writes into `told` the situations a wheel takes part in, by what it needs and how
/// late it is.
pub(crate) fn of_wheel(id: WheelId, wheel: &Wheel, now: DateTime<Utc>, told: &mut Vec<Told>) {
    let state = &wheel.state;
    let subject = match (state.stillage, state.stack) {
        (Some(stillage), _) => Subject::Stillage(stillage),
        (None, Some(stack)) => Subject::Stack(stack),
        (None, None) => Subject::Wheel(id),
    };
    if state.born.is_none() && !wheel.flags.is_empty() {
        // No rule asks for a wheel that was never portioned here, but a person must know.
        let key = (Situation::Contradiction, Subject::Wheel(id));
        told.push(Told {
            key,
            level: Level::Raised,
        });
    }
    for asked in &wheel.actions {
        let urgency = asked.window.urgency(now);
        let level = match (asked.action, urgency) {
            (_, Urgency::Ahead) => None,
            (Action::Turn | Action::RubUp, Urgency::Overdue) => Some(Level::Raised),
            (Action::Turn | Action::RubUp, Urgency::Missed) => Some(Level::Escalated),
            (Action::Find, Urgency::Overdue) => Some(Level::Raised),
            (Action::Decide, _) if asked.because.rule == rule::NO_MARKET.name => None,
            (Action::Review | Action::Decide, _) => Some(Level::Raised),
            (Action::Weigh | Action::LookForMetal, _) => Some(Level::Raised),
            (Action::RindCheck, _) => (asked.severity > Severity::Notice).then_some(Level::Raised),
            (Action::Dispatch | Action::Grade, _) => None,
            (_, Urgency::Missed) => Some(Level::Raised),
            (_, Urgency::Due | Urgency::Overdue) => None,
        };
        let situation = match asked.action {
            Action::Turn => Situation::NotTurned,
            Action::Unhoop => Situation::NotUnhooped,
            Action::RubUp => Situation::NotRubbedUp,
            Action::Place(_) => Situation::NotPlaced,
            Action::RindCheck => Situation::NoRind,
            Action::MoveOn(_) => Situation::NotMovedOn,
            Action::Pierce => Situation::NotPierced,
            Action::Iron => Situation::NotIroned,
            Action::Find => Situation::Unseen,
            Action::Review => Situation::Contradiction,
            Action::Decide => Situation::CameBack,
            Action::Weigh => Situation::WeightOff,
            Action::LookForMetal => Situation::PiercedUnchecked,
            Action::Dispatch | Action::Grade => continue,
        };
        let subject = match asked.action {
            Action::Review | Action::Decide | Action::Find | Action::Weigh => Subject::Wheel(id),
            Action::LookForMetal => match state.pierced {
                Some(pierced) => Subject::Tool(pierced.value),
                None => subject,
            },
            _ => subject,
        };
        if let Some(level) = level {
            told.push(Told {
                key: (situation, subject),
                level,
            });
        }
    }
}
