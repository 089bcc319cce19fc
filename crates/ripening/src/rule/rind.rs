//! Someone looks at the rind every few days until the wheel is pierced.

use quantity::DairyDay;

use super::{Asked, Case, Rule};
use crate::{Action, Moment, Severity};

pub(super) const RULE: Rule = Rule {
    name: "rind check",
    cost: "nobody notices that mould does not come, or that the wrong one does",
    ask,
    words,
};

fn ask(case: &Case<'_>) -> Option<Asked> {
    let state = case.state;
    let unhooped = state.unhooped?;
    if !state.on_floor() || state.pierced.is_some() {
        return None;
    }
    let last = state
        .rind
        .map_or(unhooped.value, |rind| case.clock.day_of(rind.moment.at));
    let usual = last.plus(case.recipe.rind.check_every_days);
    let expected_by = unhooped
        .value
        .plus(case.recipe.rind.first_expected_days.most);
    let day = match state.first_rind {
        // None yet: looked at again as soon as it should have come, not days after.
        None if last <= expected_by => usual.min(expected_by.plus(1)),
        _ => covered(case).map_or(
            usual,
            |(_, day)| if day > last { day.min(usual) } else { usual },
        ),
    };
    let window = case.days(day, day, day.plus(1));
    // Mould that is late for the recipe's window is a warning, not a routine look.
    let late = state.first_rind.is_none()
        && day.days_since(unhooped.value) > case.recipe.rind.first_expected_days.most;
    let severity = if late {
        Severity::Warning
    } else {
        Severity::Notice
    };
    let forecast = covered(case).map(|(moment, _)| moment);
    let forecast = forecast.filter(|_| state.first_rind.is_some());
    let facts = [
        state.rind.map(|rind| rind.moment),
        forecast.or(Some(unhooped.moment)),
    ];
    Some(Asked::new(Action::RindCheck, window, severity, facts))
}

/// When the forecast expects the cover that is asked for next: a look on that day finds it
/// at once, not days later.
fn covered(case: &Case<'_>) -> Option<(Moment, DairyDay)> {
    let (moment, told) = case.batch.expected.as_ref()?;
    Some((*moment, DairyDay::starting(told.covered?.day)))
}

fn words(case: &Case<'_>) -> String {
    let every = case.recipe.rind.check_every_days;
    match (case.state.rind, case.state.first_rind) {
        (Some(rind), Some(_)) => format!(
            "{} cover seen {}; looked at every {every} days until pierced{}",
            rind.value,
            case.clock.floor_time(rind.moment.at),
            covered(case).map_or(String::new(), |(_, day)| format!(
                ", and on {day} when the forecast expects the cover that is asked for"
            ))
        ),
        (seen, _) => {
            let expected = case.recipe.rind.first_expected_days;
            let since = match seen {
                Some(rind) => format!("no mould seen {}", case.clock.floor_time(rind.moment.at)),
                None => "not looked at since unhooping".to_owned(),
            };
            format!(
                "{since}; first mould expected {} to {} days after unhooping, looked at every {every} days",
                expected.least, expected.most
            )
        }
    }
}
