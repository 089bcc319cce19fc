//! A few wheels of a batch are ironed until the blue has run right through.

use facts::ExpectedOn;
use quantity::{DairyDay, Percent};

use super::{Asked, Case, Rule};
use crate::{Action, Moment, Seen, Severity};

pub(super) const RULE: Rule = Rule {
    name: "ironing",
    cost: "without a core nobody knows whether the batch is ready, and its best weeks pass",
    ask,
    words,
};

fn ask(case: &Case<'_>) -> Option<Asked> {
    let state = case.state;
    let pierced = state.pierced?;
    let iron = case.recipe.iron;
    let chosen = case.batch.to_iron.contains(&case.wheel);
    let settled = case.batch.ready.is_some() || state.grade.is_some();
    let through = |core: &Seen<Percent>| core.value >= iron.ready_at_coverage_pct;
    if !state.on_floor() || !chosen || settled || state.ironed.as_ref().is_some_and(through) {
        return None;
    }
    let day = match expected(case) {
        Some((_, _, day)) => day,
        None => by_calendar(case),
    };
    let window = case.days(day, day, day.plus(iron.every_days - 1));
    let forecast = expected(case).map(|(moment, ..)| moment);
    let facts = [
        forecast.or(Some(pierced.moment)),
        state.ironed.map(|core| core.moment),
    ];
    Some(Asked::new(Action::Iron, window, Severity::Notice, facts))
}

/// The next core by the recipe alone.
fn by_calendar(case: &Case<'_>) -> DairyDay {
    let iron = case.recipe.iron;
    match case.state.ironed {
        Some(core) => case.clock.day_of(core.moment.at).plus(iron.every_days),
        None => case.made.plus(iron.from_age_days),
    }
}

/// The next core by the forecast: on the first day on which one batch in ten like it is
/// ready, so that few wheels are opened for nothing and none is past its best unseen. Never
/// more than one interval of the recipe before its own day, nor two after it.
fn expected<'a>(case: &'a Case<'_>) -> Option<(Moment, &'a ExpectedOn, DairyDay)> {
    let (moment, told) = case.batch.expected.as_ref()?;
    let (usual, every) = (by_calendar(case), case.recipe.iron.every_days);
    let earliest = match case.state.ironed {
        // A core tells little more a day or two after another.
        Some(_) => usual.plus(-every / 2),
        None => usual.plus(-every),
    };
    let day = DairyDay::starting(told.ready.from);
    let day = day.clamp(earliest, usual.plus(2 * every));
    Some((*moment, &told.ready, day))
}

fn words(case: &Case<'_>) -> String {
    let iron = case.recipe.iron;
    let so_far = match (case.state.ironed, expected(case)) {
        (core, Some((_, ready, day))) => format!(
            "{}by the forecast the batch is ready about {} (4 in 5: {} to {}), so the next core \
             is on {day} and not on {} as the calendar has it",
            core.map_or(String::new(), |core| format!(
                "blue through {} on {}; ",
                core.value,
                case.clock.day_of(core.moment.at)
            )),
            DairyDay::starting(ready.day),
            DairyDay::starting(ready.from),
            DairyDay::starting(ready.until),
            by_calendar(case)
        ),
        (Some(core), None) => format!(
            "blue through {} on {}, again after {} days",
            core.value,
            case.clock.day_of(core.moment.at),
            iron.every_days
        ),
        (None, None) => format!("first core at {} days", iron.from_age_days),
    };
    format!(
        "one of the {} wheels ironed for its batch: {}; {so_far}, until {} ({})",
        case.batch.to_iron.len(),
        why_this_one(case),
        iron.ready_at_coverage_pct,
        case.recipe_name()
    )
}

/// Why this wheel and not another of its batch.
fn why_this_one(case: &Case<'_>) -> String {
    if case.state.ironed.is_some() {
        return "it is open already, so that no other wheel has to be".to_owned();
    }
    let told = case.batch.expected.as_ref();
    let place = told.and_then(|(_, told)| {
        let mut worth = told.worth_ironing.iter();
        worth.position(|wheel| *wheel == case.wheel)
    });
    match place {
        Some(0) => "by the forecast a core of it tells most".to_owned(),
        Some(n) => format!("by the forecast a core of it tells most but for {n} others"),
        None => "by its number".to_owned(),
    }
}
