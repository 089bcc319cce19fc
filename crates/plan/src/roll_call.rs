//! Roll-call: what was missed, by stillage; and the shift in a few sentences.

use std::collections::{BTreeMap, BTreeSet};

use facts::{BatchId, Carrier, RoomId, WheelId};
use quantity::DairyDay;
use recipe::Recipe;
use ripening::{Action, Floor, Note, Urgency, What, answer};
use serde::{Deserialize, Serialize};

/// What was missed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RollCall {
    /// From this dairy day.
    pub from: DairyDay,
    /// To this dairy day.
    pub until: DairyDay,
    /// Whether the last day's work should be done by now; before, its turns do not count.
    pub last_day_counts: bool,
    /// One line for each stillage, stack or hoop and each kind of work.
    pub missed: Vec<Missed>,
    /// Wheels that had each kind of work done, as people say it.
    pub done: BTreeMap<String, usize>,
}

/// Work that was missed on one carrier.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Missed {
    /// The room.
    pub room: Option<RoomId>,
    /// The stillage, stack or hoop.
    pub carrier: Option<Carrier>,
    /// The batches on it.
    pub batches: Vec<BatchId>,
    /// What was missed.
    pub work: String,
    /// The wheels.
    pub wheels: Vec<WheelId>,
    /// The days on which it was missed; for work other than turning, the due day.
    pub days: Vec<DairyDay>,
    /// How many wheels are on the carrier.
    pub of: usize,
}

#[derive(Default)]
struct Line {
    wheels: BTreeSet<WheelId>,
    days: BTreeSet<DairyDay>,
    batches: BTreeSet<BatchId>,
}

/// What was missed in the `days` dairy days up to the floor's present one.
#[must_use]
pub fn roll_call(floor: &Floor, days: i64) -> RollCall {
    let practice = floor.practice();
    let clock = &practice.clock;
    let until = clock.day_of(floor.now());
    let from = until.plus(1 - days.max(1));
    let last_day_counts = floor.now() >= clock.at(until, practice.turn_by);
    let mut lines: BTreeMap<(Option<RoomId>, Option<Carrier>, String), Line> = BTreeMap::new();
    let mut on: BTreeMap<Option<Carrier>, usize> = BTreeMap::new();
    let mut done: BTreeMap<String, usize> = BTreeMap::new();
    for (id, wheel) in floor.wheels() {
        let state = wheel.state();
        let notes = floor.life(*id);
        let valid: Vec<&Note> = notes
            .iter()
            .filter(|note| !note.is_void(floor.voids()))
            .collect();
        let mut work: BTreeSet<&'static str> = BTreeSet::new();
        for note in &valid {
            let day = clock.day_of(note.moment.at);
            if from <= day && day <= until {
                work.extend(done_words(&note.what));
            }
        }
        for words in work {
            *done.entry(words.to_owned()).or_default() += 1;
        }
        let Some(case) = floor.case(*id).filter(|_| state.on_floor()) else {
            continue;
        };
        let carrier = answer::carrier(state);
        let room = state.room.map(|room| room.value);
        *on.entry(carrier).or_default() += 1;
        let mut add = |work: String, day: DairyDay| {
            let line = lines.entry((room, carrier, work)).or_default();
            line.wheels.insert(*id);
            line.days.insert(day);
            line.batches.extend(state.batch);
        };
        let last = if last_day_counts {
            until
        } else {
            until.plus(-1)
        };
        for day in turns_missed(case.recipe, case.made, &valid, from, last, |at| {
            clock.day_of(at)
        }) {
            add("turn".to_owned(), day);
        }
        for asked in wheel.actions() {
            let late = asked.window.urgency(floor.now()) >= Urgency::Overdue;
            if late && asked.because.blocked.is_none() && asked.action != Action::Turn {
                add(asked.action.to_string(), clock.day_of(asked.window.due));
            }
        }
    }
    let missed = lines
        .into_iter()
        .map(|((room, carrier, work), line)| Missed {
            room,
            carrier,
            batches: line.batches.into_iter().collect(),
            work,
            wheels: line.wheels.into_iter().collect(),
            days: line.days.into_iter().collect(),
            of: on.get(&carrier).copied().unwrap_or_default(),
        });
    RollCall {
        from,
        until,
        last_day_counts,
        missed: missed.collect(),
        done,
    }
}

