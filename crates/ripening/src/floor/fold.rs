//! Facts in, in any order.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::wire::Unknown;
use facts::{BatchId, Event, Fact, FactId, ToolId, WheelId};
use holds::{Guard, Step};
use quantity::DairyDay;

use super::{Floor, Gap};
use crate::notes::{self, NoteNo};
use crate::wheels::Slot;
use crate::{Moment, Note, State, Voiding, What};

/// A code as it was first written here: what is stored under it has one key, however later
/// facts write it.
fn as_kept<K: Ord + Copy, V>(map: &BTreeMap<K, V>, code: K) -> K {
    map.get_key_value(&code).map_or(code, |(kept, _)| *kept)
}

impl Floor {
    /// Folds one fact. Nothing is derived until [`Self::refresh`].
    pub fn apply(&mut self, fact: &Fact) {
        let new_number = self.stations.entry(fact.station).or_default().saw(fact);
        let mut new = false;
        if let Some(note) = Note::of(fact) {
            let day = self.calendar.day_of(note.moment.at);
            let encoded = notes::encoded(&note);
            let mut no = None;
            for id in fact.event.wheels() {
                new |= self.note(*id, (&note, &encoded, &mut no), day);
            }
            if new && let Some(Step::Moved(_, Some(stillage))) = note.step {
                self.stillage_moved(stillage);
            }
        }
        if let Some(batch) = made_of(&fact.event) {
            new |= match &fact.event {
                Event::ForecastTold(_) => self.forecast(batch, fact),
                _ => self.make(batch, fact),
            };
        }
        new |= match &fact.event {
            Event::RoomClimateRead(facts::RoomClimateRead { room, .. })
            | Event::RoomGasRead(facts::RoomGasRead { room, .. }) => {
                self.rooms.entry(*room).or_default().read(fact);
                self.stale.rooms.insert(*room);
                self.changed.rooms.insert(*room);
                new_number
            }
            Event::ToolChecked(e) => {
                let new = self.tools.entry(e.tool).or_default().check(fact, e.check);
                self.stale.tools.insert(e.tool);
                self.changed.tools.insert(as_kept(&self.tools, e.tool));
                self.checked(e.tool, fact.occurred_at);
                new
            }
            Event::Voided(e) => self.void(Voiding::of(fact, e)),
            Event::HoldPlaced(_)
            | Event::HoldLifted(_)
            | Event::HoldTraced(_)
            | Event::MilkPooled(_) => self.lay(fact),
            event if made_of(event).is_some() => false,
            // Nothing here derives from these yet: the log keeps them, and the
            // station's numbers tell a duplicate.
            event => event.wheels().is_empty() && new_number,
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
        // Its clock may read otherwise, whatever the number.
        self.stale.stations.insert(fact.station);
        self.changed.stations.insert(fact.station);
    }

    /// The broker stored a fact at this instant, by its own clock: its station's can be held
    /// against that.
    pub fn stored(&mut self, fact: &Fact, at: DateTime<Utc>) {
        let log = self.stations.entry(fact.station).or_default();
        log.stored(fact, at);
        self.stale.stations.insert(fact.station);
        self.changed.stations.insert(fact.station);
    }

    /// Passes over a fact of a type that this build does not know. Its station's number has
    /// arrived, and where it lies in the log is remembered for a build that knows it.
    pub fn pass(&mut self, position: u64, unknown: &Unknown) {
        self.counts.unknown_types += 1;
        let gap = self.gaps.entry(unknown.ty.clone());
        let gap = gap.or_insert(Gap {
            first: position,
            count: 0,
        });
        gap.count += 1;
        let log = self.stations.entry(unknown.station).or_default();
        log.passed(
            Moment::new(unknown.recorded_at, unknown.id),
            unknown.station_seq,
        );
        self.stale.stations.insert(unknown.station);
        self.changed.stations.insert(unknown.station);
    }

    /// Counts a message that could not be read.
    pub fn count_unreadable(&mut self) {
        self.counts.unreadable += 1;
    }

    /// Gives a wheel a note; whether it is new to it.
    fn note(
        &mut self,
        id: WheelId,
        (note, encoded, no): (&Note, &[u8], &mut Option<NoteNo>),
        day: DairyDay,
    ) -> bool {
        let slot = self.wheels.slot_or_new(id);
        let wheel = &mut self.wheels[slot];
        let before = wheel.state.batch;
        let Err(place) = self.notes.place(&wheel.life, note.moment) else {
            return false;
        };
        let no = *no.get_or_insert_with(|| self.notes.number(note, encoded));
        let latest = place == wheel.life.len();
        wheel.life.insert(place, no);
        self.notes.give(no, slot);
        if !latest {
            self.fold_again(slot);
        } else if !note.is_void(&self.voids) {
            self.wheels[slot].state.apply(note, day);
        }
        self.touched(slot, before);
        self.carry(slot, note);
        if let What::Portioned { .. } = note.what
            && portions(&self.life_of(&self.wheels[slot])) > 1
        {
            self.twice_born.insert(slot);
        }
        if let What::Pierced { machine } = note.what {
            self.pierced.entry((machine, day)).or_default().insert(slot);
            self.stale.tools.insert(machine);
        }
        true
    }

    /// Folds every note of a wheel that counts, from nothing.
    pub(super) fn fold_again(&mut self, slot: Slot) {
        let notes = self.life_of(&self.wheels[slot]);
        self.fold_notes(slot, &notes);
    }

    pub(super) fn fold_notes(&mut self, slot: Slot, notes: &[Note]) {
        let valid = notes.iter().filter(|note| !note.is_void(&self.voids));
        self.wheels[slot].state = State::of(valid, |at| self.calendar.day_of(at));
    }

    /// A check of a machine concerns what it pierced that day.
    fn checked(&mut self, tool: ToolId, at: DateTime<Utc>) {
        let day = self.calendar.day_of(at);
        for slot in self.pierced.get(&(tool, day)).into_iter().flatten() {
            self.wheels.mark_stale(*slot);
        }
    }

    /// Writes a wheel down for the machines that pierced it.
    pub(super) fn list_piercings(&mut self, slot: Slot) {
        for piercing in &self.wheels[slot].state.piercings {
            let run = self.pierced.entry((piercing.machine, piercing.day));
            run.or_default().insert(slot);
        }
    }

    /// A wheel's notes have changed. `before`: the batch it belonged to by then.
    pub(super) fn touched(&mut self, slot: Slot, before: Option<BatchId>) {
        let after = self.wheels[slot].state.batch;
        if before != after {
            let wheel = self.wheels.id(slot);
            if let (Some(id), Some(wheel)) = (before, wheel)
                && let Some(batch) = self.batches.get_mut(&id)
            {
                batch.wheels.remove(&wheel);
                if batch.wheels.is_empty() && batch.says_nothing() {
                    let kept = self.batches.remove_entry(&id).map(|(kept, _)| kept);
                    self.changed.batches.extend(kept);
                }
            }
            if let (Some(batch), Some(wheel)) = (after, wheel) {
                self.batches.entry(batch).or_default().wheels.insert(wheel);
            }
        }
        self.wheels.mark_stale(slot);
        for id in before.into_iter().chain(after) {
            self.stale.batch(id);
        }
    }

    fn make(&mut self, batch: BatchId, fact: &Fact) -> bool {
        let new = self.batches.entry(batch).or_default().write(fact);
        self.batch_changed(batch);
        new
    }

    fn forecast(&mut self, id: BatchId, fact: &Fact) -> bool {
        let new = self.batches.entry(id).or_default().expect(fact);
        if new {
            // Its wheels are derived again only when what stands has changed.
            self.stale.batch(id);
            self.changed.batches.insert(as_kept(&self.batches, id));
        }
        new
    }

    fn batch_changed(&mut self, id: BatchId) {
        self.wheels_of_are_stale(id);
        self.reworked_from_are_stale(id);
        self.stale.batch(id);
        self.changed.batches.insert(as_kept(&self.batches, id));
    }

    /// Whether a voiding counts, as far as the fact it names is known here.
    ///
    /// # Errors
    /// Why it does not, in words.
    pub fn judge(&self, voiding: &Voiding) -> Result<(), String> {
        match self.guard_of(voiding.target, &mut Vec::new()) {
            Some(guard) => self.voids.judge(voiding, guard),
            None => Ok(()),
        }
    }

    /// Who takes a fact back, where it is known here. `path`: voidings looked through already.
    fn guard_of(&self, fact: FactId, path: &mut Vec<FactId>) -> Option<Guard> {
        if let Some(target) = self.voids.voided_by(fact) {
            if path.contains(&fact) {
                return Some(Guard::Correction);
            }
            path.push(fact);
            let voided = self.guard_of(target, path);
            return Some(voided.map_or(Guard::Correction, Guard::of_its_voiding));
        }
        let of_wheel = || self.notes.of(fact).next().map(|note| note.target().guard);
        let of_batch = || self.batches.values().find_map(|made| made.guard_of(fact));
        let of_tool = || self.tools.values().find_map(|tool| tool.guard_of(fact));
        let of_scope = self.scopes.guard_of(fact);
        of_scope
            .or_else(of_batch)
            .or_else(of_tool)
            .or_else(of_wheel)
    }

    fn void(&mut self, voiding: Voiding) -> bool {
        if self.voids.iter().any(|known| *known == voiding) {
            return false;
        }
        self.changed.voidings.push(voiding.clone());
        for fact in self.voids.add(voiding) {
            self.fold_what_mentions(fact);
            self.move_voided(fact);
            let checks: Vec<_> = self
                .tools
                .iter()
                .filter_map(|(tool, checks)| Some((*tool, checks.check_of(fact)?)))
                .collect();
            for (tool, at) in checks {
                self.checked(tool, at);
            }
            if self.scopes.guard_of(fact).is_some() {
                self.wheels_under_scopes_are_stale(fact);
            }
            let made = self.batches.iter();
            let made = made.filter(|(_, made)| made.guard_of(fact).is_some());
            for batch in made.map(|(id, _)| *id).collect::<Vec<_>>() {
                self.batch_changed(batch);
            }
        }
        // Few rooms and tools: looking at each again is simpler than knowing which.
        self.stale.rooms.extend(self.rooms.keys());
        self.stale.tools.extend(self.tools.keys());
        true
    }

    /// Takes in a hold over a scope, its end, or what such a hold follows milk by.
    fn lay(&mut self, fact: &Fact) -> bool {
        let new = self.scopes.apply(fact);
        if new {
            self.changed.scopes = true;
            self.wheels_under_scopes_are_stale(fact.id);
        }
        new
    }

    /// Holds over scopes change seldom: looking at every wheel that ever came under one is
    /// simpler than knowing which.
    fn wheels_under_scopes_are_stale(&mut self, fact: FactId) {
        let every = self.scopes.concerns_every_wheel(fact);
        for slot in self.wheels.slots() {
            let Some(id) = self.wheels.id(slot) else {
                continue;
            };
            if every || self.scopes.reach(id, &self.wheels[slot].state.holds, self) {
                self.wheels.mark_stale(slot);
            }
        }
    }

    /// Folds again every wheel that a fact speaks of.
    fn fold_what_mentions(&mut self, fact: FactId) {
        for slot in self.notes.wheels_of(fact).collect::<Vec<_>>() {
            let before = self.wheels[slot].state.batch;
            self.fold_again(slot);
            self.touched(slot, before);
            self.list_piercings(slot);
        }
    }
}

/// How often notes say that their wheel was portioned, void ones too.
pub(super) fn portions(notes: &[Note]) -> usize {
    let portioned = |note: &&Note| matches!(note.what, What::Portioned { .. });
    notes.iter().filter(portioned).count()
}

/// The batch whose make an event belongs to, or that it forecasts.
pub(super) const fn made_of(event: &Event) -> Option<BatchId> {
    match event {
        Event::VatStarted(e) => Some(e.batch),
        Event::VatFilled(e) => Some(e.batch),
        Event::VatReworked(e) => Some(e.batch),
        Event::VatDosed(e) => Some(e.batch),
        Event::VatMeasured(e) => Some(e.batch),
        Event::VatCut(e) => Some(e.batch),
        Event::VatDrained(e) => Some(e.batch),
        Event::VatMilled(e) => Some(e.batch),
        Event::VatClosed(e) => Some(e.batch),
        Event::VatRecipeChanged(e) => Some(e.batch),
        Event::ForecastTold(e) => Some(e.batch),
        _ => None,
    }
}
