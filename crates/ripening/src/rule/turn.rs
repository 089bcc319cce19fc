//! Turned once every so many dairy days, in the hoop and in each room.

use super::{Asked, Case, Rule};
use crate::{Action, Severity};

pub(super) const RULE: Rule = Rule {
    name: "turning",
    cost: "whey and salt sink, the wheel flattens on one face and its rind grows unevenly",
    ask,
    words,
};

fn ask(case: &Case<'_>) -> Option<Asked> {
    let state = case.state;
    if !state.on_floor() {
        return None;
    }
    let last = state.turned_or_made()?;
    let day = last.plus(every_days(case));
    let window = case.days(day, day, day);
    let facts = [
        state.turned.map(|t| t.moment).or(state.born),
        state.room.map(|r| r.moment),
    ];
    Some(Asked::new(Action::Turn, window, Severity::Warning, facts))
}

fn every_days(case: &Case<'_>) -> i64 {
    let in_hoop = case.recipe.drain.turn_every_days;
    case.stage
        .map_or(in_hoop, |(_, stage)| stage.turn_every_days)
}

fn words(case: &Case<'_>) -> String {
    let place = match case.state.room {
        Some(room) => format!("in {}", room.value),
        None if case.state.in_hoop() => "in the hoop".to_owned(),
        None => "outside the rooms".to_owned(),
    };
    let last = match case.state.turned {
        Some(turned) => format!("last turned {}", case.clock.floor_time(turned.moment.at)),
        None => format!("not turned since it was made on {}", case.made),
    };
    let rhythm = match every_days(case) {
        1 => "every dairy day".to_owned(),
        n => format!("every {n} dairy days"),
    };
    format!("{last}; {rhythm} {place} ({})", case.recipe_name())
}
