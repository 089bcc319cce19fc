//! Day five: out of the hoop, rubbed up the same dairy day, onto a stillage and into the
//! hastening room.

use chrono::{DateTime, NaiveDate, Utc};

use crate::calendar::{later, local, seconds};
use crate::cheese::{DRAINS_DAYS, RIND_EVERY};
use crate::dairy::Dairy;
use crate::deed::{Act, WheelNo};
use crate::floor::{Stillage, stillage_code};
use crate::make::stack_code;
use crate::visit::Visit;
use crate::{ROOM, ROOMS, RUB, STILLAGE_HOLDS};

impl Dairy {
    /// Unhoops what has drained. Gives the time when its stillages stand in the room.
    pub(crate) fn unhoop(&mut self, day: NaiveDate, turned: DateTime<Utc>) -> DateTime<Utc> {
        let drained: Vec<u32> = self
            .floor
            .stacks
            .iter()
            .filter(|(_, stack)| later(stack.made, DRAINS_DAYS) <= day)
            .map(|(number, _)| *number)
            .collect();
        let mut start = local(day, 8, 0).max(turned + seconds(300));
        let mut wheels = Vec::new();
        for number in drained {
            let Some(stack) = self.floor.stacks.remove(&number) else {
                continue;
            };
            for hoop in &stack.hoops {
                self.floor.free_hoops.give_back(*hoop, day);
            }
            self.floor.free_stacks.give_back(number, day);
            wheels.extend_from_slice(&stack.wheels);
            let line = format!("K.{}", stack_code(number));
            let mut visit =
                Visit::new(RUB, "05", "UNHOOP").record(30, line, Act::Unhooped, &stack.wheels);
            visit = visit.scan(60, "A.RUBUP");
            for wheel in stack.wheels {
                let line = format!("W.{}", self.floor.code(wheel));
                visit = visit.record(25, line, Act::RubbedUp, &[wheel]);
            }
            start = self.visit(day, start, visit);
        }
        wheels.sort_unstable();
        self.load(day, start, &wheels)
    }

    fn load(&mut self, day: NaiveDate, from: DateTime<Utc>, wheels: &[WheelNo]) -> DateTime<Utc> {
        let mut numbers = Vec::new();
        let mut loaded = from;
        for wheels in wheels.chunks(STILLAGE_HOLDS) {
            let number = self.floor.free_stillages.take(day);
            let stillage = stillage_code(number);
            let mut visit = Visit::new(RUB, "05", "LOAD").scan(3, format!("S.{stillage}"));
            for wheel in wheels {
                let line = format!("W.{}", self.floor.code(*wheel));
                let act = Act::Loaded {
                    stillage: stillage.clone(),
                };
                visit = visit.record(6, line, act, &[*wheel]);
            }
            loaded = self.visit(day, from, visit);
            let position = self.floor.free_places[1].take(day);
            let fresh = Stillage {
                wheels: Vec::new(),
                room: 1,
                position,
                next_rind: later(day, RIND_EVERY),
                pierced: None,
                leaves: None,
                still_until: from,
            };
            self.floor.stillages.insert(number, fresh);
            for wheel in wheels {
                self.floor.put_on(*wheel, number);
            }
            if let Some(living) = &mut self.living {
                living.note_move(number);
            }
            numbers.push(number);
        }
        let arrivals: Vec<(u32, usize)> = numbers.into_iter().map(|number| (number, 1)).collect();
        self.announce(day, loaded + seconds(300), &arrivals)
    }

    /// Scans stillages into the rooms and places in which they stand.
    pub(crate) fn announce(
        &mut self,
        day: NaiveDate,
        wanted: DateTime<Utc>,
        moved: &[(u32, usize)],
    ) -> DateTime<Utc> {
        let mut end = wanted;
        for some in moved.chunks(20) {
            let mut visit = Visit::new(ROOM, "04", "MOVE");
            for (number, room) in some {
                let Some(stillage) = self.floor.stillages.get(number) else {
                    continue;
                };
                let room = ROOMS[*room];
                let position = place_code(stillage.position);
                let line = format!("S.{}", stillage_code(*number));
                visit = visit.scan(30, format!("R.{room}.{position}"));
                let act = Act::Moved {
                    room,
                    position: Some(position),
                };
                visit = visit.record(6, line, act, &stillage.wheels);
            }
            end = self.visit(day, end, visit);
        }
        end
    }

    /// Takes a stillage to another room, without scanning it.
    pub(crate) fn wheel_to(&mut self, number: u32, room: usize, today: NaiveDate) {
        let position = self.floor.free_places[room].take(today);
        if let Some(stillage) = self.floor.stillages.get_mut(&number) {
            self.floor.free_places[stillage.room].give_back(stillage.position, today);
            (stillage.room, stillage.position) = (room, position);
        }
        if let Some(living) = &mut self.living {
            living.note_move(number);
        }
    }
}

/// `P12`
pub(crate) fn place_code(number: u32) -> String {
    format!("P{number:02}")
}
