//! The end of draining: hoop off, rubbed up the same dairy day, into the first room.

use super::{Asked, Case, Rule};
use crate::{Action, Severity, Window};

pub(super) const UNHOOP: Rule = Rule {
    name: "unhooping",
    cost: "a wheel left too long in its hoop stays wet and its rind starts late",
    ask: ask_unhoop,
    words: |case| {
        let ages = case.recipe.drain.unhoop;
        format!(
            "made on {}, drains until it is {} days old ({})",
            case.made,
            ages.due,
            case.recipe_name()
        )
    },
};

fn ask_unhoop(case: &Case<'_>) -> Option<Asked> {
    let state = case.state;
    (state.on_floor() && state.in_hoop()).then(|| {
        let window = case.ages(case.recipe.drain.unhoop);
        Asked::new(
            Action::Unhoop,
            window,
            Severity::Warning,
            [state.born, None],
        )
    })
}

pub(super) const RUB_UP: Rule = Rule {
    name: "rubbing up",
    cost: "open seams let air in: mould grows inside before it should",
    ask: ask_rub_up,
    words: |case| match case.state.unhooped {
        Some(unhooped) => format!(
            "unhooped {}; the surface must be closed the same dairy day{}",
            case.clock.floor_time(unhooped.moment.at),
            match case.recipe.rub_up.within_days {
                0 => String::new(),
                n => format!(" or within {n} more"),
            }
        ),
        None => "not unhooped yet".to_owned(),
    },
};

fn ask_rub_up(case: &Case<'_>) -> Option<Asked> {
    let state = case.state;
    let unhooped = state.unhooped?;
    if !state.on_floor() || state.rubbed_up.is_some() {
        return None;
    }
    let day = unhooped.value.plus(case.recipe.rub_up.within_days);
    let earliest = unhooped.moment.at;
    let due = case.worked_by(day).max(earliest);
    let window = Window {
        earliest,
        due,
        latest: case.clock.end_of(day).max(due),
    };
    Some(Asked::new(
        Action::RubUp,
        window,
        Severity::Alarm,
        [Some(unhooped.moment), None],
    ))
}

pub(super) const PLACE: Rule = Rule {
    name: "first room",
    cost: "outside a climate-controlled room the rind dries before mould can take",
    ask: ask_place,
    words: |case| match case.state.rubbed_up {
        Some(rubbed) => format!(
            "rubbed up {}; matures first in {} ({})",
            case.clock.floor_time(rubbed.moment.at),
            case.recipe.stages[0].room,
            case.recipe_name()
        ),
        None => "not rubbed up yet".to_owned(),
    },
};

fn ask_place(case: &Case<'_>) -> Option<Asked> {
    let state = case.state;
    let rubbed = state.rubbed_up?;
    // What came back begins no chain: somebody decides where it goes.
    if !state.on_floor() || case.stage.is_some() || state.returned.is_some() {
        return None;
    }
    let first = case.recipe.stages.first()?;
    let day = rubbed.value;
    let window = Window {
        earliest: rubbed.moment.at,
        due: case.worked_by(day).max(rubbed.moment.at),
        latest: case.clock.end_of(day.plus(1)),
    };
    let facts = [Some(rubbed.moment), None];
    Some(Asked::new(
        Action::Place(first.room),
        window,
        Severity::Warning,
        facts,
    ))
}
