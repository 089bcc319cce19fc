//! What people ask of the floor, and the answers: plain data, the same for a running
//! floor and for a replayed file. Times are instants; `*_local` is the same as people
//! on the floor say it.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::{
    BatchId, Carrier, FactId, ForecastTold, Grade, HoldId, MarketId, PersonId, RoomId, StationId,
    StillageId, WheelId,
};
use quantity::DairyDay;
use serde::{Deserialize, Serialize};

use crate::rule::{self, Case};
use crate::{
    Action, Counts, Floor, Level, NextAction, Severity, Situation, State, Subject, Urgency,
};

/// What is due, narrowed down.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct DueQuery {
    /// Only this room.
    pub room: Option<RoomId>,
    /// Only what is due by this instant, instead of what may be done now.
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

/// The floor at a glance.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FloorPicture {
    /// The instant of the answer.
    pub now: DateTime<Utc>,
    /// The same, local.
    pub now_local: String,
    /// The dairy day.
    pub day: DairyDay,
    /// Wheels on the floor.
    pub on_floor: usize,
    /// Of them, held.
    pub held: usize,
    /// Wheels that have left.
    pub dispatched: usize,
    /// Wheels thrown away.
    pub discarded: usize,
    /// Places: the hoops, each room, and what stands in no room.
    pub places: Vec<PlaceLine>,
    /// How many wheels need what, by how late.
    pub actions: Vec<ActionLine>,
    /// Situations that stand, worst first.
    pub alerts: Vec<AlertLine>,
    /// How much has been folded.
    pub counts: Counts,
    /// Facts that stations numbered and that never arrived.
    pub missing_facts: u64,
}

/// One place of the floor.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct PlaceLine {
    /// The room; none for hoops and for wheels between rooms.
    pub room: Option<RoomId>,
    /// Its name.
    pub name: String,
    /// Wheels there.
    pub wheels: usize,
    /// Stillages (or stacks) they stand on.
    pub carriers: usize,
    /// Wheels with something that may be done now.
    pub due: usize,
    /// Wheels with something overdue.
    pub overdue: usize,
    /// Wheels with something missed.
    pub missed: usize,
    /// Latest air temperature, °C.
    pub temperature_c: Option<f64>,
    /// Latest relative humidity, %.
    pub humidity_pct: Option<f64>,
}

/// How many wheels need one thing.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct ActionLine {
    /// What to do.
    pub action: String,
    /// It may be done.
    pub due: usize,
    /// It should have been done.
    pub overdue: usize,
    /// Its window has closed.
    pub missed: usize,
}

/// A situation that stands.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct AlertLine {
    /// The kind of trouble.
    pub situation: Situation,
    /// Where.
    pub subject: Subject,
    /// How bad.
    pub level: Level,
    /// How many wheels.
    pub wheels: usize,
    /// In words.
    pub words: String,
    /// The name in every message about it; none while nobody was told.
    #[serde(default)]
    pub alert: Option<String>,
    /// Since when people have been told.
    #[serde(default)]
    pub since: Option<DateTime<Utc>>,
}

/// A batch: its make record and its wheels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BatchPicture {
    /// The batch.
    pub batch: BatchId,
    /// Its recipe, `larkholm-blue v1`.
    pub recipe: Option<String>,
    /// Milk in the vat, litres.
    pub milk_l: Option<f64>,
    /// The make record.
    pub record: Vec<LifeLine>,
    /// Its wheels as they stand.
    pub wheels: Vec<WheelRow>,
    /// The wheels whose cores stand for the batch.
    pub to_iron: Vec<WheelId>,
    /// When the last of them showed blue right through.
    pub ready: Option<DateTime<Utc>>,
    /// What the forecast expects of it, as told last.
    #[serde(default)]
    pub expected: Option<ForecastTold>,
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

