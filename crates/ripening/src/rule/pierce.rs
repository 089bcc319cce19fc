//! Pierced once in the recipe's window, and only with enough rind.

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
