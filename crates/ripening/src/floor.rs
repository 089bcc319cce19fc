//! The whole floor: facts in, in any order; next actions and alerts out, for an instant.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use chrono::{DateTime, NaiveTime, Utc};
use facts::{BatchId, Event, Fact, FactId, HoldId, RoomId, StationId, ToolId, WheelId};
use quantity::{DairyClock, DairyDay, Grams};
use recipe::{Recipe, RecipeBook};

use crate::alert::{self, Alert, Board, Level, Open, Situation, Subject, Told};
use crate::rule::{self, Case};
use crate::{
    Batch, Calendar, Flag, Moment, NextAction, Note, Noted, Piercing, Progress, Room, State,
    StationLog, Tool, Urgency, Voiding, Voids, What, Wheel, odd,
};

/// How a site works: what the rules need to know beside the facts.
#[derive(Debug, Clone)]
pub struct Practice {
    /// Time zone and start of the dairy day.
    pub clock: DairyClock,
    /// Local time by which a day's work should be done.
    pub turn_by: NaiveTime,
    /// Days after which an unseen wheel counts as lost.
    pub lost_after_days: i64,
    /// Every recipe version.
    pub recipes: RecipeBook,
}

/// How much has been folded.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Counts {
    /// Facts folded, each once.
    pub facts: u64,
    /// Facts that had been folded before.
    pub duplicates: u64,
    /// Messages of a type or version that this build does not know.
    pub unknown_types: u64,
    /// Messages that could not be read.
    pub unreadable: u64,
}

/// A label that should be printed.
#[derive(Debug, Clone, PartialEq)]
pub struct LabelWanted {
    /// The wheel.
    pub wheel: WheelId,
    /// Its portioning.
    pub cause: FactId,
    /// Its batch.
    pub batch: BatchId,
    /// Its make day.
    pub made: quantity::DairyDay,
    /// Its curd weight.
    pub weight: Grams,
    /// The recipe it was made by.
    pub recipe: std::sync::Arc<Recipe>,
}

/// What has changed since it was last asked: what a store must write.
#[derive(Debug, Default)]
pub struct Changed {
    /// Wheels.
    pub wheels: HashSet<WheelId>,
    /// Batches.
    pub batches: BTreeSet<BatchId>,
    /// Rooms.
    pub rooms: BTreeSet<RoomId>,
    /// Tools.
    pub tools: BTreeSet<ToolId>,
    /// Stations.
    pub stations: BTreeSet<StationId>,
    /// Voidings.
    pub voidings: Vec<Voiding>,
}

/// The whole floor.
#[derive(Debug)]
pub struct Floor {
    practice: Practice,
    calendar: Calendar,
    wheels: HashMap<WheelId, Wheel>,
    batches: BTreeMap<BatchId, Batch>,
    rooms: BTreeMap<RoomId, Room>,
    tools: BTreeMap<ToolId, Tool>,
    /// Wheels by machine and dairy day of piercing, voided piercings included: whom a
    /// check of that machine on that day concerns.
    pierced: BTreeMap<(ToolId, DairyDay), BTreeSet<WheelId>>,
    stations: BTreeMap<StationId, StationLog>,
    voids: Voids,
    counts: Counts,
    now: DateTime<Utc>,
    /// When each wheel's urgency next changes by itself.
    due: BTreeSet<(DateTime<Utc>, WheelId)>,
    board: Board,
    labels_asked: HashSet<WheelId>,
    labels_wanted: BTreeSet<WheelId>,
    /// What must be derived again.
    stale: Stale,
    changed: Changed,
    spare: Spare,
}

/// Lists that are filled and exchanged with a wheel's own, so that deriving one wheel
/// after another asks for no memory.
#[derive(Debug, Default)]
struct Spare {
    actions: Vec<NextAction>,
    told: Vec<Told>,
    flags: Vec<Flag>,
}

#[derive(Debug, Default)]
struct Stale {
    wheels: HashSet<WheelId>,
    batches: BTreeSet<BatchId>,
    rooms: BTreeSet<RoomId>,
    tools: BTreeSet<ToolId>,
    stations: BTreeSet<StationId>,
}

