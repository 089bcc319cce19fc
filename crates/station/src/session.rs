//! One station's conversation: scans and weights in, answers and drafts out.
//!
//! An action card sets what the next scans mean and stays until another is scanned;
//! what an action needs (batch, room, stillage, machine, order) stays as long. Each group
//! of actions has its own file.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Duration, Utc};
use facts::{Draft, Event, Fact, FactId, PersonId, RecipeId, RoomId, StationId, Voided};
use holds::Rule;
use metrology::Settled;
use quantity::DairyClock;

use crate::answer::{Answer, Level, Outcome};
use crate::check_weight::CheckWeight;
use crate::code::{Action, Code, Line};
use crate::floor::{Floor, Step};
use crate::leaving::Leaving;
use crate::needles::Needles;
use crate::placement::Placement;
use crate::portion::Portion;
use crate::reading::Reading;
use crate::scale::{self, Scale};
use crate::things::Things;
use crate::vat::Vat;

/// A scan from further ahead than this means that a clock is wrong.
const AHEAD: Duration = Duration::minutes(2);
/// A scan older than this was kept in a handheld: what it states has happened already.
const LIVE: Duration = Duration::minutes(2);
/// And so does one that was kept for longer than this.
const KEPT: Duration = Duration::days(7);
/// Records that UNDO can reach back to.
const UNDOABLE: usize = 50;

/// What a station knows of its site.
#[derive(Debug, Clone)]
pub struct Setup {
    /// The site's clock: "today" in answers is its dairy day.
    pub clock: DairyClock,
    /// The newest version of every recipe.
    pub recipes: BTreeMap<RecipeId, u32>,
    /// What the site says about holds.
    pub holds: Rule,
    /// The site's rooms.
    pub rooms: BTreeSet<RoomId>,
    /// The scale beside the station, if there is one.
    pub scale: Option<Scale>,
}

/// One station's conversation with whoever stands before it.
#[derive(Debug, Clone)]
pub struct Session {
    station: StationId,
    setup: Setup,
    person: Option<PersonId>,
    work: Work,
    /// What the last outcome with drafts did, until [`Session::recorded`] takes it up.
    doing: String,
    done: Vec<Done>,
    holds_current: bool,
}

/// A record that UNDO can take back.
#[derive(Debug, Clone)]
struct Done {
    facts: Vec<FactId>,
    words: String,
}

/// The action under way, with what was scanned for it.
#[derive(Debug, Clone)]
enum Work {
    None,
    Vat(Vat),
    Portion(Portion),
    Things(Things),
    Reading(Reading),
    Needles(Needles),
    CheckWeight(CheckWeight),
}

impl Session {
    /// A conversation in which nothing was scanned yet.
    #[must_use]
    pub const fn new(station: StationId, setup: Setup) -> Self {
        Self {
            station,
            setup,
            person: None,
            work: Work::None,
            doing: String::new(),
            done: Vec::new(),
            holds_current: true,
        }
    }

    /// Whether the next scan may let wheels leave, so that every hold must be known first.
    #[must_use]
    pub fn checks_holds(&self) -> bool {
        self.work.action() == Some(Action::Dispatch)
    }

    /// Says whether every hold set at other stations is known. While they are not,
    /// nothing may be dispatched.
    pub const fn holds_current(&mut self, current: bool) {
        self.holds_current = current;
    }

    /// What a line would let leave now, were it scanned; `None` when nothing, or when it left
    /// while a handheld kept the scan.
    #[must_use]
    pub fn would_leave(
        &self,
        placement: &Placement,
        line: &str,
        now: DateTime<Utc>,
    ) -> Option<Leaving> {
        let at = Line::read(line).ok()?.kept_since.unwrap_or(now);
        if !self.checks_holds() || now.signed_duration_since(at) > LIVE {
            return None;
        }
        Leaving::of(&self.clone().scan(placement, line, now))
    }

    /// The action under way.
    #[must_use]
    pub const fn action(&self) -> Option<Action> {
        self.work.action()
    }

