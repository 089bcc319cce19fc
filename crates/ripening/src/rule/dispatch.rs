//! A graded wheel leaves so that it arrives in its best weeks; a held one never does.

use facts::Grade;

use super::{Asked, Case, Rule};
use crate::{Action, Blocked, Severity};

pub(super) const RULE: Rule = Rule {
    name: "dispatch window",
    cost: "the wheel spends its best weeks in the dairy's own rooms",
    ask,
    words,
};

/// The grade of a wheel that may be sold.
fn sellable(case: &Case<'_>) -> Option<crate::Seen<Grade>> {
    let state = case.state;
    let grade = state.grade.filter(|grade| grade.value != Grade::Reject)?;
    let undecided = state
        .returned
        .is_some_and(|returned| grade.moment < returned);
    (state.on_floor() && !undecided).then_some(grade)
}

fn ask(case: &Case<'_>) -> Option<Asked> {
    let grade = sellable(case)?;
    let ages = case.recipe.dispatch_ages_for(grade.value)?;
    let day = |age| case.made.plus(age);
    let window = case.days(day(ages.least), day(ages.most), day(ages.most));
    let facts = [
        Some(grade.moment),
        case.holds.iter().find_map(|held| held.since),
    ];
    let asked = Asked::new(Action::Dispatch, window, Severity::Notice, facts);
    // What the missing version asks for before a wheel may leave is not known here.
    let asked = asked.blocked_if(case.missing.is_some(), Blocked::RecipeMissing);
    let asked = asked.blocked_if(case.uncounted.is_some(), Blocked::NeedlesUncounted);
    Some(asked.blocked_if(!case.holds.is_empty(), Blocked::Held))
}

fn words(case: &Case<'_>) -> String {
    let ages = sellable(case).and_then(|grade| case.recipe.dispatch_ages_for(grade.value));
    let ages = ages.unwrap_or_else(|| case.recipe.dispatch_ages());
    let holds: Vec<String> = case
        .holds
        .iter()
        .map(|held| held.hold.to_string())
        .collect();
    let under = match holds.as_slice() {
        [] => String::new(),
        holds => format!("; under hold {}", holds.join(", ")),
    };
    format!(
        "leaves at {} to {} days so that it arrives in its best weeks ({}){under}",
        ages.least,
        ages.most,
        case.recipe_name()
    )
}

pub(crate) const NO_MARKET: Rule = Rule {
    name: "no market",
    cost: "a wheel that no market takes fills a place and ages until it is worth nothing",
    ask: |case| {
        let grade = sellable(case)?;
        if case.recipe.dispatch_ages_for(grade.value).is_some() {
            return None;
        }
        let window = case.two_days_from(grade.moment);
        let facts = [Some(grade.moment), None];
        Some(Asked::new(Action::Decide, window, Severity::Notice, facts))
    },
    words: |case| {
        let grade = case.state.grade.map(|grade| grade.value.to_string());
        format!(
            "no market takes grade {}: regrade it, use it otherwise or discard it ({})",
            grade.unwrap_or_default(),
            case.recipe_name()
        )
    },
};
