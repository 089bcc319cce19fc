//! A few wheels of a batch are ironed until the blue has run right through.

use super::{Asked, Case, Rule};
use crate::{Action, Severity};

pub(super) const RULE: Rule = Rule {
    name: "ironing",
    cost: "without a core nobody knows whether the batch is ready, and its best weeks pass",
    ask,
    words,
};

fn ask(case: &Case<'_>) -> Option<Asked> {
    let state = case.state;
    let pierced = state.pierced?;
    let chosen = case.batch.to_iron.contains(&case.wheel);
    let settled = case.batch.ready.is_some() || state.grade.is_some();
    if !state.on_floor() || !chosen || settled {
        return None;
    }
    let iron = case.recipe.iron;
    let day = match state.ironed {
        Some(core) => case.clock.day_of(core.moment.at).plus(iron.every_days),
        None => case.made.plus(iron.from_age_days),
    };
    let window = case.days(day, day, day.plus(iron.every_days - 1));
    let facts = [Some(pierced.moment), state.ironed.map(|core| core.moment)];
    Some(Asked::new(Action::Iron, window, Severity::Notice, facts))
}

fn words(case: &Case<'_>) -> String {
    let iron = case.recipe.iron;
    let so_far = match case.state.ironed {
        Some(core) => format!(
            "blue through {} on {}, again after {} days",
            core.value,
            case.clock.day_of(core.moment.at),
            iron.every_days
        ),
        None => format!("first core at {} days", iron.from_age_days),
    };
    format!(
        "one of the {} wheels ironed for its batch; {so_far}, until {} ({})",
        case.batch.to_iron.len(),
        iron.ready_at_coverage_pct,
        case.recipe_name()
    )
}