impl Floor {
    /// An empty floor.
    #[must_use]
    pub fn new(practice: Practice) -> Self {
        Self {
            calendar: Calendar::new(practice.clock, practice.turn_by),
            practice,
            wheels: HashMap::new(),
            batches: BTreeMap::new(),
            rooms: BTreeMap::new(),
            tools: BTreeMap::new(),
            pierced: BTreeMap::new(),
            stations: BTreeMap::new(),
            voids: Voids::default(),
            counts: Counts::default(),
            now: DateTime::UNIX_EPOCH,
            due: BTreeSet::new(),
            board: Board::default(),
            labels_asked: HashSet::new(),
            labels_wanted: BTreeSet::new(),
            stale: Stale::default(),
            changed: Changed::default(),
            spare: Spare::default(),
        }
    }

    /// How the site works.
    #[must_use]
    pub const fn practice(&self) -> &Practice {
        &self.practice
    }

    /// Folds one fact. Nothing is derived until [`Self::refresh`].
    pub fn apply(&mut self, fact: &Fact) {
        let new_number = self.stations.entry(fact.station).or_default().saw(fact);
        let mut new = false;
        if let Some(note) = Note::of(fact) {
            let day = self.calendar.day_of(note.moment.at);
            for id in fact.event.wheels() {
                new |= self.note(*id, &note, day);
            }
        }
        new |= match &fact.event {
            Event::VatStarted(e) => self.make(e.batch, fact),
            Event::VatDosed(e) => self.make(e.batch, fact),
            Event::VatMeasured(e) => self.make(e.batch, fact),
            Event::VatCut(e) => self.make(e.batch, fact),
            Event::VatDrained(e) => self.make(e.batch, fact),
            Event::VatMilled(e) => self.make(e.batch, fact),
            Event::VatClosed(e) => self.make(e.batch, fact),
            Event::VatRecipeChanged(e) => self.make(e.batch, fact),
            Event::RoomClimateRead(e) => {
                self.rooms
                    .entry(e.room)
                    .or_default()
                    .read(Moment::of(fact), e);
                self.stale.rooms.insert(e.room);
                self.changed.rooms.insert(e.room);
                new_number
            }
            Event::ToolChecked(e) => {
                let new = self
                    .tools
                    .entry(e.tool)
                    .or_default()
                    .check(Moment::of(fact), e.check);
                self.stale.tools.insert(e.tool);
                self.changed.tools.insert(e.tool);
                self.checked(e.tool, fact.occurred_at);
                new
            }
            Event::Voided(e) => self.void(Voiding {
                by: fact.id,
                target: e.fact,
                reason: e.reason.clone(),
            }),
            // Nothing here derives from these yet: the log keeps them, and the
            // station's numbers tell a duplicate.
            _ => fact.event.wheels().is_empty() && new_number,
        };
        if new {
            self.counts.facts += 1;
        } else {
            self.counts.duplicates += 1;
        }
        let reused = new && !new_number;
        if reused && let Some(log) = self.stations.get_mut(&fact.station) {
            log.reused();
        }
        if new_number || reused {
            self.stale.stations.insert(fact.station);
            self.changed.stations.insert(fact.station);
        }
    }

    /// Counts a message that is no fact.
    pub fn count_unknown_type(&mut self) {
        self.counts.unknown_types += 1;
    }

    /// Counts a message that could not be read.
    pub fn count_unreadable(&mut self) {
        self.counts.unreadable += 1;
    }

    fn note(&mut self, id: WheelId, note: &Note, day: quantity::DairyDay) -> bool {
        let wheel = self.wheels.entry(id).or_default();
        let before = wheel.state.batch;
        if wheel.note(note, day, &self.practice.clock, &self.voids) == Noted::Duplicate {
            return false;
        }
        let after = wheel.state.batch;
        self.touched(id, before, after);
        if let What::Pierced { machine } = note.what {
            self.pierced.entry((machine, day)).or_default().insert(id);
            self.stale.tools.insert(machine);
        }
        true
    }

