//! A graded wheel leaves so that it arrives in its best weeks; a held one never does.

use facts::Grade;

use super::{Asked, Case, Rule};
use crate::{Action, Blocked, Severity};

pub(super) const RULE: Rule = Rule {
    name: "dispatch window",
    cost: "the wheel spends its best weeks in the dairy's own rooms",
    ask,
    words: |case| {
        let ages = case.recipe.dispatch_ages();
        format!(
            "leaves at {} to {} days so that it arrives in its best weeks ({})",
            ages.least,
            ages.most,
            case.recipe_name()
        )
    },
};

fn ask(case: &Case<'_>) -> Option<Asked> {
    let state = case.state;
    let grade = state.grade.filter(|grade| grade.value != Grade::Reject)?;
    let undecided = state
        .returned
        .is_some_and(|returned| grade.moment < returned);
    if !state.on_floor() || undecided {
        return None;
    }
    let ages = case.recipe.dispatch_ages();
    let day = |age| case.made.plus(age);
    let window = case.days(day(ages.least), day(ages.most), day(ages.most));
    let facts = [
        Some(grade.moment),
        state.holds.first().map(|hold| hold.moment),
    ];
    let asked = Asked::new(Action::Dispatch, window, Severity::Notice, facts);
    Some(asked.blocked_if(case.held(), Blocked::Held))
}
