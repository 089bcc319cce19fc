//! Ironing from week eight, weekly, until the blue has run through; then grading and the
//! way to the cold store.

use chrono::{DateTime, NaiveDate, Utc};

use crate::IRON;
use crate::calendar::{later, local, seconds, weekday_from};
use crate::cheese::{OLDEST_UNGRADED, READY_BLUE, grade, seen};
use crate::dairy::Dairy;
use crate::deed::{Act, WheelNo};
use crate::floor::stillage_code;
use crate::visit::Visit;

/// The iron.
const TOOL: &str = "IR1";
/// Cores drawn from a batch at a time, always from its first wheels.
const CORES: usize = 2;

impl Dairy {
    /// Irons and grades what is due. Gives the time when all is in its room.
    pub(crate) fn iron_and_grade(&mut self, day: NaiveDate, from: DateTime<Utc>) -> DateTime<Utc> {
        let ironed = self.iron(day, local(day, 10, 0).max(from));
        let floor = &self.floor;
        let ready = floor.walk(|s| {
            let is_ready = |wheel: &WheelNo| floor.batch_of(*wheel).is_some_and(|b| b.ready);
            let unfinished = s.leaves.is_none() && s.room == 3 && s.pierced.is_some();
            unfinished && s.still_until <= ironed && s.wheels.iter().all(is_ready)
        });
        let mut end = ironed;
        let mut moved = Vec::new();
        for number in ready {
            end = self.grade_stillage(day, end, number);
            if self.floor.stillages.contains_key(&number) {
                self.wheel_to(number, 4, day);
                moved.push((number, 4));
            }
        }
        self.announce(day, end + seconds(600), &moved)
    }

    fn iron(&mut self, day: NaiveDate, mut start: DateTime<Utc>) -> DateTime<Utc> {
        for index in 0..self.floor.batches.len() {
            let batch = &self.floor.batches[index];
            if batch.ready || batch.next_iron > day {
                continue;
            }
            let (code, made) = (batch.code.clone(), batch.made);
            let in_house: Vec<WheelNo> = batch
                .wheels
                .iter()
                .copied()
                .filter(|wheel| self.floor.wheels[*wheel].in_house())
                .collect();
            let pierced_on = |wheel: &WheelNo| {
                let number = self.floor.wheels[*wheel].stillage?;
                self.floor.stillages.get(&number)?.pierced
            };
            let pierced: Vec<NaiveDate> = in_house.iter().filter_map(pierced_on).collect();
            if in_house.is_empty() || pierced.len() < in_house.len() {
                continue; // some of it is not pierced yet
            }
            let character = batch.character.clone();
            let mut visit = Visit::new(IRON, "06", "IRON").scan(3, format!("T.{TOOL}"));
            let mut least = 100;
            for (wheel, pierced) in in_house.into_iter().zip(pierced).take(CORES) {
                let truth = self.living.as_ref().map_or_else(
                    || character.blue((day - pierced).num_days()),
                    |living| living.blue(wheel),
                );
                let blue = seen(truth, 4.0, &mut self.chance);
                visit = visit.scan(40, format!("W.{}", self.floor.code(wheel)));
                visit = visit.record(30, format!("N.{blue}"), Act::Ironed { blue }, &[wheel]);
                least = least.min(blue);
            }
            start = self.visit(day, start, visit);
            let batch = &mut self.floor.batches[index];
            batch.next_iron = later(day, 7);
            batch.ready = least >= READY_BLUE || later(made, OLDEST_UNGRADED) <= day;
            if batch.ready && least < READY_BLUE {
                let words = format!("batch {code} is graded with only {least} % blue in a core");
                self.ledger.tell(day, start, words);
            }
        }
        start
    }

    fn grade_stillage(
        &mut self,
        day: NaiveDate,
        start: DateTime<Utc>,
        number: u32,
    ) -> DateTime<Utc> {
        let Some(stillage) = self.floor.stillages.get_mut(&number) else {
            return start;
        };
        stillage.leaves = Some(weekday_from(later(day, self.chance.between(2, 8))));
        let wheels = stillage.wheels.clone();
        let mut visit = Visit::new(IRON, "06", "GRADE")
            .scan(10, format!("S.{}", stillage_code(number)))
            .record(12, "G.A", Act::Graded { grade: "A" }, &wheels);
        let mut rejected = Vec::new();
        for wheel in wheels {
            let held = self.floor.wheels[wheel].held;
            let grade = match grade(&mut self.chance) {
                "A" => continue,
                "REJECT" if held => "C", // a held wheel goes nowhere, not even into the bin
                grade => grade,
            };
            visit = visit.scan(20, format!("W.{}", self.floor.code(wheel)));
            visit = visit.record(5, format!("G.{grade}"), Act::Graded { grade }, &[wheel]);
            if grade == "REJECT" {
                rejected.push(wheel);
            }
        }
        if !rejected.is_empty() {
            visit = visit.scan(15, "A.DISCARD");
        }
        for wheel in &rejected {
            let line = format!("W.{}", self.floor.code(*wheel));
            visit = visit.record(8, line, Act::Discarded, &[*wheel]);
        }
        let end = self.visit(day, start, visit);
        for wheel in rejected {
            self.throw_away(wheel, day);
        }
        end
    }
}
