//! Alerts: one message per situation, not per wheel.
//!
//! A situation is a kind of trouble at a place. Wheels join and leave it; a person hears
//! of it when it is raised, when it gets worse, and when it is over.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use chrono::{DateTime, TimeDelta, Utc};
use facts::stored::instant;
use facts::{
    BatchId, RoomId, StackId, StationId, StillageId, ToolId, WheelId, stored_enum, stored_struct,
};
use serde::{Deserialize, Serialize};

use crate::wheels::{Slot, Wheels};
use crate::{Action, Severity, Urgency, Wheel, rule};

/// How many wheels a message names one by one.
const NAMED: usize = 50;

/// How long it is remembered that a situation was over: longer than anybody who delivers
/// messages remembers them.
const REMEMBERED: TimeDelta = TimeDelta::days(60);

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
            Self::RecipeMissing => {
                "its recipe is here again, it was moved to another, or it has left"
            }
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
            Self::NotIroned | Self::Contradiction => Severity::Notice,
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
    /// A batch.
    Batch(BatchId),
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
            Self::Batch(id) => write!(f, "batch {id}"),
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
    /// Since when, by the facts and the rules alone: the same whenever it is looked at.
    pub(crate) since: DateTime<Utc>,
}

pub(crate) type Key = (Situation, Subject);

/// What an alert's name is made of: a situation that comes back as it stood before, with
/// others of its kind in between, must not go by a name that people have heard.
type Name = (Key, DateTime<Utc>);

/// What people have been told and not yet been told is over. Stored with the state, so
/// that a restart neither repeats nor forgets a message; a rebuild reads it back from what
/// was told ([`recall`]).
#[derive(Debug, Clone, PartialEq)]
pub struct Open {
    /// The kind of trouble and where.
    pub key: (Situation, Subject),
    /// How bad people were told it is.
    pub level: Level,
    /// Since when the situation stands.
    pub since: DateTime<Utc>,
    /// How often this very situation was raised: more than once when it was over by mistake,
    /// and a correction brought it back.
    pub times: u32,
}

/// A situation that was over: if the very same comes back, people are told again, under
/// another name.
#[derive(Debug, Clone, PartialEq)]
pub struct Over {
    /// The kind of trouble and where.
    pub key: (Situation, Subject),
    /// Since when it stood.
    pub since: DateTime<Utc>,
    /// How often it was raised.
    pub times: u32,
    /// Still remembered on this day, counted from 1970; none where that is not known yet.
    pub until: Option<i64>,
}

impl Open {
    /// The situation's own name: the same as in every message about it.
    #[must_use]
    pub fn name(&self) -> String {
        name(self.key, self.since, self.times)
    }
}

/// What people have been told, read back from every message in the order in which they were
/// published.
#[must_use]
pub fn recall<'a>(told: impl IntoIterator<Item = &'a Alert>) -> (Vec<Open>, Vec<Over>) {
    let mut open: BTreeMap<Key, Open> = BTreeMap::new();
    let mut over: BTreeMap<Name, Over> = BTreeMap::new();
    for alert in told {
        let (key, since) = ((alert.situation, alert.subject), alert.since);
        let plain = name(key, since, 1);
        let rest = alert.alert.strip_prefix(&plain);
        let again = rest.and_then(|rest| rest.strip_prefix(AGAIN));
        let times = again.and_then(|times| times.parse().ok()).unwrap_or(1);
        let level = match alert.step {
            Step::Raised => Level::Raised,
            Step::Escalated => Level::Escalated,
            Step::Cleared => {
                open.remove(&key);
                let until = None;
                over.insert(
                    (key, since),
                    Over {
                        key,
                        since,
                        times,
                        until,
                    },
                );
                continue;
            }
        };
        open.insert(
            key,
            Open {
                key,
                level,
                since,
                times,
            },
        );
    }
    (open.into_values().collect(), over.into_values().collect())
}

/// A situation as it is now.
#[derive(Debug, Clone, Default)]
struct Standing {
    wheels: BTreeMap<Slot, (Level, DateTime<Utc>)>,
    /// How many of the wheels are at the worse level.
    escalated: usize,
    /// For what is not about single wheels.
    other: Option<Trouble>,
}

/// Trouble that is not about what single wheels need.
#[derive(Debug, Clone)]
pub(crate) struct Trouble {
    pub(crate) level: Level,
    /// Since when, by the facts alone.
    pub(crate) since: DateTime<Utc>,
    pub(crate) words: String,
}

