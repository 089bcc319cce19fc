//! Pierced in the recipe's window and only with enough rind, once or twice, with needles
//! that were counted that day.

use super::{Asked, Case, Rule};
use crate::{Action, Blocked, Severity};

pub(super) const RULE: Rule = Rule {
    name: "piercing",
    cost: "without air the blue cannot run; pierced too early the holes close again",
    ask,
    words: |case| {
        let rind = match case.state.rind {
            Some(rind) => format!("{} seen", rind.value),
            None => "none seen".to_owned(),
        };
        let pierce = case.recipe.pierce;
        format!(
            "pierced at {} days with at least {} rind cover ({rind}; {})",
            pierce.age.due,
            pierce.least_cover_pct,
            case.recipe_name()
        )
    },
};

fn ask(case: &Case<'_>) -> Option<Asked> {
    let state = case.state;
    if !state.on_floor() || state.in_hoop() || state.pierced.is_some() {
        return None;
    }
    let pierce = case.recipe.pierce;
    let window = case.ages(pierce.age);
    let too_little = state
        .rind
        .is_none_or(|rind| rind.value < pierce.least_cover_pct);
    let facts = [state.born, state.rind.map(|rind| rind.moment)];
    let asked = Asked::new(Action::Pierce, window, Severity::Warning, facts);
    Some(asked.blocked_if(too_little, Blocked::TooLittleRind))
}

pub(super) const AGAIN: Rule = Rule {
    name: "second piercing",
    cost: "the first holes have closed and the blue stops short of the rind",
    ask: ask_again,
    words: |case| {
        let first = case.state.piercings.first().map(|first| first.day);
        let again = case.recipe.pierce.again.map(|again| again.due);
        format!(
            "pierced first on {}, once more {} days later ({})",
            first.map_or("an unknown day".to_owned(), |day| day.to_string()),
            again.unwrap_or_default(),
            case.recipe_name()
        )
    },
};

fn ask_again(case: &Case<'_>) -> Option<Asked> {
    let again = case.recipe.pierce.again?;
    let first = case.state.piercings.first()?;
    let settled = case.batch.ready.is_some() || case.state.grade.is_some();
    if !case.state.on_floor() || settled || case.state.piercing_days() > 1 {
        return None;
    }
    let day = |days| first.day.plus(days);
    let window = case.days(day(again.earliest), day(again.due), day(again.latest));
    let facts = [Some(first.moment), None];
    Some(Asked::new(Action::Pierce, window, Severity::Warning, facts))
}

pub(super) const NEEDLES: Rule = Rule {
    name: "needle check",
    cost: "a needle left in a cheese can hurt whoever eats it",
    ask: |case| {
        let piercing = case.uncounted?;
        if !case.state.on_floor() {
            return None;
        }
        let window = case.two_days_from(piercing.moment);
        let facts = [Some(piercing.moment), None];
        Some(Asked::new(
            Action::LookForMetal,
            window,
            Severity::Alarm,
            facts,
        ))
    },
    words: |case| match case.uncounted {
        Some(piercing) => format!(
            "pierced with {} on {}, whose needles had not been counted and found whole that day",
            piercing.machine, piercing.day
        ),
        None => "its needles were counted".to_owned(),
    },
};
