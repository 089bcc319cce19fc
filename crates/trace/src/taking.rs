//! How a fact is taken into the index.

use chrono::{DateTime, Utc};
use facts::{
    BatchId, Event, Fact, FactId, LotId, ReworkSource, StillageId, WheelId, stored_struct, wire,
};
use holds::{Course, Guard, Moment, Target, Voiding};

use crate::Place;
use crate::act::{Act, Said, wheels};
use crate::index::{Group, Index, Kept, Wheel};
use crate::key::{Code, Key, Table, after, before, exact, moment_of, month_of};

/// Where a fact went.
#[derive(Debug, Default)]
struct Slot {
    entry: Option<At>,
    kept: bool,
    /// The batch whose recipe it speaks of.
    recipe_of: Option<BatchId>,
}

stored_struct!(Slot {
    entry,
    kept,
    recipe_of,
});

/// Where an entry lies.
#[derive(Debug, Clone, Copy)]
struct At {
    group: u32,
    at: DateTime<Utc>,
    handled: bool,
}

stored_struct!(At { group, at via exact, handled });

impl At {
    fn key(self, fact: FactId) -> Key {
        let table = if self.handled {
            Table::Handled
        } else {
            Table::Act
        };
        Key::of(table)
            .number(month_of(self.at))
            .number(self.group)
            .moment(self.at, fact)
    }
}

/// A move of a stillage as a whole.
#[derive(Debug)]
pub(crate) struct Move {
    pub(crate) room: facts::RoomId,
    pub(crate) void: bool,
}

stored_struct!(Move { room, void });

impl Index {
    /// Takes a fact in. Facts that say nothing for a trace are ignored, and so are repeats.
    pub fn apply(&mut self, fact: &Fact) {
        self.apply_from(fact, 0);
    }

    /// Takes a fact in that lies at a place of the caller's log, so that
    /// [`Trace::evidence`](crate::Trace::evidence) can say where to find it again.
    pub fn apply_from(&mut self, fact: &Fact, place: u32) {
        if let Event::Voided(voided) = &fact.event {
            let voiding = Voiding::of(fact, voided);
            let key = Key::of(Table::Voiding);
            self.shelf
                .put(&key.fact(voiding.by).fact(voiding.target), &voiding);
            let affected = self.voids.add(voiding);
            affected.into_iter().for_each(|fact| self.void_again(fact));
            return;
        }
        let mut slot = Slot::default();
        if let Some(batch) = Course::of(&fact.event) {
            let mut course = self.course(batch).unwrap_or_default();
            if course.apply(fact) {
                self.shelf
                    .put(&Key::of(Table::Course).code(&batch), &course);
            }
            if matches!(
                fact.event,
                Event::VatStarted(_) | Event::VatRecipeChanged(_)
            ) {
                slot.recipe_of = Some(batch);
                self.recipe_changed(batch);
            }
        }
        if self.scopes.apply(fact) {
            self.put_fact(&Key::of(Table::Scope).fact(fact.id), fact);
        }
        let key = Key::of(Table::Slot).fact(fact.id);
        if self.shelf.has(&key) {
            return;
        }
        slot.entry = self.enter(fact, place);
        slot.kept = self.keep(fact);
        if slot.entry.is_some() || slot.kept {
            self.counts.facts += 1;
        }
        if slot.entry.is_some() || slot.kept || slot.recipe_of.is_some() {
            self.shelf.put(&key, &slot);
        }
    }

    fn put_fact(&mut self, key: &Key, fact: &Fact) {
        let kept = wire::to_line(fact).map(|line| Kept {
            void: self.voids.has_voided(fact),
            at: fact.occurred_at,
            line,
        });
        match kept {
            Ok(kept) => self.shelf.put(key, &kept),
            Err(error) => self.shelf.damaged(&error.to_string()),
        }
    }

