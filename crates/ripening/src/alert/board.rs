//! Every situation as it stands, and what has to be told of it.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, TimeDelta, Utc};
use facts::WheelId;

use super::told::Name;
use super::{Alert, Key, Level, Open, Over, Situation, Step, Subject, Told};
use crate::wheels::{Slot, Wheels};
use crate::{Severity, State};

/// How many wheels a message names one by one.
const NAMED: usize = 50;

/// How long it is remembered that a situation was over: longer than anybody who delivers
/// messages remembers them.
const REMEMBERED: TimeDelta = TimeDelta::days(60);

/// A situation as it is now.
#[derive(Debug, Clone, Default)]
struct Standing {
    wheels: BTreeMap<Slot, (Level, DateTime<Utc>)>,
    /// How many of the wheels are at the worse level.
    escalated: usize,
    /// For what is not about single wheels.
    other: Option<Trouble>,
    /// What became of the wheels that have left it.
    left: Left,
}

/// What became of the wheels that have left a situation, as far as this run has seen.
#[derive(Debug, Clone, Default)]
struct Left {
    /// Somebody has done what was to be done.
    done: bool,
    /// The same trouble goes on for them under these.
    under: BTreeSet<Subject>,
    /// Neither: it was corrected, they are gone, or it is not asked for any more.
    otherwise: bool,
}

impl Left {
    /// A wheel's part is replaced: notes what became of it, if it has none any more.
    fn note(&mut self, told: &Told, state: &State, after: &[Told]) {
        let (situation, subject) = told.key;
        let mut goes_on = after.iter().filter(|now| now.key.0 == situation).peekable();
        if goes_on.peek().is_some() {
            let elsewhere = goes_on.map(|now| now.key.1);
            self.under.extend(elsewhere.filter(|now| *now != subject));
            return;
        }
        let done = situation.done(state).and_then(|(_, at)| at);
        if done > told.done {
            self.done = true;
        } else {
            self.otherwise = true;
        }
    }

    /// That it is over: that work was done only if it was, and that it goes on only where it
    /// `stands`.
    fn words(&self, situation: Situation, done: &str, stands: impl Fn(&Subject) -> bool) -> String {
        let over = situation.words_when_over();
        let under: Vec<&Subject> = self.under.iter().filter(|of| stands(of)).collect();
        if under.is_empty() {
            // What became of it where it went on is told under that.
            let otherwise = self.otherwise || !self.under.is_empty();
            return match (self.done, otherwise) {
                (true, false) => done.to_owned(),
                (true, true) => format!("{done}, or {over}"),
                (false, _) => over.to_owned(),
            };
        }
        let under: Vec<String> = under.iter().map(ToString::to_string).collect();
        let under = under.join(", ");
        match (self.done, self.otherwise) {
            (false, false) => format!("goes on under {under}"),
            (true, false) => format!("partly {done}; the rest goes on under {under}"),
            (false, true) => format!("partly {over}; the rest goes on under {under}"),
            (true, true) => format!("partly {done} or {over}; the rest goes on under {under}"),
        }
    }
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
    /// The day on which what was over for long was last forgotten.
    tidied: Option<i64>,
}

impl Board {
    /// Whether what people know has changed since this was last asked.
    pub(crate) fn take_unstored(&mut self) -> bool {
        std::mem::take(&mut self.unstored)
    }

