//! A wheel that weighs far from its curve dries too fast, too slowly, or is not the wheel
//! that its card says.

use super::{Asked, Case, Rule};
use crate::{Action, Severity};

pub(super) const RULE: Rule = Rule {
    name: "weight curve",
    cost: "a wheel that dries wrongly is found when it is cut; one that was swapped, never",
    ask,
    words,
};

/// Latest weight, what it should be then, and the age at the weighing.
fn weighing(case: &Case<'_>) -> Option<(f64, f64, i64)> {
    let weight = case.state.weight?;
    let age = case.clock.day_of(weight.moment.at).days_since(case.made);
    let expected = case.recipe.expected_weight_g(case.state.portion?, age)?;
    Some((f64::from(weight.value.get()), expected, age))
}

fn ask(case: &Case<'_>) -> Option<Asked> {
    let state = case.state;
    let finish = case.recipe.finish?;
    let weight = state.weight?;
    let portioned = state.born == Some(weight.moment);
    let settled = state.grade.is_some_and(|g| g.moment > weight.moment);
    if !state.on_floor() || portioned || settled {
        return None;
    }
    let (weighed, expected, _) = weighing(case)?;
    if (weighed - expected).abs() <= f64::from(finish.tolerance_g.get()) {
        return None;
    }
    let window = case.two_days_from(weight.moment);
    let facts = [Some(weight.moment), state.born];
    Some(Asked::new(Action::Weigh, window, Severity::Warning, facts))
}

fn words(case: &Case<'_>) -> String {
    let Some(((weighed, expected, age), finish)) = weighing(case).zip(case.recipe.finish) else {
        return "not weighed since portioning".to_owned();
    };
    format!(
        "weighed {:.3} kg at {age} days, should be {:.3} ± {:.3} kg by then ({})",
        weighed / 1000.0,
        expected / 1000.0,
        f64::from(finish.tolerance_g.get()) / 1000.0,
        case.recipe_name()
    )
}