    fn enter(&mut self, fact: &Fact, place: u32) -> Option<At> {
        let act = self.act(&fact.event)?;
        let month = month_of(fact.occurred_at);
        let (group, wheels) = self.group_of(wheels(&fact.event), month);
        let (moment, handled) = ((fact.occurred_at, fact.id), act == Act::Handled);
        let void = self.voids.has_voided(fact);
        match act {
            Act::Portioned { batch, .. } => {
                let birth = Moment::of(fact);
                self.counts.last_birth = self.counts.last_birth.max(Some(birth));
                for wheel in &wheels {
                    let key = Key::of(Table::Born).code(&batch).code(wheel);
                    self.shelf.put(&key, wheel);
                }
                let key = Key::of(Table::Births).moment(moment.0, moment.1);
                self.shelf.put(&key, &group);
            }
            Act::Used { lot } => {
                let key = Key::of(Table::UsedOn).code(&lot);
                self.shelf.put(&key.moment(moment.0, moment.1), &group);
            }
            Act::Moved {
                room,
                with: Some(stillage),
            } => self.moved(stillage, moment, Move { room, void }),
            Act::Loaded { stillage } => {
                let key = Key::of(Table::Loaded).code(&stillage);
                self.shelf.put(&key.moment(moment.0, moment.1), &group);
            }
            _ => {}
        }
        let at = At {
            group,
            at: fact.occurred_at,
            handled,
        };
        let said = Said {
            person: fact.person.map(|person| self.name(person)),
            act,
            void,
            guard: Guard::of(fact),
            place,
        };
        self.shelf.put(&at.key(fact.id), &said);
        if !handled {
            self.changed(wheels);
        }
        Some(at)
    }

    /// The group of these wheels, a new one if need be, and the wheels as they were first
    /// written. Something is said of it in a month.
    fn group_of(&mut self, wheels: &[WheelId], month: u32) -> (u32, Vec<WheelId>) {
        let mut wheels = wheels.to_vec();
        wheels.sort();
        wheels.dedup();
        let of = Key::of(Table::GroupOf).hash(hash(&wheels));
        let mut same = 0;
        loop {
            let key = of.clone().number(same);
            let Some(group) = self.shelf.get(&key) else {
                let group = self.counts.groups;
                self.counts.groups = group.saturating_add(1);
                for wheel in &mut wheels {
                    *wheel = self.join(*wheel, Some(group));
                }
                self.shelf.put(&key, &group);
                let months = vec![month];
                let new = Group { wheels, months };
                self.shelf.put(&Key::of(Table::Group).number(group), &new);
                return (group, new.wheels);
            };
            let mut known = self.group(group);
            if known.wheels == wheels {
                if !known.months.contains(&month) {
                    known.months.push(month);
                    self.shelf.put(&Key::of(Table::Group).number(group), &known);
                }
                return (group, known.wheels);
            }
            same += 1;
        }
    }

    /// Puts a wheel into a group; answers how the wheel was first written.
    fn join(&mut self, wheel: WheelId, group: Option<u32>) -> WheelId {
        let key = Key::of(Table::Wheel).code(&wheel);
        let Wheel { name, mut groups } = self.shelf.get(&key).unwrap_or_default();
        self.counts.wheels += u64::from(name.is_none());
        if groups.is_empty() && group.is_some() {
            // A recipe may hold it, whatever was said of it.
            self.changed([wheel]);
        }
        groups.extend(group);
        let name = name.unwrap_or(wheel);
        let known = Wheel {
            name: Some(name),
            groups,
        };
        self.shelf.put(&key, &known);
        name
    }