impl Standing {
    fn level(&self) -> Option<Level> {
        let wheels = match (self.wheels.is_empty(), self.escalated) {
            (true, _) => None,
            (false, 0) => Some(Level::Raised),
            (false, _) => Some(Level::Escalated),
        };
        wheels.max(self.other.as_ref().map(|other| other.level))
    }

    /// Since when the earliest part of it stands. To the second, as its name has it.
    fn since(&self) -> Option<DateTime<Utc>> {
        let other = self.other.as_ref().map(|other| other.since);
        let wheels = self.wheels.values().map(|(_, since)| *since).min();
        let since = other.or(wheels)?;
        DateTime::from_timestamp(since.timestamp(), 0)
    }

    fn joins(&mut self, wheel: Slot, level: Level, since: DateTime<Utc>) {
        self.leaves(wheel);
        self.wheels.insert(wheel, (level, since));
        self.escalated += usize::from(level == Level::Escalated);
    }

    fn leaves(&mut self, wheel: Slot) {
        let level = self.wheels.remove(&wheel).map(|(level, _)| level);
        self.escalated -= usize::from(level == Some(Level::Escalated));
    }
}

/// Every situation, and what people have been told of it.
#[derive(Debug, Clone, Default)]
pub(crate) struct Board {
    standing: BTreeMap<Key, Standing>,
    changed: BTreeSet<Key>,
    open: BTreeMap<Key, Open>,
    over: BTreeMap<Name, Over>,
    /// What people know has changed since it was last stored.
    unstored: bool,
}

impl Board {
    /// Whether what people know has changed since this was last asked.
    pub(crate) fn take_unstored(&mut self) -> bool {
        std::mem::take(&mut self.unstored)
    }

    pub(crate) fn restore(&mut self, open: Vec<Open>, over: Vec<Over>) {
        self.unstored = true;
        self.changed.extend(open.iter().map(|o| o.key));
        self.open = open.into_iter().map(|o| (o.key, o)).collect();
        let over = over.into_iter().map(|o| ((o.key, o.since), o));
        self.over = over.collect();
    }

    pub(crate) fn open(&self) -> impl Iterator<Item = &Open> {
        self.open.values()
    }

    pub(crate) fn over(&self) -> impl Iterator<Item = &Over> {
        self.over.values()
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
            standing.joins(wheel, told.level, told.since);
            self.changed.insert(told.key);
        }
    }

    /// Sets or clears a situation that is not about what single wheels need.
    pub(crate) fn other(&mut self, key: Key, now: Option<Trouble>) {
        self.other_with(key, now, &[]);
    }

    /// The same, naming the wheels it concerns.
    pub(crate) fn other_with(&mut self, key: Key, now: Option<Trouble>, wheels: &[Slot]) {
        if now.is_none() && !self.standing.contains_key(&key) {
            return;
        }
        let mut standing = Standing::default();
        if let Some(trouble) = &now {
            for wheel in wheels {
                standing.joins(*wheel, trouble.level, trouble.since);
            }
        }
        standing.other = now;
        self.standing.insert(key, standing);
        self.changed.insert(key);
    }

    /// What people should be told now, as told. What was told goes by the name that it was
    /// raised under, also when the wheel that it began with has left it.
    pub(crate) fn tell(&mut self, now: DateTime<Utc>, wheels: &Wheels) -> Vec<Alert> {
        let mut alerts = Vec::new();
        for key in std::mem::take(&mut self.changed) {
            let standing = self.standing.get(&key);
            let stands = standing.and_then(|s| Some((s.level()?, s.since()?)));
            let told = self.open.get(&key).cloned();
            match (told, stands) {
                (None, None) => {}
                (None, Some((level, since))) => {
                    let over = self.over.get(&(key, since));
                    let open = Open {
                        key,
                        level,
                        since,
                        times: over.map_or(0, |over| over.times) + 1,
                    };
                    let step = match level {
                        Level::Raised => Step::Raised,
                        Level::Escalated => Step::Escalated,
                    };
                    alerts.push(self.message(&open, step, wheels));
                    self.open.insert(key, open);
                }
                // A situation that eases without ending stays as bad as people were told.
                (Some(open), Some((level, _))) => {
                    if level > open.level {
                        let open = Open { level, ..open };
                        alerts.push(self.message(&open, Step::Escalated, wheels));
                        self.open.insert(key, open);
                    }
                }
                (Some(open), None) => {
                    alerts.push(self.message(&open, Step::Cleared, wheels));
                    self.open.remove(&key);
                    self.remember(&open, now);
                }
            }
            if stands.is_none() {
                self.standing.remove(&key);
            }
        }
        self.unstored |= !alerts.is_empty();
        alerts
    }

    /// That it is over, for as long as anybody remembers that it was told.
    fn remember(&mut self, open: &Open, now: DateTime<Utc>) {
        let day = |at: DateTime<Utc>| at.timestamp().div_euclid(86_400);
        let until = day(now + REMEMBERED);
        for over in self.over.values_mut() {
            over.until.get_or_insert(until);
        }
        self.over
            .retain(|_, over| over.until.is_none_or(|until| day(now) <= until));
        let Open {
            key, since, times, ..
        } = *open;
        let until = Some(until);
        self.over.insert(
            (key, since),
            Over {
                key,
                since,
                times,
                until,
            },
        );
    }

    fn message(&self, open: &Open, step: Step, wheels: &Wheels) -> Alert {
        let (situation, subject) = open.key;
        let standing = self.standing.get(&open.key);
        let slots = standing.iter().flat_map(|s| s.wheels.keys());
        let mut wheels: Vec<WheelId> = slots.map(|slot| wheels.id(*slot)).collect();
        wheels.sort_unstable();
        let detail = standing
            .and_then(|s| s.other.as_ref())
            .map(|other| other.words.as_str());
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
            alert: open.name(),
            step,
            severity,
            situation,
            subject,
            text,
            wheel_count: wheels.len(),
            wheels: wheels.into_iter().take(NAMED).collect(),
            since: open.since,
        }
    }
}

