//! Wheels that nobody has seen, and wheels about which something cannot be right.

use super::{Asked, Case, Rule};
use crate::{Action, Severity};

pub(super) const LOST: Rule = Rule {
    name: "roll-call",
    cost: "a wheel that stands forgotten is lost cheese, and a hole in the trace",
    ask: ask_lost,
    words: |case| match case.state.last_seen {
        Some(seen) => format!(
            "nobody has scanned it since {}; lost after {} days",
            case.clock.local(seen.at),
            case.lost_after_days
        ),
        None => "never scanned".to_owned(),
    },
};

fn ask_lost(case: &Case<'_>) -> Option<Asked> {
    let state = case.state;
    let seen = state.last_seen?;
    state.on_floor().then(|| {
        let day = case.clock.day_of(seen.at).plus(case.lost_after_days);
        let window = case.days(day, day, day.plus(case.lost_after_days));
        Asked::new(Action::Find, window, Severity::Alarm, [Some(seen), None])
    })
}

pub(super) const REVIEW: Rule = Rule {
    name: "contradiction",
    cost: "a record that cannot be right makes every trace that uses it doubtful",
    ask: ask_review,
    words: |case| {
        let mut kinds: Vec<_> = case.flags.iter().map(|flag| flag.kind).collect();
        kinds.sort_unstable();
        kinds.dedup();
        let words: Vec<_> = kinds.iter().map(|kind| kind.words()).collect();
        format!(
            "{}: void the wrong fact, or say what happened",
            words.join("; ")
        )
    },
};

fn ask_review(case: &Case<'_>) -> Option<Asked> {
    let flagged = case.flags.last()?;
    let window = case.two_days_from(case.state.last_seen?);
    let mut asked = Asked::new(Action::Review, window, Severity::Notice, [None, None]);
    asked.facts[0] = Some(flagged.fact);
    Some(asked)
}

/// A wheel that was away may have been warm, opened or among other cheese: it is kept apart
/// until somebody has looked at it. Common practice, no source.
pub(super) const RETURNED: Rule = Rule {
    name: "return",
    cost: "a wheel that was away cannot be sold again without someone's decision",
    ask: |case| {
        let state = case.state;
        let returned = state.returned.filter(|_| state.on_floor())?;
        let graded_since = state.grade.is_some_and(|grade| grade.moment > returned);
        let held_since = case.holds.iter().any(|held| held.since > Some(returned));
        if graded_since || held_since {
            return None;
        }
        let window = case.two_days_from(returned);
        Some(Asked::new(
            Action::Decide,
            window,
            Severity::Warning,
            [Some(returned), None],
        ))
    },
    words: |case| match case.state.returned {
        Some(back) => format!(
            "came back {}: keep it apart from the others and look at it, then hold, regrade or discard it",
            case.clock.local(back.at)
        ),
        None => "not returned".to_owned(),
    },
};