    /// Says who stands here, where something other than a scanned badge tells.
    pub const fn identify(&mut self, person: PersonId) {
        self.person = Some(person);
    }

    /// Takes one scanned line. Record the outcome's drafts before giving its answer,
    /// and hand the facts to [`Session::recorded`].
    pub fn scan(&mut self, placement: &Placement, line: &str, now: DateTime<Utc>) -> Outcome {
        let line = match Line::read(line) {
            Ok(line) => line,
            Err(misread) => {
                return Outcome {
                    answer: Answer::new(Level::Wrong, misread.to_string()),
                    drafts: Vec::new(),
                };
            }
        };
        let claimed = line.kept_since.unwrap_or(now);
        // Nothing can have been scanned after it was received.
        let at = claimed.min(now);
        let step = match line.code {
            Code::Person(person) => {
                self.person = Some(person);
                Step::next(format!("badge {person}: {}", self.expected()))
            }
            Code::Action(Action::Undo) => self.undo(),
            Code::Action(action) => self.begin(action, placement, at),
            code => {
                let kept = now.signed_duration_since(at) > LIVE;
                let (work, floor) = self.floor(placement, at, kept);
                work.take(code, &floor)
            }
        };
        let mut outcome = self.outcome(step, claimed);
        if let Some(warning) = self.clock_warning(claimed, now) {
            outcome.answer.words = format!("{}. {warning}", outcome.answer.words);
            if outcome.answer.level == Level::Ok {
                outcome.answer.level = Level::Wrong;
            }
        }
        outcome
    }

    /// Takes a settled weight from the station's scale.
    pub fn weight(
        &mut self,
        placement: &Placement,
        weight: impl Into<Settled>,
        now: DateTime<Utc>,
    ) -> Outcome {
        let (work, floor) = self.floor(placement, now, false);
        let step = work.weigh(weight.into(), &floor);
        self.outcome(step, now)
    }

    /// Takes up the facts that the last outcome's drafts became, for UNDO.
    pub fn recorded(&mut self, facts: &[Fact]) {
        if facts.is_empty() {
            return;
        }
        if facts.iter().all(|f| matches!(f.event, Event::Voided(_))) {
            self.done.pop();
            return;
        }
        if self.done.len() == UNDOABLE {
            self.done.remove(0);
        }
        self.done.push(Done {
            facts: facts.iter().map(|f| f.id).collect(),
            words: std::mem::take(&mut self.doing),
        });
    }

    fn floor<'a>(
        &'a mut self,
        placement: &'a Placement,
        at: DateTime<Utc>,
        kept: bool,
    ) -> (&'a mut Work, Floor<'a>) {
        let floor = Floor {
            placement,
            setup: &self.setup,
            station: self.station,
            person: self.person,
            at,
            kept,
            holds_current: self.holds_current,
        };
        (&mut self.work, floor)
    }

    fn begin(&mut self, action: Action, placement: &Placement, at: DateTime<Utc>) -> Step {
        let weighs = matches!(action, Action::Portion | Action::Weigh);
        if (weighs || action == Action::CheckWeight) && self.setup.scale.is_none() {
            return Step::wrong(format!(
                "{action} needs a scale: go to a station with one. Nothing recorded"
            ));
        }
        let left_open = self.work.left_open();
        self.work = Work::new(action);
        let words = format!("{action}: {}", action.ask());
        let (_, floor) = self.floor(placement, at, false);
        let blocked = scale::blocked(&floor).filter(|_| weighs);
        let words = match &blocked {
            Some(why) => format!("{action}: {why}"),
            None => words,
        };
        match left_open {
            Some(what) => Step::wrong(format!("{what} was not recorded. {words}")),
            None if blocked.is_some() => Step::wrong(words),
            None => Step::next(words),
        }
    }

    fn expected(&self) -> String {
        match self.work.action() {
            Some(action) => format!("{action}, {}", action.ask()),
            None => "scan an action card".into(),
        }
    }

    fn undo(&self) -> Step {
        let Some(last) = self.done.last() else {
            return Step::wrong("nothing to undo here: tell the office what is wrong");
        };
        let void = |fact: &FactId| {
            Event::from(Voided {
                fact: *fact,
                reason: format!("undone at station {}", self.station),
            })
        };
        Step::ok(
            format!("undone: {}", last.words),
            last.facts.iter().map(void).collect(),
        )
    }

    fn outcome(&mut self, step: Step, at: DateTime<Utc>) -> Outcome {
        if !step.events.is_empty() {
            self.doing = step.did;
        }
        let draft = |event| Draft {
            occurred_at: at,
            person: self.person,
            event,
        };
        Outcome {
            answer: step.answer,
            drafts: step.events.into_iter().map(draft).collect(),
        }
    }

    fn clock_warning(&self, at: DateTime<Utc>, now: DateTime<Utc>) -> Option<String> {
        let ahead = at.signed_duration_since(now);
        if ahead > AHEAD {
            let minutes = ahead.num_minutes();
            Some(format!(
                "Taken as scanned now: this scanner's clock is {minutes} min ahead, set it"
            ))
        } else if -ahead > KEPT {
            let local = self.setup.clock.local(at);
            Some(format!("This scanner's clock says {local}: set it"))
        } else {
            None
        }
    }
}

