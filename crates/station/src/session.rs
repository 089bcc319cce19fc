//! One client's conversation with a station: scans and weights in, answers and drafts out.
//!
//! An action card sets what the next scans mean and stays until another is scanned or refused;
//! what an action needs (batch, room, stillage, machine, order) stays as long. Each group
//! of actions has its own file. Every way in, a raw scanner port or a signed-in browser, online
//! or offline, comes through [`Session::scan`]: the same scan has the same verdict everywhere.

use std::collections::{BTreeMap, BTreeSet};

use authority::Proof;
use authority::people::{
    Refused, Role, TakenBack, kind_taken_back, may_correct, may_state_all, may_state_kind,
};
use chrono::{DateTime, Utc};
use facts::{
    Draft, Event, Fact, Grade, MarketId, PersonId, RecipeId, RoomId, StationId, ToolId, WheelId,
};
use holds::Rule;
use metrology::Settled;
use quantity::DairyClock;

use crate::answer::{Answer, Level, Outcome};
use crate::check_weight::CheckWeight;
use crate::code::{Action, Code, Line, Misread};
use crate::floor::{Floor, Step};
use crate::needles::Needles;
use crate::placement::Placement;
use crate::portion::Portion;
use crate::reading::Reading;
use crate::scale::{self, Scale};
use crate::scan::{Claim, Kept, Made, Reach, Scan};
use crate::things::Things;
use crate::undo::Done;
use crate::vat::Vat;

/// What a station knows of its site.
#[derive(Debug, Clone)]
pub struct Setup {
    /// The site's clock: "today" in answers is its dairy day.
    pub clock: DairyClock,
    /// The newest version of every recipe.
    pub recipes: BTreeMap<RecipeId, u32>,
    /// What the site says about holds.
    pub holds: Rule,
    /// The site's rooms, and how many places each has: `P01`, `P02` …
    pub rooms: BTreeMap<RoomId, u32>,
    /// The badges of those who work here, a raw scanner port takes no other; with their roles,
    /// where the site lists roles.
    pub people: BTreeMap<PersonId, Option<Role>>,
    /// The piercing machines that the site lists; none: any is taken.
    pub machines: BTreeSet<ToolId>,
    /// The irons that it lists; none: any is taken.
    pub irons: BTreeSet<ToolId>,
    /// The age in days from which the law of each market lets a wheel of a recipe leave.
    pub youngest: BTreeMap<RecipeId, BTreeMap<MarketId, i64>>,
    /// Whether the site has a dispatch desk, which must be asked before wheels leave.
    pub dispatch_desk: bool,
    /// The scale beside the station, if there is one.
    pub scale: Option<Scale>,
}

/// One client's conversation with a station.
#[derive(Debug, Clone)]
pub struct Session {
    station: StationId,
    setup: Setup,
    stands: Stands,
    /// The role of whoever was signed in at the last scan.
    role: Option<Role>,
    work: Work,
    /// What was said of the last outcome with drafts, until [`Session::recorded`] takes it up.
    doing: String,
    done: Done,
    /// Whether the person has heard that the device's clock is wrong.
    told_of_drift: bool,
}

/// Who stands there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Stands {
    /// Nobody has said.
    Nobody,
    /// Someone known.
    Person(PersonId),
    /// Somebody with this badge, who is not known or has not typed their PIN: nothing is
    /// recorded, least of all in the name of who stood there before.
    Awaits(PersonId),
}

