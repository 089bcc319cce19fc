//! A wheel moves on when its rind cover is reached, or its longest stay is over.

use facts::ExpectedOn;
use quantity::DairyDay;
use recipe::Stage;

use super::{Asked, Case, Rule};
use crate::{Action, Moment, Severity};

pub(super) const RULE: Rule = Rule {
    name: "room chain",
    cost: "too long in a warm room and the rind overgrows; too short and it does not take",
    ask,
    words,
};

struct Stay<'a> {
    stage: &'a Stage,
    next: &'a Stage,
    entered: Moment,
    entered_day: DairyDay,
    /// What the forecast says of leaving this room.
    expected: Option<(Moment, ExpectedOn)>,
    /// The rind check that reached the cover to leave by.
    cover_reached: Option<Moment>,
}

fn stay<'a>(case: &Case<'a>) -> Option<Stay<'a>> {
    let room = case.state.room?;
    let (place, stage) = case.stage?;
    let next = case.recipe.stages.get(place + 1)?;
    let cover_reached = case
        .state
        .rind
        .filter(|rind| {
            stage
                .leave_at_cover_pct
                .is_some_and(|cover| rind.value >= cover)
        })
        .map(|rind| rind.moment);
    let expected = case.batch.expected.as_ref();
    let expected = expected.filter(|(_, told)| told.leaves == Some(room.value));
    Some(Stay {
        expected: expected.and_then(|(moment, told)| Some((*moment, told.moved_on?))),
        stage,
        next,
        entered: room.moment,
        entered_day: case.clock.day_of(room.moment.at),
        cover_reached,
    })
}

fn ask(case: &Case<'_>) -> Option<Asked> {
    if !case.state.on_floor() {
        return None;
    }
    let stay = stay(case)?;
    let least = stay.entered_day.plus(stay.stage.stay_days.least);
    let most = stay.entered_day.plus(stay.stage.stay_days.most);
    let most = most.max(least);
    let expected = stay.expected.map(|(_, on)| on);
    let window = match (stay.stage.leave_at_cover_pct, stay.cover_reached) {
        (Some(_), Some(reached)) => {
            let ready = case.clock.day_of(reached.at).max(least);
            case.days(ready, ready.plus(1).min(most.max(ready)), most.max(ready))
        }
        (Some(_), None) => {
            // A look may well find the cover from then on.
            let day = expected.map_or(most, |on| DairyDay::starting(on.day).clamp(least, most));
            let until = expected.map_or(most, |on| DairyDay::starting(on.until).clamp(day, most));
            case.days(day, until, most)
        }
        (None, _) => {
            let day = expected.map_or(most, |on| DairyDay::starting(on.day).clamp(least, most));
            case.days(least, day, most)
        }
    };
    let forecast = stay.expected.map(|(moment, _)| moment);
    let facts = [Some(stay.entered), stay.cover_reached.or(forecast)];
    Some(Asked::new(
        Action::MoveOn(stay.next.room),
        window,
        Severity::Warning,
        facts,
    ))
}

fn words(case: &Case<'_>) -> String {
    let Some(stay) = stay(case) else {
        return "in the last room".to_owned();
    };
    let reason = match (
        stay.stage.leave_at_cover_pct,
        stay.cover_reached,
        case.state.rind,
    ) {
        (Some(cover), Some(_), Some(rind)) => {
            format!("rind cover {} reached the {cover} to leave by", rind.value)
        }
        (Some(cover), _, rind) => format!(
            "leaves at {cover} rind cover ({}) or after {} days",
            rind.map_or("none seen yet".to_owned(), |rind| format!(
                "{} so far",
                rind.value
            )),
            stay.stage.stay_days.most
        ),
        (None, ..) => {
            let days = stay.stage.stay_days;
            format!("stays {} to {} days", days.least, days.most)
        }
    };
    let forecast = match (stay.expected, stay.cover_reached) {
        (Some((_, on)), None) => format!(
            ", by the forecast about {} (4 in 5: {} to {})",
            DairyDay::starting(on.day),
            DairyDay::starting(on.from),
            DairyDay::starting(on.until)
        ),
        _ => String::new(),
    };
    format!(
        "in {} since {}; {reason}{forecast} ({})",
        stay.stage.room,
        stay.entered_day,
        case.recipe_name()
    )
}