impl Work {
    fn new(action: Action) -> Self {
        match action {
            Action::Vat => Self::Vat(Vat::default()),
            Action::Portion => Self::Portion(Portion::default()),
            Action::Needles => Self::Needles(Needles::default()),
            Action::CheckWeight => Self::CheckWeight(CheckWeight::default()),
            Action::Rind | Action::Iron | Action::Grade | Action::Weigh => {
                Self::Reading(Reading::new(action))
            }
            Action::Undo => Self::None,
            Action::Turn
            | Action::Unhoop
            | Action::RubUp
            | Action::Load
            | Action::Move
            | Action::Pierce
            | Action::Hold
            | Action::Release
            | Action::Return
            | Action::Dispatch
            | Action::Discard => Self::Things(Things::new(action)),
        }
    }

    const fn action(&self) -> Option<Action> {
        match self {
            Self::None => None,
            Self::Vat(_) => Some(Action::Vat),
            Self::Portion(_) => Some(Action::Portion),
            Self::Things(things) => Some(things.action()),
            Self::Reading(reading) => Some(reading.action()),
            Self::Needles(_) => Some(Action::Needles),
            Self::CheckWeight(_) => Some(Action::CheckWeight),
        }
    }

    fn take(&mut self, code: Code, floor: &Floor<'_>) -> Step {
        match self {
            Self::None => Step::wrong(format!(
                "{code}, but no action yet: scan an action card such as TURN, then scan this again"
            )),
            Self::Vat(work) => work.take(code, floor),
            Self::Portion(work) => work.take(code, floor),
            Self::Things(work) => work.take(code, floor),
            Self::Reading(work) => work.take(code, floor),
            Self::Needles(work) => work.take(code),
            Self::CheckWeight(work) => work.take(code, floor),
        }
    }

    fn weigh(&mut self, shown: Settled, floor: &Floor<'_>) -> Step {
        let weight = shown.weight;
        let weighs = matches!(self.action(), Some(Action::Portion | Action::Weigh));
        if let Some(why) = scale::blocked(floor).filter(|_| weighs) {
            return Step::wrong(format!("{weight} not recorded: {why}"));
        }
        match self {
            Self::Portion(work) => work.weigh(shown, floor),
            Self::Reading(work) => work.weigh(shown, floor),
            Self::CheckWeight(work) => work.weigh(weight, floor),
            _ => Step::wrong(format!(
                "{weight}, but nothing asked for a weight: scan PORTION or WEIGH, then weigh again"
            )),
        }
    }

    /// What was begun and would be lost with another action.
    fn left_open(&self) -> Option<String> {
        match self {
            Self::None | Self::Things(_) => None,
            Self::Vat(work) => work.left_open(),
            Self::Portion(work) => work.left_open(),
            Self::Reading(work) => work.left_open(),
            Self::Needles(work) => work.left_open(),
            Self::CheckWeight(work) => work.left_open(),
        }
    }
}