const fn done_words(what: &What) -> Option<&'static str> {
    Some(match what {
        What::Portioned { .. } => "portioned",
        What::Turned => "turned",
        What::Unhooped => "unhooped",
        What::RubbedUp => "rubbed up",
        What::Moved { .. } => "moved",
        What::RindSeen { .. } => "looked at",
        What::Pierced { .. } => "pierced",
        What::Ironed { .. } => "ironed",
        What::Graded { .. } => "graded",
        What::Dispatched { .. } => "dispatched",
        _ => return None,
    })
}

/// The days from `from` to `last` on which a wheel should have been turned and was not.
/// The rhythm is that of the room it stood in on the day.
fn turns_missed(
    recipe: &Recipe,
    made: DairyDay,
    notes: &[&Note],
    from: DairyDay,
    last: DairyDay,
    day_of: impl Fn(chrono::DateTime<chrono::Utc>) -> DairyDay,
) -> Vec<DairyDay> {
    let mut turned: BTreeSet<DairyDay> = BTreeSet::new();
    let mut rooms: Vec<(DairyDay, RoomId)> = Vec::new();
    for note in notes {
        match &note.what {
            What::Turned => {
                turned.insert(day_of(note.moment.at));
            }
            What::Moved { room, .. } => rooms.push((day_of(note.moment.at), *room)),
            _ => {}
        }
    }
    let every = |day: DairyDay| {
        let here = rooms.iter().rev().find(|(since, _)| *since <= day);
        here.and_then(|(_, room)| recipe.stage_of(*room))
            .map_or(recipe.drain.turn_every_days, |(_, s)| s.turn_every_days)
    };
    let mut missed = Vec::new();
    let mut since = turned.range(..from).next_back().copied().unwrap_or(made);
    for day in from.max(made.plus(1)).every(1, last) {
        if turned.contains(&day) {
            since = day;
        } else if day.days_since(since) >= every(day) {
            missed.push(day);
        }
    }
    missed
}

/// The end of a shift in a few sentences: what was done today and what was missed.
/// One message, for a chat.
#[must_use]
pub fn shift_summary(floor: &Floor, dairy: &str) -> String {
    let call = roll_call(floor, 1);
    let mut text = format!("{dairy}, {}: ", call.until);
    let order = [
        "portioned",
        "turned",
        "unhooped",
        "rubbed up",
        "moved",
        "looked at",
        "pierced",
        "ironed",
        "graded",
        "dispatched",
    ];
    let done: Vec<String> = order
        .iter()
        .filter_map(|work| Some(format!("{} {work}", call.done.get(*work)?)))
        .collect();
    text.push_str(&if done.is_empty() {
        "nothing was scanned".to_owned()
    } else {
        done.join(", ")
    });
    text.push('.');
    if call.missed.is_empty() {
        text.push_str(" Nothing was missed.");
        return text;
    }
    let mut by_work: BTreeMap<&str, (usize, Vec<String>)> = BTreeMap::new();
    for line in &call.missed {
        let (wheels, places) = by_work.entry(&line.work).or_default();
        *wheels += line.wheels.len();
        places.push(place(line));
    }
    for (work, (wheels, places)) in by_work {
        let more = places.len().saturating_sub(5);
        let named: Vec<String> = places.into_iter().take(5).collect();
        text.push_str(&format!(
            " Missed: {work}, {wheels} wheels ({}{}).",
            named.join(", "),
            if more > 0 {
                format!(" and {more} more")
            } else {
                String::new()
            }
        ));
    }
    text
}

fn place(line: &Missed) -> String {
    let carrier = line.carrier.map(|carrier| carrier.to_string());
    let room = line.room.map(|room| format!("in {room}"));
    let mut words: Vec<String> = carrier.into_iter().chain(room).collect();
    if words.is_empty() {
        words.push("on nothing known".to_owned());
    }
    words.join(" ")
}