    /// A check of a machine concerns what it pierced that day.
    fn checked(&mut self, tool: ToolId, at: DateTime<Utc>) {
        let day = self.calendar.day_of(at);
        if let Some(wheels) = self.pierced.get(&(tool, day)) {
            self.stale.wheels.extend(wheels);
        }
    }

    /// Writes a wheel down for the machines that pierced it.
    fn list_piercings(&mut self, id: WheelId) {
        let piercings = self.wheels.get(&id).map(|w| w.state.piercings.as_slice());
        for piercing in piercings.unwrap_or_default() {
            let run = self.pierced.entry((piercing.machine, piercing.day));
            run.or_default().insert(id);
        }
    }

    fn touched(&mut self, wheel: WheelId, before: Option<BatchId>, after: Option<BatchId>) {
        if before != after {
            if let Some(id) = before
                && let Some(batch) = self.batches.get_mut(&id)
            {
                batch.wheels.remove(&wheel);
                if batch.wheels.is_empty() && batch.lines.is_empty() {
                    self.batches.remove(&id);
                }
            }
            if let Some(batch) = after {
                self.batches.entry(batch).or_default().wheels.insert(wheel);
            }
        }
        self.stale.wheels.insert(wheel);
        self.stale.batches.extend(before.into_iter().chain(after));
        self.changed.wheels.insert(wheel);
    }

    fn make(&mut self, batch: BatchId, fact: &Fact) -> bool {
        let new = self.batches.entry(batch).or_default().write(fact);
        self.batch_changed(batch);
        new
    }

    fn batch_changed(&mut self, id: BatchId) {
        if let Some(batch) = self.batches.get(&id) {
            self.stale.wheels.extend(&batch.wheels);
        }
        self.stale.batches.insert(id);
        self.changed.batches.insert(id);
    }

    fn void(&mut self, voiding: Voiding) -> bool {
        if self.voids.iter().any(|known| *known == voiding) {
            return false;
        }
        self.changed.voidings.push(voiding.clone());
        for fact in self.voids.add(voiding) {
            let clock = self.practice.clock;
            let mut refolded = Vec::new();
            for (id, wheel) in &mut self.wheels {
                if wheel.chronicle.mentions(fact) {
                    let before = wheel.state.batch;
                    wheel.fold_again(&clock, &self.voids);
                    refolded.push((*id, before, wheel.state.batch));
                }
            }
            for (id, before, after) in refolded {
                self.touched(id, before, after);
                self.list_piercings(id);
            }
            let checks: Vec<_> = self
                .tools
                .iter()
                .filter_map(|(tool, checks)| Some((*tool, checks.check_of(fact)?)))
                .collect();
            for (tool, at) in checks {
                self.checked(tool, at);
            }
            let made: Vec<_> = self
                .batches
                .iter()
                .filter(|(_, batch)| batch.lines.keys().any(|m| m.fact == fact))
                .map(|(id, _)| *id)
                .collect();
            for batch in made {
                self.batch_changed(batch);
            }
        }
        // Few rooms and tools: looking at each again is simpler than knowing which.
        self.stale.rooms.extend(self.rooms.keys());
        self.stale.tools.extend(self.tools.keys());
        true
    }

    /// Derives again what facts have changed, and what falls due by `now`. Costs what
    /// has changed, not what is there.
    pub fn refresh(&mut self, now: DateTime<Utc>) {
        self.now = self.now.max(now);
        while let Some((at, id)) = self.due.first().copied()
            && at <= self.now
        {
            self.due.pop_first();
            if let Some(wheel) = self.wheels.get_mut(&id) {
                wheel.changes_at = None;
            }
            self.stale.wheels.insert(id);
        }
        let stale = std::mem::take(&mut self.stale);
        let mut wheels = stale.wheels;
        for id in &stale.batches {
            let recipe = self.recipe_of(*id).cloned();
            if let Some(batch) = self.batches.get_mut(id) {
                batch.recipe = recipe;
            }
        }
        for id in stale.batches {
            if self.progress_changed(id)
                && let Some(batch) = self.batches.get(&id)
            {
                wheels.extend(&batch.wheels);
            }
        }
        for id in wheels {
            self.derive(id);
        }
        for room in stale.rooms {
            self.judge_room(room);
        }
        for tool in stale.tools {
            self.judge_tool(tool);
        }
        for station in stale.stations {
            self.judge_station(station);
        }
    }