/// Between a situation's name and how often it was raised, if more than once.
const AGAIN: &str = "-again-";

/// `NotTurned-stillage-S07-1772517600`: fit for a header and a subject token. The same
/// facts, looked at whenever and by whomever, give the same name.
fn name((situation, subject): Key, since: DateTime<Utc>, times: u32) -> String {
    let kind = format!("{situation:?}");
    let place = subject.to_string().replace(' ', "-");
    let plain = format!("{kind}-{place}-{}", since.timestamp());
    match times {
        0 | 1 => plain,
        times => format!("{plain}{AGAIN}{times}"),
    }
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
            since: wheel.chronicle.first().map_or(now, |first| first.at),
        });
    }
    for asked in &wheel.actions {
        let window = asked.window;
        let urgency = window.urgency(now);
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
        // From when on it is told at all, whatever it has become by now.
        let since = match asked.action {
            Action::Turn | Action::RubUp | Action::Find => window.due,
            Action::Review
            | Action::Decide
            | Action::Weigh
            | Action::LookForMetal
            | Action::RindCheck => window.earliest,
            _ => window.latest,
        };
        if let Some(level) = level {
            told.push(Told {
                key: (situation, subject),
                level,
                since,
            });
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

stored_enum!(Subject {
    0 = Stillage(id),
    1 = Stack(id),
    2 = Wheel(id),
    3 = Room(id),
    4 = Tool(id),
    5 = Station(id),
    6 = Batch(id),
});

stored_enum!(Level {
    0 = Raised,
    1 = Escalated,
});

stored_struct!(Open { key, level, since via instant, times });
stored_struct!(Over { key, since via instant, times, until });

#[cfg(test)]
mod tests {
    use super::*;

    fn at(second: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_772_517_600 + second, 0).unwrap()
    }

    #[test]
    fn no_two_messages_of_a_situation_that_comes_and_goes_have_one_name() {
        let key = (
            Situation::FactsMissing,
            Subject::Station("S1".parse().unwrap()),
        );
        let (mut board, wheels) = (Board::default(), Wheels::default());
        let mut told = Vec::new();
        // Corrections bring back what stood before, and what stood before that.
        for since in [0, 60, 0, 60, 60, 0] {
            for now in [Some(since), None] {
                let trouble = now.map(|since| Trouble {
                    level: Level::Raised,
                    since: at(since),
                    words: String::new(),
                });
                board.other(key, trouble);
                told.extend(board.tell(at(100), &wheels));
            }
            // A restart remembers it, and so does whoever reads back what was told.
            let (open, over) = (board.open().cloned(), board.over().cloned());
            let stored: (Vec<_>, Vec<_>) = (open.collect(), over.collect());
            let mut recalled = recall(&told);
            for over in &mut recalled.1 {
                over.until = stored.1.first().and_then(|over| over.until);
            }
            assert_eq!(recalled, stored);
            board = Board::default();
            board.restore(stored.0, stored.1);
        }
        let ids: BTreeSet<String> = told.iter().map(Alert::id).collect();
        assert_eq!((told.len(), ids.len()), (12, 12), "{ids:?}");
    }
}
