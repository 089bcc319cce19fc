//! The rules: a table of small pure functions from what is known of a wheel to what it
//! needs. Each rule lives in its own file with its tests, which read like the rule.

use chrono::{DateTime, Utc};
use facts::{FactId, RecipeId, WheelId};
use holds::Held;
use quantity::DairyDay;
use recipe::{Ages, Recipe, Stage};

use crate::{
    Action, Because, Blocked, Calendar, Flag, Moment, NextAction, Piercing, Severity, State, Window,
};

pub(crate) use dispatch::NO_MARKET;

mod dispatch;
mod drain;
mod find;
mod grade;
mod iron;
mod pierce;
mod rind;
mod room;
mod turn;
mod weight;

/// What a rule may look at.
#[derive(Clone, Copy)]
pub struct Case<'a> {
    /// The wheel.
    pub wheel: WheelId,
    /// What is known of it.
    pub state: &'a State,
    /// Its make day.
    pub made: DairyDay,
    /// The recipe it was made by, or the version that stands in for it.
    pub recipe: &'a Recipe,
    /// The recipe and version it was made by, where the site does not have them.
    pub missing: Option<(RecipeId, u32)>,
    /// The stage of the room it is in, with its place in the chain.
    pub stage: Option<(usize, &'a Stage)>,
    /// How far its batch is.
    pub batch: &'a crate::Progress,
    /// The site's days.
    pub clock: &'a Calendar,
    /// Days after which an unseen wheel counts as lost.
    pub lost_after_days: i64,
    /// What cannot be right about it.
    pub flags: &'a [Flag],
    /// The holds that keep it.
    pub holds: &'a [Held],
    /// Its latest piercing with a machine whose needles had not been counted and found
    /// whole that day.
    pub uncounted: Option<Piercing>,
}

/// One rule of the table.
pub struct Rule {
    /// Its name, shown with every action it asks for.
    pub name: &'static str,
    /// What it costs to break it.
    pub cost: &'static str,
    /// The rule itself.
    ask: fn(&Case<'_>) -> Option<Asked>,
    /// The reason in words.
    words: fn(&Case<'_>) -> String,
}

/// What a rule asks for.
struct Asked {
    action: Action,
    window: Window,
    severity: Severity,
    facts: [Option<FactId>; 2],
    blocked: Option<Blocked>,
}

impl Asked {
    fn new(action: Action, window: Window, severity: Severity, facts: [Option<Moment>; 2]) -> Self {
        Self {
            action,
            window,
            severity,
            facts: facts.map(|m| m.map(|m| m.fact)),
            blocked: None,
        }
    }

    fn blocked_if(mut self, blocked: bool, by: Blocked) -> Self {
        if blocked {
            self.blocked = Some(by);
        }
        self
    }
}

/// Every rule, in the order in which a wheel meets them.
pub static RULES: &[Rule] = &[
    turn::RULE,
    drain::UNHOOP,
    drain::RUB_UP,
    drain::PLACE,
    rind::RULE,
    room::RULE,
    pierce::RULE,
    pierce::AGAIN,
    pierce::NEEDLES,
    iron::RULE,
    grade::RULE,
    dispatch::RULE,
    dispatch::NO_MARKET,
    weight::RULE,
    find::LOST,
    find::REVIEW,
    find::RETURNED,
];

/// A recipe's name and version; of one that the site does not have, also what stands in.
pub(crate) fn recipe_name(
    recipe: Option<&Recipe>,
    missing: Option<(RecipeId, u32)>,
) -> Option<String> {
    let here = recipe.map(|recipe| format!("{} v{}", recipe.id, recipe.version));
    match (missing, here) {
        (None, here) => here,
        (Some((id, version)), Some(here)) => Some(format!(
            "{id} v{version}, which this site does not have: shown by {here}"
        )),
        (Some((id, version)), None) => {
            Some(format!("{id} v{version}, which this site does not have"))
        }
    }
}

/// Everything a wheel needs, in the table's order.
#[must_use]
pub fn next_actions(case: &Case<'_>) -> Vec<NextAction> {
    let mut actions = Vec::new();
    write_next_actions(case, &mut actions);
    actions
}

/// The same, into a list that is there already.
pub(crate) fn write_next_actions(case: &Case<'_>, actions: &mut Vec<NextAction>) {
    for rule in RULES {
        if let Some(asked) = (rule.ask)(case) {
            actions.push(NextAction {
                action: asked.action,
                window: asked.window,
                severity: asked.severity,
                because: Because {
                    rule: rule.name,
                    facts: asked.facts,
                    blocked: asked.blocked,
                },
            });
        }
    }
}

/// Why an action is asked for, in words: the rule, what it rests on, what blocks it.
#[must_use]
pub fn explain(case: &Case<'_>, because: &Because) -> String {
    let Some(rule) = RULES.iter().find(|rule| rule.name == because.rule) else {
        return because.rule.to_owned();
    };
    let reason = (rule.words)(case);
    match because.blocked {
        Some(blocked) => format!("{reason}; {}", blocked.words()),
        None => reason,
    }
}

impl Case<'_> {
    /// The start of a dairy day.
    fn starts(&self, day: DairyDay) -> DateTime<Utc> {
        self.clock.start_of(day)
    }

    /// The time by which the day's work should be done.
    fn worked_by(&self, day: DairyDay) -> DateTime<Utc> {
        self.clock.worked_by(day)
    }

    /// A window from the start of one day, due by the end of work on another, closing
    /// with a third.
    fn days(&self, earliest: DairyDay, due: DairyDay, latest: DairyDay) -> Window {
        let earliest = self.starts(earliest);
        let due = self.worked_by(due).max(earliest);
        Window {
            earliest,
            due,
            latest: self.clock.end_of(latest).max(due),
        }
    }

    /// A window given in ages.
    fn ages(&self, ages: Ages) -> Window {
        let day = |age| self.made.plus(age);
        self.days(day(ages.earliest), day(ages.due), day(ages.latest))
    }

    /// Open at once, due by the end of tomorrow's work, closing a day later.
    fn two_days_from(&self, since: Moment) -> Window {
        let day = self.clock.day_of(since.at);
        Window {
            earliest: since.at,
            due: self.worked_by(day.plus(1)),
            latest: self.clock.end_of(day.plus(2)),
        }
    }

    /// `larkholm-blue v1`
    pub(crate) fn recipe_name(&self) -> String {
        recipe_name(Some(self.recipe), self.missing).unwrap_or_default()
    }
}