    fn progress_changed(&mut self, id: BatchId) -> bool {
        let Some(batch) = self.batches.get(&id) else {
            return false;
        };
        let Some(recipe) = &batch.recipe else {
            return false;
        };
        let members = || {
            batch
                .wheels
                .iter()
                .filter_map(|w| Some((*w, &self.wheels.get(w)?.state)))
        };
        let to_iron: Vec<WheelId> = members()
            // A core that was drawn still stands for the batch when its wheel is gone.
            .filter(|(_, state)| state.discarded.is_none() || state.ironed.is_some())
            .map(|(id, _)| id)
            .take(recipe.iron.wheels_per_batch.of(batch.wheels.len()))
            .collect();
        let cores = to_iron.iter().map(|id| {
            let core = self.wheels.get(id)?.state.ironed?;
            (core.value >= recipe.iron.ready_at_coverage_pct).then_some(core.moment)
        });
        let ready = cores
            .collect::<Option<Vec<_>>>()
            .and_then(|moments| moments.into_iter().max());
        let progress = Progress { to_iron, ready };
        let changed = batch.progress != progress;
        if changed && let Some(batch) = self.batches.get_mut(&id) {
            batch.progress = progress;
        }
        changed
    }

    /// The recipe a batch ripens by: the one it was last moved to on purpose, else the one
    /// it was started with, else the site's only recipe.
    #[must_use]
    pub fn recipe_of(&self, batch: BatchId) -> Option<&std::sync::Arc<Recipe>> {
        let recipes = &self.practice.recipes;
        let stated = self.batches.get(&batch);
        if let Some((recipe, version)) = stated.and_then(|b| b.recipe(&self.voids)) {
            let exact = recipes.get(recipe, version);
            return exact.or_else(|| recipes.newest(recipe));
        }
        let mut all = recipes.iter().rev();
        let newest = all.next()?;
        all.all(|other| other.id == newest.id).then_some(newest)
    }