    /// A stillage was moved, or a move of it counts anew or no more: with it went whatever
    /// stood on it, and whatever was loaded until it was moved next begins where it stood.
    fn moved(&mut self, stillage: StillageId, (at, id): (DateTime<Utc>, FactId), now: Move) {
        let moves = Key::of(Table::Moves).code(&stillage);
        self.shelf.put(&moves.clone().moment(at, id), &now);
        let mut until = None;
        let later = moves.clone().at(after(at));
        self.shelf
            .between(&later, &moves.end(), |key, moved: Move| {
                if !moved.void {
                    until = moment_of(key).map(|(at, _)| at);
                }
                moved.void.then_some(())
            });
        let loaded = Key::of(Table::Loaded).code(&stillage);
        let end = until.map_or_else(|| loaded.end(), |until| loaded.clone().at(after(until)));
        let groups = self
            .shelf
            .between(&loaded.at(at), &end, |_, group: u32| Some(group));
        let stood = self.overlapping(Place::Stillage(stillage), before(at), after(at));
        let mut wheels: Vec<WheelId> = stood.into_iter().flat_map(|stay| stay.wheels).collect();
        wheels.extend(groups.into_iter().flat_map(|group| self.wheels_of(group)));
        self.changed(wheels);
    }

    /// A batch may go by another recipe than before.
    fn recipe_changed(&mut self, batch: BatchId) {
        let wheels = self.ever_born(batch);
        self.changed(wheels);
    }

    fn keep(&mut self, fact: &Fact) -> bool {
        let Some(lists) = self.lists(fact) else {
            return false;
        };
        for list in lists {
            let key = list.moment(fact.occurred_at, fact.id);
            self.shelf.put(&key, &());
        }
        self.put_fact(&Key::of(Table::Kept).fact(fact.id), fact);
        self.stir(fact);
        true
    }

    fn list<C: Code>(&mut self, table: Table, code: C) -> Key {
        Key::of(table).code(&self.name(code))
    }

    fn list_of_place<C: Code>(&mut self, code: C, place: impl FnOnce(C) -> Place) -> Key {
        Key::of(Table::OfPlace).place(place(self.name(code)))
    }

    /// The lists of kept facts that a fact belongs to; `None` when it is not kept.
    fn lists(&mut self, fact: &Fact) -> Option<Vec<Key>> {
        use Table::{OfBatch, OfHold, OfLot, OfOrder, OfSample, ReworkOf};
        Some(match &fact.event {
            Event::MilkReceived(e) => vec![self.list(OfLot, e.lot)],
            Event::MilkScreened(e) => vec![self.list(OfLot, e.lot)],
            Event::MilkPasteurised(e) => vec![self.list(OfLot, e.lot)],
            Event::MilkHeated(e) => vec![self.list(OfLot, e.lot)],
            Event::LotReceived(e) => vec![self.list(OfLot, e.lot)],
            Event::LotCounted(e) => vec![self.list(OfLot, e.lot)],
            Event::LotUsed(e) => vec![self.list(OfLot, e.lot)],
            Event::MilkPooled(e) => {
                let lots: Vec<LotId> = e.from.iter().map(|part| part.lot).collect();
                let lots = lots.into_iter().chain([e.lot]);
                lots.map(|lot| self.list(OfLot, lot)).collect()
            }
            Event::VatStarted(e) => {
                let mut lists = vec![
                    self.list(OfBatch, e.batch),
                    self.list_of_place(e.vat, Place::Vat),
                ];
                lists.extend(e.milk_lots.iter().map(|lot| self.list(OfLot, *lot)));
                lists
            }
            Event::VatFilled(e) => vec![self.list(OfBatch, e.batch), self.list(OfLot, e.lot)],
            Event::VatDosed(e) => vec![self.list(OfBatch, e.batch), self.list(OfLot, e.lot)],
            Event::VatReworked(e) => {
                let of = self.list(OfBatch, e.batch);
                let from = match e.from {
                    ReworkSource::Batch(from) => self.list(OfBatch, from),
                    ReworkSource::Wheel(wheel) => {
                        let wheel = self.join(wheel, None);
                        self.changed([wheel]);
                        Key::of(ReworkOf).code(&wheel)
                    }
                };
                vec![of, from]
            }
            Event::VatDrained(e) => vec![self.list(OfBatch, e.batch)],
            Event::VatMeasured(e) => vec![self.list(OfBatch, e.batch)],
            Event::VatCut(e) => vec![self.list(OfBatch, e.batch)],
            Event::VatMilled(e) => vec![self.list(OfBatch, e.batch)],
            Event::VatClosed(e) => vec![self.list(OfBatch, e.batch)],
            // A vat, a stillage and a hoop have cards of their own; they are cleaned under
            // the same codes.
            Event::ToolSanitised(e) => vec![self.list_of_place(e.tool, Place::Tool)],
            Event::ToolChecked(e) => vec![self.list_of_place(e.tool, Place::Tool)],
            Event::RoomCleaned(e) => vec![self.list_of_place(e.room, Place::Room)],
            Event::OrderPlaced(e) => vec![self.list(OfOrder, e.order)],
            Event::LabSampled(e) => {
                for batch in crate::sample::stands_for(e) {
                    let key = Key::of(Table::SampledOf).code(&batch).code(&e.sample);
                    self.shelf.put(&key, &e.sample);
                }
                vec![self.list(OfSample, e.sample)]
            }
            Event::LabSwabbed(e) => vec![self.list(OfSample, e.sample)],
            Event::LabResulted(e) => {
                let key = Key::of(Table::Results);
                self.shelf
                    .put(&key.moment(fact.occurred_at, fact.id), &e.sample);
                vec![self.list(OfSample, e.sample)]
            }
            Event::HoldPlaced(e) => {
                if let Some(cause) = e.cause {
                    let key = Key::of(Table::Caused).fact(cause).fact(fact.id);
                    self.shelf.put(&key, &fact.id);
                }
                vec![self.list(OfHold, e.hold)]
            }
            Event::HoldLifted(e) => vec![self.list(OfHold, e.hold)],
            _ => return None,
        })
    }