    pub(crate) fn restore(&mut self, open: Vec<Open>, over: Vec<Over>) {
        self.unstored = true;
        self.tidied = None;
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

    /// Whether any situation that is not about single wheels concerns one: what is about a wheel
    /// itself, whoever derived it knows.
    pub(crate) fn names(&self, wheel: Slot) -> bool {
        let mut all = self.standing.values();
        all.any(|standing| standing.other.is_some() && standing.wheels.contains_key(&wheel))
    }

    /// Forgets a situation that has ended before anybody heard of it. While a long log is read
    /// nobody hears of anything, and nearly all that ever was has ended.
    fn drop_unheard(&mut self, key: &Key) {
        let stands = |standing: &Standing| standing.level().is_some();
        if !self.open.contains_key(key) && !self.standing.get(key).is_some_and(stands) {
            self.standing.remove(key);
            self.changed.remove(key);
        }
    }

    /// Replaces a wheel's part in all situations; `state`: what is known of it now.
    pub(crate) fn wheel(&mut self, wheel: Slot, state: &State, before: &[Told], after: &[Told]) {
        for told in before {
            if let Some(standing) = self.standing.get_mut(&told.key) {
                standing.leaves(wheel);
                standing.left.note(told, state, after);
            }
            self.changed.insert(told.key);
        }
        for told in after {
            let standing = self.standing.entry(told.key).or_default();
            standing.joins(wheel, told.level, told.since);
            self.changed.insert(told.key);
        }
        for told in before {
            self.drop_unheard(&told.key);
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
        self.drop_unheard(&key);
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
        if self.tidied.replace(day(now)) != Some(day(now)) {
            for over in self.over.values_mut() {
                over.until.get_or_insert(until);
            }
            self.over
                .retain(|_, over| over.until.is_none_or(|until| day(now) <= until));
        }
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
        let mut wheels: Vec<WheelId> = slots.filter_map(|slot| wheels.id(*slot)).collect();
        wheels.sort_unstable();
        let detail = standing
            .and_then(|s| s.other.as_ref())
            .map(|other| other.words.as_str());
        let words = match step {
            Step::Raised => situation.words().to_owned(),
            Step::Escalated => situation.words_when_worse().to_owned(),
            Step::Cleared => {
                let left = standing.map(|standing| standing.left.clone());
                let done = situation.done(&State::default());
                match (done, left) {
                    (Some((done, _)), Some(left)) => left.words(situation, done, |subject| {
                        let there = self.standing.get(&(situation, *subject));
                        there.is_some_and(|there| there.level().is_some())
                    }),
                    _ => situation.words_when_over().to_owned(),
                }
            }
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

#[cfg(test)]
mod tests {
    use super::super::recall;
    use super::*;

    fn at(second: i64) -> DateTime<Utc> {
        DateTime::from_timestamp(1_772_517_600 + second, 0).unwrap()
    }

    /// A worker that reads years of a log tells nobody of what came and went in them.
    #[test]
    fn what_ended_before_anybody_heard_of_it_leaves_nothing_behind() {
        let (mut board, mut wheels) = (Board::default(), Wheels::default());
        let told = |n: u32| Told {
            key: (
                Situation::NotTurned,
                Subject::Wheel(format!("318-{n}").parse().unwrap()),
            ),
            level: Level::Raised,
            since: at(0),
            done: None,
        };
        let state = State::default();
        for n in 0..100 {
            let slot = wheels.slot_or_new(format!("318-{n}").parse().unwrap());
            board.wheel(slot, &state, &[], &[told(n)]);
            board.wheel(slot, &state, &[told(n)], &[]);
            let tool = (
                Situation::CheckFailed,
                Subject::Tool("PM1".parse().unwrap()),
            );
            let trouble = Trouble {
                level: Level::Raised,
                since: at(0),
                words: String::new(),
            };
            board.other_with(tool, Some(trouble), &[slot]);
            assert!(board.names(slot));
            board.other(tool, None);
            assert!(!board.names(slot));
        }
        assert!(board.standing.is_empty() && board.changed.is_empty());
        // Of what people heard they hear that it is over.
        let slot = wheels.slot_or_new("318-1".parse().unwrap());
        board.wheel(slot, &state, &[], &[told(1)]);
        assert_eq!(board.tell(at(1), &wheels).len(), 1);
        board.wheel(slot, &state, &[told(1)], &[]);
        assert_eq!(board.tell(at(2), &wheels)[0].step, Step::Cleared);
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