    /// What the rules look at for a wheel; `None` until it has been portioned and its
    /// recipe is known.
    #[must_use]
    pub fn case(&self, id: WheelId) -> Option<Case<'_>> {
        self.case_of(id, self.wheels.get(&id)?)
    }

    fn case_of<'a>(&'a self, id: WheelId, wheel: &'a Wheel) -> Option<Case<'a>> {
        let state = &wheel.state;
        let batch = self.batches.get(&state.batch?)?;
        let recipe = batch.recipe.as_deref()?;
        Some(Case {
            wheel: id,
            state,
            made: state.made?,
            recipe,
            batch: &batch.progress,
            clock: &self.calendar,
            lost_after_days: self.practice.lost_after_days,
            flags: &wheel.flags,
            uncounted: self.uncounted(state, recipe),
        })
    }

    /// The latest piercing with a machine whose needles had not been counted and found
    /// whole earlier that day. Putting the wheel under a hold answers it: whoever releases
    /// it then has looked for metal.
    fn uncounted(&self, state: &State, recipe: &Recipe) -> Option<Piercing> {
        if !recipe.pierce.needle_check {
            return None;
        }
        let uncounted = state.piercings.iter().rev().find(|piercing| {
            let checks = self.tools.get(&piercing.machine);
            let from = self.calendar.start_of(piercing.day);
            !checks.is_some_and(|c| c.good_between(from, piercing.moment.at, &self.voids))
        })?;
        let mut held_since = state.holds.iter().chain(&state.released);
        let answered = held_since.any(|hold| hold.moment > uncounted.moment);
        (!answered).then_some(*uncounted)
    }

    /// Every hold a wheel is under, those that its recipe puts on every wheel included.
    #[must_use]
    pub fn holds(&self, id: WheelId) -> Vec<HoldId> {
        match self.case(id) {
            Some(case) => case.holds().collect(),
            None => {
                let state = self.wheels.get(&id).map(|wheel| &wheel.state);
                let holds = state.map(|state| state.holds.iter().map(|hold| hold.value));
                holds.into_iter().flatten().collect()
            }
        }
    }

    fn derive(&mut self, id: WheelId) {
        let Some(wheel) = self.wheels.get(&id) else {
            return;
        };
        let mut spare = std::mem::take(&mut self.spare);
        spare.flags.clear();
        spare.actions.clear();
        spare.told.clear();
        let mut case = self.case_of(id, wheel);
        odd::flags(&wheel.state, case.as_ref(), &mut spare.flags);
        if let Some(case) = &mut case {
            case.flags = &spare.flags;
            rule::write_next_actions(case, &mut spare.actions);
        }
        let recipe_known = case.is_some();
        let Some(wheel) = self.wheels.get_mut(&id) else {
            return;
        };
        std::mem::swap(&mut wheel.flags, &mut spare.flags);
        std::mem::swap(&mut wheel.actions, &mut spare.actions);
        let changes_at = wheel
            .actions
            .iter()
            .filter_map(|action| action.window.next_change(self.now))
            .min();
        // What a wheel notes here is what the index holds for it.
        if wheel.changes_at != changes_at {
            if let Some(at) = wheel.changes_at {
                self.due.remove(&(at, id));
            }
            if let Some(at) = changes_at {
                self.due.insert((at, id));
            }
            wheel.changes_at = changes_at;
        }
        alert::of_wheel(id, wheel, self.now, &mut spare.told);
        self.board.wheel(id, &wheel.told, &spare.told);
        std::mem::swap(&mut wheel.told, &mut spare.told);
        let state = &wheel.state;
        let wanted = recipe_known && state.in_hoop() && state.on_floor() && !state.labelled;
        if wanted && !self.labels_asked.contains(&id) {
            self.labels_wanted.insert(id);
        } else if !wanted {
            self.labels_wanted.remove(&id);
            self.labels_asked.remove(&id);
        }
        self.spare = spare;
    }

    fn judge_room(&mut self, id: RoomId) {
        let stage = self
            .practice
            .recipes
            .iter()
            .rev()
            .find_map(|recipe| recipe.stage_of(id));
        let excursion = stage.and_then(|(_, stage)| {
            self.rooms
                .get(&id)
                .and_then(|room| room.excursion(stage, &self.voids))
        });
        let words = excursion.map(|e| {
            let since = self.practice.clock.floor_time(e.since);
            let level = if (e.until - e.since).num_hours() >= 6 {
                Level::Escalated
            } else {
                Level::Raised
            };
            (
                level,
                format!(
                    "{} since {since}. Look at the cooling and the doors",
                    e.words
                ),
            )
        });
        self.board
            .other((Situation::RoomOutOfRange, Subject::Room(id)), words);
    }

    /// Wheels that a machine has pierced since an instant, or ever.
    fn pierced_since(&self, machine: ToolId, since: Option<DateTime<Utc>>) -> Vec<WheelId> {
        let first = since.map_or(DairyDay::starting(chrono::NaiveDate::MIN), |at| {
            self.calendar.day_of(at)
        });
        let last = DairyDay::starting(chrono::NaiveDate::MAX);
        let runs = self.pierced.range((machine, first)..=(machine, last));
        let mut wheels: Vec<WheelId> = runs.flat_map(|(_, wheels)| wheels).copied().collect();
        wheels.sort_unstable();
        wheels.dedup();
        wheels.retain(|id| {
            let state = self.wheels.get(id).map(|wheel| &wheel.state);
            state.is_some_and(|state| {
                state.piercings.iter().any(|piercing| {
                    piercing.machine == machine
                        && since.is_none_or(|since| piercing.moment.at > since)
                })
            })
        });
        wheels
    }

    fn judge_tool(&mut self, id: ToolId) {
        let standing = self
            .tools
            .get(&id)
            .and_then(|tool| tool.standing(&self.voids));
        let failed = standing.filter(|(_, check, _)| !check.passed());
        let mut wheels = Vec::new();
        let failed = failed.map(|(at, check, good)| {
            let what = match check {
                facts::ToolCheck::Needles { expected, counted } => {
                    wheels = self.pierced_since(id, good.map(|moment| moment.at));
                    let gone = wheels.iter().filter_map(|wheel| self.wheels.get(wheel));
                    let gone = gone.filter(|wheel| wheel.state.dispatched.is_some()).count();
                    let gone = match gone {
                        0 => String::new(),
                        n => format!("; {n} of them have left: call them back"),
                    };
                    format!(
                        "{counted} of {expected} needles found. {} wheels pierced since the last good check: hold them and look for metal{gone}",
                        wheels.len()
                    )
                }
                facts::ToolCheck::Iron { .. } => {
                    "the iron is not whole: hold the wheels it was used on".to_owned()
                }
                facts::ToolCheck::CheckWeight { applied_g, shown_g, .. } => {
                    format!("shows {shown_g} for {applied_g}: do not weigh with it")
                }
            };
            let when = self.practice.clock.floor_time(at.at);
            (Level::Raised, format!("{what} ({when})"))
        });
        let key = (Situation::CheckFailed, Subject::Tool(id));
        self.board.other_with(key, failed, &wheels);
    }

    fn judge_station(&mut self, id: StationId) {
        let Some(log) = self.stations.get(&id) else {
            return;
        };
        let gap = log.missing().next().map(|(first, last)| {
            let n = log.missing_count();
            let which = if first == last {
                format!("{first}")
            } else {
                format!("{first} to {last}")
            };
            (
                Level::Raised,
                format!("{n} missing, the first numbered {which}: let the station send again"),
            )
        });
        let clock = log.clock_ahead().map(|ahead| {
            (
                Level::Raised,
                format!("{} min ahead: set it right", ahead.num_minutes()),
            )
        });
        self.board
            .other((Situation::FactsMissing, Subject::Station(id)), gap);
        self.board
            .other((Situation::ClockAhead, Subject::Station(id)), clock);
    }

    /// What people should be told since they were last told.
    pub fn tell(&mut self) -> Vec<Alert> {
        self.board.tell(self.now)
    }

    /// What people have been told and not yet been told is over.
    pub fn open_alerts(&self) -> impl Iterator<Item = &Open> {
        self.board.open()
    }

    /// Labels that should be printed and have not been asked for since the start.
    pub fn take_labels(&mut self) -> Vec<LabelWanted> {
        let wanted = std::mem::take(&mut self.labels_wanted);
        let labels = wanted.iter().filter_map(|id| {
            let state = &self.wheels.get(id)?.state;
            let batch = state.batch?;
            Some(LabelWanted {
                wheel: *id,
                cause: state.born?.fact,
                batch,
                made: state.made?,
                weight: state.portion?,
                recipe: self.recipe_of(batch)?.clone(),
            })
        });
        let labels = labels.collect();
        self.labels_asked.extend(wanted);
        labels
    }

    /// What has changed since this was last called.
    pub fn take_changed(&mut self) -> Changed {
        std::mem::take(&mut self.changed)
    }

    /// The instant of the latest refresh.
    #[must_use]
    pub const fn now(&self) -> DateTime<Utc> {
        self.now
    }

    /// How much has been folded.
    #[must_use]
    pub const fn counts(&self) -> Counts {
        self.counts
    }

    /// A wheel.
    #[must_use]
    pub fn wheel(&self, id: WheelId) -> Option<&Wheel> {
        self.wheels.get(&id)
    }

    /// Every wheel, in no order.
    pub fn wheels(&self) -> impl Iterator<Item = (&WheelId, &Wheel)> {
        self.wheels.iter()
    }

    /// A batch.
    #[must_use]
    pub fn batch(&self, id: BatchId) -> Option<&Batch> {
        self.batches.get(&id)
    }

    /// Every batch, in order.
    pub fn batches(&self) -> impl Iterator<Item = (&BatchId, &Batch)> {
        self.batches.iter()
    }

    /// Every room that has been read, in order.
    pub fn rooms(&self) -> impl Iterator<Item = (&RoomId, &Room)> {
        self.rooms.iter()
    }

    /// A tool.
    #[must_use]
    pub fn tool(&self, id: ToolId) -> Option<&Tool> {
        self.tools.get(&id)
    }

    /// Every station that has stated a fact, in order.
    pub fn stations(&self) -> impl Iterator<Item = (&StationId, &StationLog)> {
        self.stations.iter()
    }

    /// Which facts count as never having happened.
    #[must_use]
    pub const fn voids(&self) -> &Voids {
        &self.voids
    }

    /// Every situation that stands: what, where, how bad, how many wheels.
    pub fn situations(&self) -> impl Iterator<Item = (Situation, Subject, Level, usize)> {
        self.board
            .standing()
            .map(|((what, place), level, wheels)| (*what, *place, level, wheels))
    }

    /// How many wheels stand on the floor with something late.
    #[must_use]
    pub fn late(&self) -> usize {
        self.wheels
            .values()
            .filter(|wheel| wheel.is_late(self.now))
            .count()
    }

    /// The most urgent standing of each wheel on the floor.
    pub fn urgencies(&self) -> impl Iterator<Item = (WheelId, Urgency)> {
        self.wheels.iter().filter_map(|(id, wheel)| {
            Some((*id, wheel.next_action(self.now)?.window.urgency(self.now)))
        })
    }
}

