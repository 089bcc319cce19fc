//! One wheel's life, and every wheel as it stands.

use chrono::{DateTime, Utc};
use facts::{
    BatchId, Carrier, FactId, Grade, HoldId, MarketId, PersonId, RoomId, StationId, StillageId,
    WheelId,
};
use names::UnknownName;
use quantity::{DairyClock, DairyDay};
use serde::{Deserialize, Serialize};

use crate::rule::{self, Case};
use crate::{Claim, Floor, NextAction, Severity, State, Urgency, What};

/// One thing a wheel needs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct NextLine {
    /// What to do.
    pub action: String,
    /// How late.
    pub urgency: Urgency,
    /// What it costs to leave it.
    pub severity: Severity,
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
    /// Why.
    pub because: String,
    /// The facts behind it.
    pub facts: Vec<FactId>,
    /// Whether something keeps it from being done.
    pub blocked: bool,
}

/// One line of a wheel's or batch's life.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LifeLine {
    /// When.
    pub at: DateTime<Utc>,
    /// The same, local.
    pub at_local: String,
    /// What the device claimed and when that was received, where they differ.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub claim: Option<Claim>,
    /// The same, local, in words: which of the two orders it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said: Option<String>,
    /// What happened.
    pub words: String,
    /// The station that stated it.
    pub station: StationId,
    /// Who did it, where known.
    pub person: Option<PersonId>,
    /// The fact.
    pub fact: FactId,
    /// Why it counts as never having happened, if it does.
    pub voided: Option<String>,
    /// What cannot be right about it.
    pub flags: Vec<String>,
}

/// A wheel's whole life.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WheelLife {
    /// The wheel as it stands.
    pub wheel: WheelRow,
    /// Its recipe, `larkholm-blue v1`.
    pub recipe: Option<String>,
    /// Its age in dairy days.
    pub age_days: Option<i64>,
    /// Everything that happened to it, oldest first.
    pub life: Vec<LifeLine>,
    /// Everything it needs, most urgent first.
    pub next: Vec<NextLine>,
    /// When it may leave, market by market.
    #[serde(default)]
    pub markets: Vec<MarketLine>,
    /// Its best-before day.
    #[serde(default)]
    pub best_before: Option<DairyDay>,
}

/// One wheel as it stands: the row of a census.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WheelRow {
    /// The wheel.
    pub wheel: WheelId,
    /// Its batch.
    pub batch: Option<BatchId>,
    /// Its make day.
    pub made: Option<DairyDay>,
    /// Its room.
    pub room: Option<RoomId>,
    /// Its stillage, stack or hoop.
    pub carrier: Option<Carrier>,
    /// How often it was turned.
    pub turns: u32,
    /// On how many dairy days it was turned.
    pub turn_days: u32,
    /// Which face is up, by the parity of its turns.
    #[serde(default)]
    pub face_up: Face,
    /// Latest weight in grams.
    pub weight_g: Option<u32>,
    /// Latest rind cover, %.
    pub rind_cover_pct: Option<f64>,
    /// Latest blue coverage, %.
    pub blue_coverage_pct: Option<f64>,
    /// Whether it is unhooped.
    pub unhooped: bool,
    /// Whether it is rubbed up.
    pub rubbed_up: bool,
    /// Whether it is pierced.
    pub pierced: bool,
    /// Its grade.
    pub grade: Option<Grade>,
    /// Holds it is under.
    pub holds: Vec<HoldId>,
    /// Whether a label was printed.
    pub labelled: bool,
    /// Whether it has left.
    pub dispatched: bool,
    /// Whether it came back.
    pub returned: bool,
    /// Whether it was thrown away.
    pub discarded: bool,
    /// What cannot be right about it.
    pub flags: Vec<crate::Flag>,
    /// How many facts speak of it, voided ones included.
    pub facts: usize,
}

/// Which face of a wheel is up.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Face {
    /// The one that was up when it was made: an even number of turns.
    #[default]
    MakeDay,
    /// The other: an odd number.
    Other,
}

impl std::fmt::Display for Face {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.pad(match self {
            Self::MakeDay => "make-day face up",
            Self::Other => "make-day face down",
        })
    }
}

/// When a wheel may leave for a market.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MarketLine {
    /// The market.
    pub market: MarketId,
    /// The first dairy day it should leave on.
    pub leaves_from: DairyDay,
    /// The last.
    pub leaves_until: DairyDay,
    /// The day from which the law there allows the sale, where it says so.
    pub legal_from: Option<DairyDay>,
    /// Whether the market takes its grade; none while it has no grade.
    pub takes_grade: Option<bool>,
}

/// What a device said of the time at which something happened, and what came of that.
fn said(claim: Claim, counts: DateTime<Utc>, clock: &DairyClock) -> String {
    let (claimed, received) = (clock.local(claim.claimed), clock.local(claim.received));
    if claim.is_believed(counts) {
        format!("kept by the device; received {received}")
    } else {
        format!("the device said {claimed}; taken at its receipt {received}")
    }
}