    /// Notes the sample that a fact says something about.
    fn stir(&mut self, fact: &Fact) {
        match &fact.event {
            Event::LabSampled(e) => self.stirred.insert(e.sample),
            Event::LabSwabbed(e) => self.stirred.insert(e.sample),
            Event::LabResulted(e) => self.stirred.insert(e.sample),
            Event::HoldPlaced(e) => {
                if let Some(cause) = e.cause.and_then(|cause| self.fact(cause))
                    && !matches!(cause.event, Event::HoldPlaced(_))
                {
                    self.stir(&cause);
                }
                false
            }
            _ => false,
        };
    }

    fn void_again(&mut self, fact: FactId) {
        let Some(slot) = self.shelf.get::<Slot>(&Key::of(Table::Slot).fact(fact)) else {
            return;
        };
        if let Some(at) = slot.entry
            && let Some(mut said) = self.shelf.get::<Said>(&at.key(fact))
        {
            said.void = self.voids.takes_back(Target::kept(fact, said.guard));
            self.shelf.put(&at.key(fact), &said);
            if let Act::Moved {
                room,
                with: Some(stillage),
            } = said.act
            {
                let void = said.void;
                self.moved(stillage, (at.at, fact), Move { room, void });
            }
            let wheels = self.wheels_of(at.group);
            self.changed(wheels);
        }
        let key = Key::of(Table::Kept).fact(fact);
        if slot.kept
            && let Some(kept) = self.shelf.get::<Kept>(&key)
            && let Some(fact) = self.read(&kept)
        {
            let void = self.voids.has_voided(&fact);
            self.shelf.put(&key, &Kept { void, ..kept });
            self.stir(&fact);
        }
        if let Some(batch) = slot.recipe_of {
            self.recipe_changed(batch);
        }
    }
}

/// A number that the same wheels always have (FNV-1a, 64 bits); others may have it as well.
fn hash(wheels: &[WheelId]) -> u64 {
    let mut key = Key::of(Table::GroupOf);
    for wheel in wheels {
        key = key.code(wheel);
    }
    key.bytes()
        .iter()
        .fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
            (hash ^ u64::from(*byte)).wrapping_mul(0x0100_0000_01b3)
        })
}