/// Putting a stored floor together again, part by part.
impl Floor {
    /// Puts a voiding back. Voidings come before wheels.
    pub fn restore_voiding(&mut self, voiding: Voiding) {
        self.voids.add(voiding);
    }

    /// Puts a wheel back.
    pub fn restore_wheel(&mut self, id: WheelId, wheel: Wheel) {
        if let Some(batch) = wheel.state.batch {
            self.batches.entry(batch).or_default().wheels.insert(id);
            self.stale.batches.insert(batch);
        }
        self.stale.wheels.insert(id);
        self.wheels.insert(id, wheel);
        self.list_piercings(id);
    }

    /// Folds every wheel again: the clock that its days were counted by has changed.
    pub fn fold_again(&mut self) {
        let clock = self.practice.clock;
        for (id, wheel) in &mut self.wheels {
            wheel.fold_again(&clock, &self.voids);
            self.changed.wheels.insert(*id);
        }
        self.pierced.clear();
        let all: Vec<WheelId> = self.wheels.keys().copied().collect();
        for id in all {
            self.list_piercings(id);
        }
    }

    /// Puts a batch's make record back.
    pub fn restore_batch(&mut self, id: BatchId, stored: Batch) {
        self.batches.entry(id).or_default().lines = stored.lines;
        self.stale.batches.insert(id);
    }

    /// Puts a room back.
    pub fn restore_room(&mut self, id: RoomId, room: Room) {
        self.rooms.insert(id, room);
        self.stale.rooms.insert(id);
    }

    /// Puts a tool back.
    pub fn restore_tool(&mut self, id: ToolId, tool: Tool) {
        self.tools.insert(id, tool);
        self.stale.tools.insert(id);
    }

    /// Puts a station's numbers back.
    pub fn restore_station(&mut self, id: StationId, log: StationLog) {
        self.stations.insert(id, log);
        self.stale.stations.insert(id);
    }

    /// Puts back what people have been told.
    pub fn restore_open_alerts(&mut self, open: Vec<Open>) {
        self.board.restore(open);
    }

    /// Puts back how much has been folded.
    pub fn restore_counts(&mut self, counts: Counts) {
        self.counts = counts;
    }
}
