//! Which situations a wheel takes part in.

use chrono::{DateTime, Utc};
use facts::WheelId;

use super::{Level, Situation, Subject, Told};
use crate::{Action, Moment, Severity, Urgency, Wheel, rule};

/// Writes into `told` the situations a wheel takes part in, by what it needs and how
/// late it is.
/// `first`: the first moment that is known of it.
pub(crate) fn of_wheel(
    (id, first): (WheelId, Option<Moment>),
    wheel: &Wheel,
    now: DateTime<Utc>,
    told: &mut Vec<Told>,
) {
    let state = &wheel.state;
    let subject = match (state.stillage, state.stack) {
        (Some(stillage), _) => Subject::Stillage(stillage),
        (None, Some(stack)) => Subject::Stack(stack),
        (None, None) => Subject::Wheel(id),
    };
    if state.born.is_none() && !wheel.flags.is_empty() {
        // No rule asks for a wheel that was never portioned here, but a person must know.
        let key = (Situation::Contradiction, Subject::Wheel(id));
        told.push(Told {
            key,
            level: Level::Raised,
            since: first.map_or(now, |first| first.at),
            done: None,
        });
    }
    for asked in &wheel.actions {
        let window = asked.window;
        let urgency = window.urgency(now);
        let level = match (asked.action, urgency) {
            (_, Urgency::Ahead) => None,
            (Action::Turn | Action::RubUp, Urgency::Overdue) => Some(Level::Raised),
            (Action::Turn | Action::RubUp, Urgency::Missed) => Some(Level::Escalated),
            (Action::Find, Urgency::Overdue) => Some(Level::Raised),
            (Action::Decide, _) if asked.because.rule == rule::NO_MARKET.name => None,
            (Action::Review | Action::Decide, _) => Some(Level::Raised),
            (Action::Weigh | Action::LookForMetal, _) => Some(Level::Raised),
            (Action::RindCheck, _) => (asked.severity > Severity::Notice).then_some(Level::Raised),
            (Action::Dispatch | Action::Grade, _) => None,
            (_, Urgency::Missed) => Some(Level::Raised),
            (_, Urgency::Due | Urgency::Overdue) => None,
        };
        let situation = match asked.action {
            Action::Turn => Situation::NotTurned,
            Action::Unhoop => Situation::NotUnhooped,
            Action::RubUp => Situation::NotRubbedUp,
            Action::Place(_) => Situation::NotPlaced,
            Action::RindCheck => Situation::NoRind,
            Action::MoveOn(_) => Situation::NotMovedOn,
            Action::Pierce => Situation::NotPierced,
            Action::Iron => Situation::NotIroned,
            Action::Find => Situation::Unseen,
            Action::Review => Situation::Contradiction,
            Action::Decide => Situation::CameBack,
            Action::Weigh => Situation::WeightOff,
            Action::LookForMetal => Situation::PiercedUnchecked,
            Action::Dispatch | Action::Grade => continue,
        };
        let subject = match asked.action {
            Action::Review | Action::Decide | Action::Find | Action::Weigh => Subject::Wheel(id),
            Action::LookForMetal => match state.pierced {
                Some(pierced) => Subject::Tool(pierced.value),
                None => subject,
            },
            _ => subject,
        };
        // From when on it is told at all, whatever it has become by now.
        let since = match asked.action {
            Action::Turn | Action::RubUp | Action::Find => window.due,
            Action::Review
            | Action::Decide
            | Action::Weigh
            | Action::LookForMetal
            | Action::RindCheck => window.earliest,
            _ => window.latest,
        };
        if let Some(level) = level {
            told.push(Told {
                key: (situation, subject),
                level,
                since,
                done: situation.done(state).and_then(|(_, at)| at),
            });
        }
    }
}
