//! What is due.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::{BatchId, Carrier, FactId, RoomId, WheelId};
use serde::{Deserialize, Serialize};

use super::carrier;
use super::wheel::next_line;
use crate::{Floor, NextAction, Severity, Urgency, rule};

/// What is due, narrowed down.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct DueQuery {
    /// Only this room.
    pub room: Option<RoomId>,
    /// Only what is due by this instant, instead of what may be done now.
    #[serde(
        default,
        deserialize_with = "quantity::calendar::read::instant_or_none"
    )]
    pub by: Option<DateTime<Utc>>,
}

/// What is due.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Due {
    /// The instant of the answer.
    pub now: DateTime<Utc>,
    /// The same, local.
    pub now_local: String,
    /// One line for wheels that stand together and need the same, most urgent first.
    pub lines: Vec<DueLine>,
}

/// Wheels that stand together and need the same.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct DueLine {
    /// What to do.
    pub action: String,
    /// How late.
    pub urgency: Urgency,
    /// What it costs to leave it.
    pub severity: Severity,
    /// The room.
    pub room: Option<RoomId>,
    /// The stillage, stack or hoop.
    pub carrier: Option<Carrier>,
    /// The batch.
    pub batch: Option<BatchId>,
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// Not before.
    pub earliest: DateTime<Utc>,
    /// Should be done by.
    pub due: DateTime<Utc>,
    /// The same, local.
    pub due_local: String,
    /// Too late after.
    pub latest: DateTime<Utc>,
    /// The rule's name.
    pub rule: String,
    /// Why, for the first of the wheels.
    pub because: String,
    /// What it costs to break the rule.
    pub cost: String,
    /// The facts behind it, for the first of the wheels.
    pub facts: Vec<FactId>,
    /// Whether something keeps it from being done.
    pub blocked: bool,
}

/// What is due on a floor.
#[must_use]
pub fn due(floor: &Floor, query: &DueQuery) -> Due {
    let now = floor.now();
    let clock = &floor.practice().clock;
    let mut groups: BTreeMap<_, (NextAction, WheelId, Vec<WheelId>)> = BTreeMap::new();
    let mut wheels: Vec<_> = floor.wheels().collect();
    wheels.sort_unstable_by_key(|(id, _)| **id);
    for (id, wheel) in wheels {
        let state = wheel.state();
        let room = state.room.map(|room| room.value);
        if query.room.is_some() && query.room != room {
            continue;
        }
        for asked in wheel.actions() {
            let wanted = match query.by {
                Some(by) => asked.window.due <= by,
                None => asked.window.urgency(now) > Urgency::Ahead,
            };
            if wanted {
                let key = (
                    std::cmp::Reverse(asked.window.urgency(now)),
                    asked.because.blocked.is_some(),
                    asked.window.due,
                    room,
                    asked.action,
                    carrier(state),
                    state.batch,
                    asked.window.latest,
                );
                let group = groups
                    .entry(key)
                    .or_insert_with(|| (*asked, *id, Vec::new()));
                group.2.push(*id);
            }
        }
    }
    let lines = groups.into_iter().map(|(key, (asked, first, wheels))| {
        let (.., room, _, carrier, batch, _) = key;
        let line = next_line(floor, first, &asked);
        DueLine {
            action: line.action,
            urgency: line.urgency,
            severity: line.severity,
            room,
            carrier,
            batch,
            wheels,
            earliest: line.earliest,
            due: line.due,
            due_local: line.due_local,
            latest: line.latest,
            cost: cost_of(&line.rule).to_owned(),
            rule: line.rule,
            because: line.because,
            facts: line.facts,
            blocked: line.blocked,
        }
    });
    Due {
        now,
        now_local: clock.local(now),
        lines: lines.collect(),
    }
}

fn cost_of(rule: &str) -> &'static str {
    rule::RULES
        .iter()
        .find(|r| r.name == rule)
        .map_or("", |r| r.cost)
}
