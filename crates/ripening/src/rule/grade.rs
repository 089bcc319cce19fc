//! Once the batch's cores show blue right through, every wheel of it is graded.

use super::{Asked, Case, Rule};
use crate::{Action, Severity};

pub(super) const RULE: Rule = Rule {
    name: "grading",
    cost: "an ungraded wheel cannot be promised to anyone",
    ask,
    words: |case| {
        let ready = case.batch.ready.map(|ready| case.clock.day_of(ready.at));
        let since = ready.map_or(String::new(), |day| format!(" on {day}"));
        format!(
            "every core of its batch reached {}{since}; graded within {} days ({})",
            case.recipe.iron.ready_at_coverage_pct,
            case.recipe.grading.within_days,
            case.recipe_name()
        )
    },
};

fn ask(case: &Case<'_>) -> Option<Asked> {
    let state = case.state;
    let ready = case.batch.ready?;
    if !state.on_floor() || state.in_hoop() || state.grade.is_some() {
        return None;
    }
    let day = case.clock.day_of(ready.at);
    let last = day.plus(case.recipe.grading.within_days);
    let window = case.days(day, last, last);
    let facts = [Some(ready), state.ironed.map(|core| core.moment)];
    Some(Asked::new(Action::Grade, window, Severity::Notice, facts))
}