/// The action under way, with what was scanned for it.
#[derive(Debug, Clone)]
#[allow(clippy::large_enum_variant)] // one a session: boxing it would save nothing
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
    pub fn new(station: StationId, setup: Setup) -> Self {
        Self {
            station,
            setup,
            stands: Stands::Nobody,
            role: None,
            work: Work::None,
            doing: String::new(),
            done: Done::default(),
            told_of_drift: false,
        }
    }

    /// Whether the next scan may let wheels leave or end a hold, so that everything that the
    /// broker has must be known first.
    #[must_use]
    pub fn lets_leave(&self) -> bool {
        matches!(self.work.action(), Some(Action::Dispatch | Action::Release))
    }

    /// The action under way.
    #[must_use]
    pub const fn action(&self) -> Option<Action> {
        self.work.action()
    }

    /// Leaves no action set: what was to be set in its place is refused, and the next scans
    /// must not be taken under the one before.
    pub fn disarm(&mut self) {
        self.work = Work::None;
    }

    /// Whether the action under way takes weights.
    #[must_use]
    pub fn weighs(&self) -> bool {
        self.action().is_some_and(Action::weighs)
    }

    /// Takes one scanned line. Where the outcome asks the dispatch desk, nothing has changed:
    /// ask, and take the same scan again with what it said. Else record the outcome's drafts
    /// before giving its answer, and hand the facts to [`Session::recorded`].
    pub fn scan(&mut self, placement: &Placement, scan: &Scan<'_>) -> Outcome {
        let line = match Line::read(scan.line) {
            Ok(line) => line,
            Err(misread) => {
                // What was to be set in its place is not: the next scans must not be taken
                // under what was set before. An order, a hold or a badge that does not read
                // would else leave the one before it in force, where nobody at a station
                // takes back what follows.
                let decides = |action: Action| {
                    let topic = action.topic();
                    topic.is_some_and(|topic| kind_taken_back(topic) != TakenBack::ByOwner)
                };
                let again = match misread {
                    Misread::Empty => "",
                    Misread::Action(_) => {
                        self.disarm();
                        ""
                    }
                    _ if self.action().is_some_and(decides) => {
                        self.disarm();
                        ". Nothing is set any more: scan the action card again"
                    }
                    _ => "",
                };
                return Outcome::of(Answer::new(Level::Wrong, format!("{misread}{again}")));
            }
        };
        let stamped = line.kept_since.map(|at| Claim {
            at,
            kept: Kept::Unshown,
        });
        let claim = scan.claim.or(stamped);
        let made = Made::of(claim, scan.received);
        let mut step = self.step(line.code, placement, scan, &made);
        if let Some(wheel) = self.rejected(placement, &step) {
            self.disarm();
            step = Step::wrong(format!(
                "{wheel} was graded REJECT, which keeps people safe: only a signed-in manager grades it otherwise, at a browser station. Nothing recorded"
            ));
        }
        if step.asks.is_some() {
            return Outcome {
                asks: step.asks,
                ..Outcome::of(step.answer)
            };
        }
        let mut outcome = self.outcome(step, &made);
        match made.drift {
            Some(drift) => {
                let words = drift.words(self.setup.clock);
                let answer = &mut outcome.answer;
                answer.words = format!("{}. {words}. It counts as scanned now", answer.words);
                // Whoever hears that a wheel that left did not might put it back.
                let leaves = |draft: &Draft| matches!(draft.event, Event::WheelDispatched(_));
                let left = outcome.drafts.iter().any(leaves);
                if answer.level == Level::Ok && !self.told_of_drift && !left {
                    answer.level = Level::Wrong;
                }
                self.told_of_drift = true;
            }
            None if claim.is_some() => self.told_of_drift = false,
            None => {}
        }
        outcome
    }

    /// A wheel that was graded REJECT and would be graded otherwise by somebody who may not take
    /// that back.
    fn rejected(&self, placement: &Placement, step: &Step) -> Option<WheelId> {
        let corrects = may_correct(self.proof()).is_ok();
        let graded = step.events.iter().filter_map(|event| match event {
            Event::WheelGraded(graded) if graded.grade != Grade::Reject => Some(&graded.wheels),
            _ => None,
        });
        let mut wheels = graded.flatten().copied().filter(|_| !corrects);
        wheels.find(|wheel| {
            let standing = placement.standing(*wheel);
            standing.is_some_and(|standing| standing.grade == Some(Grade::Reject))
        })
    }

    /// Takes a settled weight from the station's scale.
    pub fn weight(
        &mut self,
        placement: &Placement,
        weight: impl Into<Settled>,
        now: DateTime<Utc>,
    ) -> Outcome {
        let made = Made::of(None, now);
        let (work, floor) = self.floor(placement, &Scan::new("", now), &made);
        let step = work.weigh(weight.into(), &floor);
        let step = self.allowed(step);
        self.outcome(step, &made)
    }

    /// Takes up the facts that the last outcome's drafts became, for UNDO.
    pub fn recorded(&mut self, facts: &[Fact]) {
        if !facts.is_empty() {
            self.done.take(facts, std::mem::take(&mut self.doing));
        }
    }

    fn step(&mut self, code: Code, placement: &Placement, scan: &Scan<'_>, made: &Made) -> Step {
        self.role = scan.signed_in.map(|signed_in| signed_in.role);
        if let Code::Person(badge) = code {
            return self.badge(badge, scan);
        }
        if let Some(refused) = self.stranger(scan) {
            return refused;
        }
        match code {
            Code::Action(Action::Undo) => {
                let person = self.person();
                let floor = (placement, &self.setup.holds);
                self.done
                    .undo(self.station, person, made.at, scan.received, floor)
            }
            Code::Action(action) => self.begin(action, placement, scan, made),
            code => {
                let (work, floor) = self.floor(placement, scan, made);
                let step = work.take(code, &floor);
                self.allowed(step)
            }
        }
    }

    /// Someone shows their badge. Where people sign in, it names who must type their PIN.
    fn badge(&mut self, badge: PersonId, scan: &Scan<'_>) -> Step {
        let known = match scan.signed_in {
            Some(signed_in) => signed_in.person == badge,
            None => self.setup.people.contains_key(&badge),
        };
        if known {
            self.comes(badge);
            return Step::next(format!("badge {badge}: {}", self.expected()));
        }
        self.stands = Stands::Awaits(badge);
        self.work = Work::None;
        self.awaits(badge)
    }

    /// Whoever stands there now; what another person armed never acts for them.
    fn comes(&mut self, person: PersonId) {
        if self.person().is_some_and(|before| before != person) {
            self.work = Work::None;
        }
        self.stands = Stands::Person(person);
    }

    /// Why nothing is taken from whoever stands there, if they are not known.
    fn stranger(&mut self, scan: &Scan<'_>) -> Option<Step> {
        match (self.stands, scan.signed_in) {
            (Stands::Awaits(badge), Some(signed_in)) if signed_in.person != badge => {
                Some(self.awaits(badge))
            }
            (Stands::Awaits(badge), None) => Some(self.awaits(badge)),
            (_, Some(signed_in)) => {
                self.comes(signed_in.person);
                None
            }
            (Stands::Nobody | Stands::Person(_), None) => None,
        }
    }

    fn awaits(&self, badge: PersonId) -> Step {
        match self.role {
            Some(_) => Step::next(format!("badge {badge}: type its PIN")),
            None => Step::wrong(format!(
                "badge {badge} is not known here: nothing recorded. Scan your own badge, or have it added under [people] in the site file"
            )),
        }
    }

    /// How it is known who stands there.
    fn proof(&self) -> Proof {
        match (self.role, self.stands) {
            (Some(role), _) => Proof::SignedIn(role),
            (None, Stands::Person(badge)) => {
                Proof::Badge(self.setup.people.get(&badge).copied().flatten())
            }
            (None, Stands::Nobody | Stands::Awaits(_)) => Proof::Nobody,
        }
    }

    /// Where badges are named, nothing is recorded by nobody.
    fn named(&self, may: Result<(), Refused>) -> Result<(), Refused> {
        may?;
        match self.proof() {
            Proof::Nobody if !self.setup.people.is_empty() => Err(Refused::Badge),
            _ => Ok(()),
        }
    }

    const fn person(&self) -> Option<PersonId> {
        match self.stands {
            Stands::Person(person) => Some(person),
            Stands::Nobody | Stands::Awaits(_) => None,
        }
    }

    fn floor<'a>(
        &'a mut self,
        placement: &'a Placement,
        scan: &Scan<'a>,
        made: &Made,
    ) -> (&'a mut Work, Floor<'a>) {
        let floor = Floor {
            placement,
            person: self.person(),
            setup: &self.setup,
            station: self.station,
            proof: self.proof(),
            at: made.at,
            kept: made.kept,
            reach: scan.reach,
            asked: scan.asked,
        };
        (&mut self.work, floor)
    }

    /// Arms an action, or refuses it; then nothing is armed.
    fn begin(
        &mut self,
        action: Action,
        placement: &Placement,
        scan: &Scan<'_>,
        made: &Made,
    ) -> Step {
        let left_open = self.work.left_open();
        self.work = Work::None;
        let mut step = match self.refuses(action, scan, made) {
            Some(refused) => refused,
            None => {
                self.work = Work::new(action);
                let (_, floor) = self.floor(placement, scan, made);
                match scale::blocked(&floor).filter(|_| action.weighs_cheese()) {
                    Some(why) => Step::wrong(format!("{action}: {why}")),
                    None => Step::next(format!("{action}: {}", action.ask())),
                }
            }
        };
        if let Some(what) = left_open {
            step.answer.words = format!("{what} was not recorded. {}", step.answer.words);
            if step.answer.level == Level::Next {
                step.answer.level = Level::Wrong;
            }
        }
        step
    }

    /// Why an action card is refused here, now, to this person.
    fn refuses(&self, action: Action, scan: &Scan<'_>, made: &Made) -> Option<Step> {
        if let Some(topic) = action.topic()
            && let Err(refused) = self.named(may_state_kind(topic, self.proof()))
        {
            return Some(Step::wrong(format!("{action} {refused}")));
        }
        if action.weighs() && self.setup.scale.is_none() {
            return Some(Step::wrong(format!(
                "{action} needs a scale: go to a station with one. Nothing recorded"
            )));
        }
        if made.kept && matches!(action, Action::Dispatch | Action::Release) {
            return Some(kept_too_long(action));
        }
        (action == Action::Dispatch && scan.reach == Reach::Away).then(|| {
            Step::stop(
                "DISPATCH needs the broker, which is away: holds cannot be checked, nothing may leave. Wait until it is back, then scan DISPATCH again",
                Vec::new(),
            )
        })
    }

    /// Refuses what this person may not state; then nothing is armed.
    fn allowed(&mut self, step: Step) -> Step {
        if step.events.is_empty() {
            return step;
        }
        if let Some(nonsense) = step.events.iter().find_map(|e| e.makes_sense().err()) {
            return Step::wrong(nonsense.to_string());
        }
        let Err(refused) = self.named(may_state_all(&step.events, self.proof())) else {
            return step;
        };
        let action = self.work.action().map_or("this", Action::name);
        self.work = Work::None;
        Step::wrong(format!("{action} {refused}. Nothing recorded"))
    }

    fn expected(&self) -> String {
        match self.work.action() {
            Some(action) => format!("{action}, {}", action.ask()),
            None => "scan an action card".into(),
        }
    }

    fn outcome(&mut self, step: Step, made: &Made) -> Outcome {
        if !step.events.is_empty() {
            self.doing.clone_from(&step.answer.words);
        }
        let person = self.person();
        let draft = |event| Draft {
            occurred_at: made.at,
            claimed_at: made.unbelieved,
            person,
            event,
        };
        Outcome {
            drafts: step.events.into_iter().map(draft).collect(),
            ..Outcome::of(step.answer)
        }
    }
}

/// What lets wheels leave is never taken from scans that were kept: nobody could say stop.
#[must_use]
pub fn never_kept(action: Action) -> Answer {
    let words = format!(
        "{action} is never taken from scans that were kept offline: nothing recorded. If it was done all the same, tell a manager now"
    );
    Answer::new(Level::Stop, words)
}

pub(crate) fn kept_too_long(action: Action) -> Step {
    Step::stop(never_kept(action).words, Vec::new())
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
            Self::Needles(work) => work.take(code, floor),
            Self::CheckWeight(work) => work.take(code, floor),
        }
    }

    fn weigh(&mut self, shown: Settled, floor: &Floor<'_>) -> Step {
        let weight = shown.weight;
        let weighs = self.action().is_some_and(Action::weighs_cheese);
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
