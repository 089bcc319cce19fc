//! The maturing rooms: rinds are looked at, stillages move on, and now and then a wheel
//! stands in the wrong place or falls.

use chrono::{DateTime, NaiveDate, Utc};

use crate::ROOM;
use crate::calendar::{later, local, seconds};
use crate::cheese::{COVER_FOR_SECOND, COVER_FOR_THIRD, DRAINS_DAYS, RIND_EVERY, seen};
use crate::dairy::Dairy;
use crate::deed::{Act, WheelNo};
use crate::floor::{Stillage, stillage_code};
use crate::mistakes;
use crate::visit::Visit;

impl Dairy {
    /// Looks at the rinds that are due and moves on what is covered enough. Gives the end.
    pub(crate) fn look_at_rinds(&mut self, day: NaiveDate, from: DateTime<Utc>) -> DateTime<Utc> {
        let due = self
            .floor
            .walk(|s| s.pierced.is_none() && s.next_rind <= day);
        let mut end = local(day, 9, 0).max(from);
        let mut moves = Vec::new();
        for some in due.chunks(16) {
            let mut visit = Visit::new(ROOM, "04", "RIND");
            for number in some {
                let Some(stillage) = self.floor.stillages.get(number) else {
                    continue;
                };
                let truth = self.cover(stillage, day);
                let cover = seen(truth, 3.0, &mut self.chance);
                let line = format!("S.{}", stillage_code(*number));
                let act = Act::RindSeen { cover };
                visit = visit.scan(25, line);
                visit = visit.record(8, format!("N.{cover}"), act, &stillage.wheels);
                match (stillage.room, cover) {
                    (1, COVER_FOR_SECOND..) => moves.push((*number, 2)),
                    (2, COVER_FOR_THIRD..) => moves.push((*number, 3)),
                    _ => {}
                }
                if let Some(stillage) = self.floor.stillages.get_mut(number) {
                    stillage.next_rind = later(day, RIND_EVERY);
                }
            }
            end = self.visit(day, end, visit);
        }
        for (number, room) in &moves {
            self.wheel_to(*number, *room, day);
        }
        self.announce(day, end + seconds(600), &moves)
    }

    /// True rind cover of a stillage: the mean of its wheels.
    fn cover(&self, stillage: &Stillage, day: NaiveDate) -> f64 {
        if let Some(living) = &self.living {
            let sum: f64 = stillage
                .wheels
                .iter()
                .map(|wheel| living.rind(*wheel))
                .sum();
            return sum / stillage.wheels.len().max(1) as f64;
        }
        let covers: Vec<f64> = stillage
            .wheels
            .iter()
            .filter_map(|wheel| self.floor.batch_of(*wheel))
            .map(|batch| {
                let days = (day - batch.made).num_days() - DRAINS_DAYS;
                batch.character.rind_cover(days)
            })
            .collect();
        covers.iter().sum::<f64>() / covers.len().max(1) as f64
    }

    /// Finds two wheels on each other's stillage and scans them to where they belong.
    pub(crate) fn swap(&mut self, day: NaiveDate) {
        if !mistakes::has_come(&self.mistakes.swap_on, self.day_no) {
            return;
        }
        let from = self.after_all(day, 15, 30);
        let there = self.floor.walk(|s| s.room == 1 && s.still_until <= from);
        let Some((first, second)) = self.most_alike(&there) else {
            return;
        };
        let (Some(one), Some(other)) = (self.any_wheel_on(first), self.any_wheel_on(second)) else {
            return;
        };
        mistakes::strike(&mut self.mistakes.swap_on, self.day_no);
        let mut visit = Visit::new(ROOM, "04", "LOAD");
        for (wheel, to) in [(other, first), (one, second)] {
            let stillage = stillage_code(to);
            let line = format!("W.{}", self.floor.code(wheel));
            visit = visit.scan(15, format!("S.{stillage}"));
            visit = visit.record(8, line, Act::Loaded { stillage }, &[wheel]);
        }
        let at = self.visit(day, from, visit);
        self.floor.take_off(one, day);
        self.floor.take_off(other, day);
        self.floor.put_on(other, first);
        self.floor.put_on(one, second);
        let words = format!(
            "wheels {} and {} stood on each other's stillage; {} is on {} now",
            self.floor.code(one),
            self.floor.code(other),
            self.floor.code(one),
            stillage_code(second),
        );
        self.ledger.tell(day, at, words);
    }

    /// The two stillages whose wheels are closest in age and were last looked at together.
    fn most_alike(&self, stillages: &[u32]) -> Option<(u32, u32)> {
        let floor = &self.floor;
        let apart = |a: &u32, b: &u32| {
            let (a, b) = (floor.stillages.get(a)?, floor.stillages.get(b)?);
            let looks = (a.next_rind - b.next_rind).num_days().abs();
            Some(looks + (floor.youngest(a)? - floor.youngest(b)?).num_days().abs())
        };
        let pairs = stillages.windows(2).filter_map(|pair| match pair {
            [a, b] => Some((apart(a, b)?, *a, *b)),
            _ => None,
        });
        pairs.min().map(|(_, a, b)| (a, b))
    }

    fn any_wheel_on(&mut self, stillage: u32) -> Option<WheelNo> {
        let wheels = &self.floor.stillages.get(&stillage)?.wheels;
        // The last wheel would take the stillage out of the room.
        if wheels.len() < 2 {
            return None;
        }
        self.luck.pick(wheels).copied()
    }

    /// Drops a wheel.
    pub(crate) fn discard(&mut self, day: NaiveDate) {
        if !mistakes::has_come(&self.mistakes.discard_on, self.day_no) {
            return;
        }
        let from = self.after_all(day, 15, 40);
        let there = self.floor.walk(|s| s.still_until <= from);
        let Some(stillage) = self.luck.pick(&there).copied() else {
            return;
        };
        let Some(wheel) = self.any_wheel_on(stillage) else {
            return;
        };
        if self.floor.wheels.get(wheel).is_none_or(|w| w.held) {
            return;
        }
        mistakes::strike(&mut self.mistakes.discard_on, self.day_no);
        let code = self.floor.code(wheel);
        let visit = Visit::new(ROOM, "04", "DISCARD");
        let visit = visit.record(10, format!("W.{code}"), Act::Discarded, &[wheel]);
        let at = self.visit(day, from, visit);
        self.throw_away(wheel, day);
        let words = format!("wheel {code} falls from {}", stillage_code(stillage));
        self.ledger.tell(day, at, words);
    }

    /// Takes a wheel out of the house for good.
    pub(crate) fn throw_away(&mut self, wheel: WheelNo, day: NaiveDate) {
        self.floor.take_off(wheel, day);
        if let Some(wheel) = self.floor.wheels.get_mut(wheel) {
            wheel.discarded = true;
        }
    }
}