/// A wheel's whole life.
///
/// # Errors
/// No fact speaks of it.
pub fn wheel(floor: &Floor, id: WheelId) -> Result<WheelLife, UnknownName> {
    let (id, wheel) = super::wheel_named(floor, id)?;
    let state = wheel.state();
    let case = floor.case(id);
    let clock = &floor.practice().clock;
    let life = floor.life(id).into_iter().map(|note| LifeLine {
        at: note.moment.at,
        at_local: clock.local(note.moment.at),
        claim: note.claim,
        said: note.claim.map(|claim| said(claim, note.moment.at, clock)),
        words: note.words(),
        station: note.station,
        person: note.person,
        fact: note.moment.fact,
        voided: floor.voids().reason(note.target()).map(str::to_owned),
        flags: wheel
            .flags()
            .iter()
            .filter(|flag| flag.fact == note.moment.fact)
            .map(|flag| flag.kind.words().to_owned())
            .collect(),
    });
    let mut actions = wheel.actions().to_vec();
    actions.sort_by_key(|a| {
        (
            std::cmp::Reverse(a.window.urgency(floor.now())),
            a.window.due,
        )
    });
    Ok(WheelLife {
        wheel: row(floor, id, wheel),
        markets: case.as_ref().map(markets).unwrap_or_default(),
        best_before: case
            .as_ref()
            .map(|case| case.made.plus(case.recipe.best_before_days)),
        recipe: case.as_ref().map(Case::recipe_name),
        age_days: state.age_on(clock.day_of(floor.now())).map(|age| age.0),
        life: life.collect(),
        next: actions
            .iter()
            .map(|asked| next_line(floor, id, asked))
            .collect(),
    })
}

/// Every wheel that was portioned here, as it stands, in order.
#[must_use]
pub fn census(floor: &Floor) -> Vec<WheelRow> {
    census_after(floor, None, usize::MAX)
}

/// The first wheels after one, in order, as they stand. A page costs its own rows, not the
/// floor's.
#[must_use]
pub fn census_after(floor: &Floor, after: Option<WheelId>, most: usize) -> Vec<WheelRow> {
    let born = floor
        .wheels()
        .filter(|(_, wheel)| wheel.state().born.is_some());
    let mut ids: Vec<WheelId> = born
        .map(|(id, _)| *id)
        .filter(|id| after.is_none_or(|after| *id > after))
        .collect();
    if ids.len() > most {
        ids.select_nth_unstable(most);
        ids.truncate(most);
    }
    ids.sort_unstable();
    ids.into_iter()
        .filter_map(|id| Some(row(floor, id, floor.wheel(id)?)))
        .collect()
}

pub(super) fn row(floor: &Floor, id: WheelId, wheel: &crate::Wheel) -> WheelRow {
    let state = wheel.state();
    WheelRow {
        wheel: id,
        batch: state.batch,
        made: state.made,
        room: state.room.map(|room| room.value),
        carrier: carrier(state),
        turns: state.turns,
        turn_days: state.turn_days,
        face_up: match state.turns % 2 {
            0 => Face::MakeDay,
            _ => Face::Other,
        },
        weight_g: state.weight.map(|weight| weight.value.get()),
        rind_cover_pct: state.rind.map(|rind| rind.value.get()),
        blue_coverage_pct: state.ironed.map(|core| core.value.get()),
        unhooped: state.unhooped.is_some(),
        rubbed_up: state.rubbed_up.is_some(),
        pierced: state.pierced.is_some(),
        grade: state.grade.map(|grade| grade.value),
        holds: floor.holds(id),
        labelled: state.labelled,
        dispatched: state.dispatched.is_some(),
        returned: state.returned.is_some(),
        discarded: state.discarded.is_some(),
        flags: wheel.flags().to_vec(),
        facts: wheel.facts(),
    }
}

fn markets(case: &Case<'_>) -> Vec<MarketLine> {
    let line = |market: &recipe::Market| {
        let ages = market.dispatch_ages();
        MarketLine {
            market: market.id,
            leaves_from: case.made.plus(ages.least),
            leaves_until: case.made.plus(ages.most),
            legal_from: market
                .legal_least_age_days
                .map(|least| case.made.plus(least)),
            takes_grade: case.state.grade.map(|grade| market.takes(grade.value)),
        }
    };
    case.recipe.markets.iter().map(line).collect()
}

pub(super) fn next_line(floor: &Floor, id: WheelId, asked: &NextAction) -> NextLine {
    let because = floor.case(id).map_or_else(
        || asked.because.rule.to_owned(),
        |case| rule::explain(&case, &asked.because),
    );
    NextLine {
        action: asked.action.to_string(),
        urgency: asked.window.urgency(floor.now()),
        severity: asked.severity,
        earliest: asked.window.earliest,
        due: asked.window.due,
        due_local: floor.practice().clock.local(asked.window.due),
        latest: asked.window.latest,
        rule: asked.because.rule.to_owned(),
        because,
        facts: asked.because.facts.iter().flatten().copied().collect(),
        blocked: asked.because.blocked.is_some(),
    }
}

/// What a wheel stands on or in.
#[must_use]
pub fn carrier(state: &State) -> Option<Carrier> {
    let stillage = state.stillage.map(|id: StillageId| Carrier::Stillage(id));
    let stack = state.stack.map(Carrier::Stack);
    stillage.or(stack).or(state.hoop.map(Carrier::Hoop))
}

/// Something that happened to a wheel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Happened {
    /// When.
    pub at: DateTime<Utc>,
    /// What.
    pub what: What,
}

/// Everything that happened to a wheel and still counts, oldest first.
///
/// # Errors
/// No fact speaks of it.
pub fn happened(floor: &Floor, id: WheelId) -> Result<Vec<Happened>, UnknownName> {
    super::wheel_named(floor, id)?;
    let notes = floor.life(id).into_iter();
    let counts = notes.filter(|note| !note.is_void(floor.voids()));
    let happened = counts.map(|note| Happened {
        at: note.moment.at,
        what: note.what,
    });
    Ok(happened.collect())
}