/// A wheel's whole life; `None` when no fact speaks of it.
#[must_use]
pub fn wheel(floor: &Floor, id: WheelId) -> Option<WheelLife> {
    let wheel = floor.wheel(id)?;
    let state = wheel.state();
    let case = floor.case(id);
    let clock = &floor.practice().clock;
    let life = wheel.chronicle().notes().into_iter().map(|note| LifeLine {
        at: note.moment.at,
        at_local: clock.local(note.moment.at),
        words: note.words(),
        station: note.station,
        person: note.person,
        fact: note.moment.fact,
        voided: floor.voids().reason(note.moment.fact).map(str::to_owned),
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
    Some(WheelLife {
        wheel: row(floor, id, wheel),
        markets: case.as_ref().map(markets).unwrap_or_default(),
        best_before: case
            .as_ref()
            .map(|case| case.made.plus(case.recipe.best_before_days)),
        recipe: case.as_ref().map(recipe_name),
        age_days: state.age_on(clock.day_of(floor.now())).map(|age| age.0),
        life: life.collect(),
        next: actions
            .iter()
            .map(|asked| next_line(floor, id, asked))
            .collect(),
    })
}

/// Every wheel as it stands, in order.
#[must_use]
pub fn census(floor: &Floor) -> Vec<WheelRow> {
    let mut rows: Vec<_> = floor
        .wheels()
        .map(|(id, wheel)| row(floor, *id, wheel))
        .collect();
    rows.sort_unstable_by_key(|row| row.wheel);
    rows
}

/// The floor at a glance. `room_name` names a room as its site file does; rooms that no
/// wheel stands in are shown when it knows them.
#[must_use]
pub fn floor(floor: &Floor, rooms: &[(RoomId, String)]) -> FloorPicture {
    let now = floor.now();
    let clock = &floor.practice().clock;
    let mut picture = FloorPicture {
        now,
        now_local: clock.local(now),
        day: clock.day_of(now),
        on_floor: 0,
        held: 0,
        dispatched: 0,
        discarded: 0,
        places: Vec::new(),
        actions: Vec::new(),
        alerts: Vec::new(),
        counts: floor.counts(),
        missing_facts: floor.stations().map(|(_, log)| log.missing_count()).sum(),
    };
    let mut places: BTreeMap<Option<RoomId>, PlaceLine> = rooms
        .iter()
        .map(|(id, name)| {
            (
                Some(*id),
                PlaceLine {
                    room: Some(*id),
                    name: name.clone(),
                    ..PlaceLine::default()
                },
            )
        })
        .collect();
    let mut hoops = PlaceLine {
        name: "in the hoop".to_owned(),
        ..PlaceLine::default()
    };
    let mut carriers: BTreeMap<(bool, Option<RoomId>), std::collections::BTreeSet<Carrier>> =
        BTreeMap::new();
    let mut actions: BTreeMap<String, ActionLine> = BTreeMap::new();
    for (id, wheel) in floor.wheels() {
        let state = wheel.state();
        picture.dispatched += usize::from(state.dispatched.is_some());
        picture.discarded += usize::from(state.discarded.is_some());
        if !state.on_floor() {
            continue;
        }
        picture.on_floor += 1;
        picture.held += usize::from(!floor.holds(*id).is_empty());
        let room = state.room.map(|room| room.value);
        let draining = room.is_none() && state.in_hoop();
        let place = if draining {
            &mut hoops
        } else {
            places.entry(room).or_insert_with(|| PlaceLine {
                room,
                name: room.map_or("between rooms".to_owned(), |room| room.to_string()),
                ..PlaceLine::default()
            })
        };
        place.wheels += 1;
        let worst = wheel
            .actions()
            .iter()
            .filter(|a| a.because.blocked.is_none());
        match worst.map(|a| a.window.urgency(now)).max() {
            Some(Urgency::Missed) => place.missed += 1,
            Some(Urgency::Overdue) => place.overdue += 1,
            Some(Urgency::Due) => place.due += 1,
            Some(Urgency::Ahead) | None => {}
        }
        if let Some(carrier) = carrier(state) {
            carriers
                .entry((draining, room))
                .or_default()
                .insert(carrier);
        }
        for asked in wheel
            .actions()
            .iter()
            .filter(|a| a.because.blocked.is_none())
        {
            let words = asked.action.to_string();
            let line = match asked.window.urgency(now) {
                Urgency::Ahead => continue,
                _ => actions.entry(words.clone()).or_insert_with(|| ActionLine {
                    action: words,
                    ..ActionLine::default()
                }),
            };
            match asked.window.urgency(now) {
                Urgency::Due => line.due += 1,
                Urgency::Overdue => line.overdue += 1,
                Urgency::Missed => line.missed += 1,
                Urgency::Ahead => {}
            }
        }
    }
    hoops.carriers = carriers
        .get(&(true, None))
        .map_or(0, std::collections::BTreeSet::len);
    for (room, place) in &mut places {
        place.carriers = carriers
            .get(&(false, *room))
            .map_or(0, std::collections::BTreeSet::len);
    }
    for (id, room) in floor.rooms() {
        if let Some((_, temperature, humidity)) = room.latest(floor.voids())
            && let Some(place) = places.get_mut(&Some(*id))
        {
            place.temperature_c = Some(temperature.get());
            place.humidity_pct = humidity.map(quantity::Percent::get);
        }
    }
    picture.places = std::iter::once(hoops).chain(places.into_values()).collect();
    picture.actions = actions.into_values().collect();
    picture
        .actions
        .sort_by_key(|line| std::cmp::Reverse((line.missed, line.overdue, line.due)));
    let told: BTreeMap<_, _> = floor.open_alerts().map(|open| (open.key, open)).collect();
    picture.alerts = floor
        .situations()
        .map(|(situation, subject, level, wheels)| {
            let open = told.get(&(situation, subject));
            AlertLine {
                situation,
                subject,
                level,
                wheels,
                words: situation.words().to_owned(),
                alert: open.map(|open| open.name()),
                since: open.map(|open| open.since),
            }
        })
        .collect();
    picture
        .alerts
        .sort_by_key(|alert| std::cmp::Reverse((alert.level, alert.wheels)));
    picture
}

/// A batch; `None` when no fact speaks of it.
#[must_use]
pub fn batch(floor: &Floor, id: BatchId) -> Option<BatchPicture> {
    let batch = floor.batch(id)?;
    let clock = &floor.practice().clock;
    let record = batch.lines.iter().map(|(moment, line)| LifeLine {
        at: moment.at,
        at_local: clock.local(moment.at),
        words: line.words.clone(),
        station: line.station,
        person: line.person,
        fact: moment.fact,
        voided: floor.voids().reason(moment.fact).map(str::to_owned),
        flags: Vec::new(),
    });
    Some(BatchPicture {
        batch: id,
        recipe: floor
            .recipe_of(id)
            .map(|r| format!("{} v{}", r.id, r.version)),
        milk_l: batch
            .started(floor.voids())
            .map(|started| started.milk.get()),
        record: record.collect(),
        wheels: batch
            .wheels
            .iter()
            .filter_map(|w| Some(row(floor, *w, floor.wheel(*w)?)))
            .collect(),
        to_iron: batch.progress.to_iron.clone(),
        ready: batch.progress.ready.map(|moment| moment.at),
        expected: batch.progress.expected.clone().map(|(_, told)| told),
    })
}

fn row(floor: &Floor, id: WheelId, wheel: &crate::Wheel) -> WheelRow {
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
        facts: wheel.chronicle().len(),
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

fn next_line(floor: &Floor, id: WheelId, asked: &NextAction) -> NextLine {
    let because = floor.case(id).map_or_else(
        || asked.because.rule.to_owned(),
        |case| rule::explain(&case, &asked.because),
    );
    NextLine {
        action: words(asked.action),
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

fn words(action: Action) -> String {
    action.to_string()
}

fn cost_of(rule: &str) -> &'static str {
    rule::RULES
        .iter()
        .find(|r| r.name == rule)
        .map_or("", |r| r.cost)
}

fn recipe_name(case: &Case<'_>) -> String {
    format!("{} v{}", case.recipe.id, case.recipe.version)
}

/// What a wheel stands on or in.
#[must_use]
pub fn carrier(state: &State) -> Option<Carrier> {
    let stillage = state.stillage.map(|id: StillageId| Carrier::Stillage(id));
    let stack = state.stack.map(Carrier::Stack);
    stillage.or(stack).or(state.hoop.map(Carrier::Hoop))
}
