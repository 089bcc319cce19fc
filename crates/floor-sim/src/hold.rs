//! Holds: a laboratory result keeps a batch from leaving, a person with a badge releases it.

use chrono::{DateTime, NaiveDate, Utc};

use crate::DISPATCH;
use crate::calendar::{later, weekday_from};
use crate::dairy::Dairy;
use crate::deed::{Act, WheelNo};
use crate::floor::stillage_code;
use crate::mistakes;
use crate::visit::Visit;

/// A hold that nobody has released yet.
#[derive(Debug, Clone)]
pub(crate) struct OpenHold {
    pub(crate) code: String,
    pub(crate) wheels: Vec<WheelNo>,
    pub(crate) release_on: NaiveDate,
    /// Someone has already tried to dispatch one of its wheels.
    pub(crate) tried: bool,
}

impl Dairy {
    /// The office holds the oldest batch of which nothing has left.
    pub(crate) fn set_hold(&mut self, day: NaiveDate) {
        if !mistakes::has_come(&self.mistakes.hold_on, self.day_no) {
            return;
        }
        let whole = |wheel: &WheelNo| {
            let wheel = &self.floor.wheels[*wheel];
            wheel.dispatched.is_none()
                && !wheel.held
                && (wheel.stillage.is_some() || wheel.discarded)
        };
        let oldest = self
            .floor
            .batches
            .iter()
            .find(|batch| !batch.wheels.is_empty() && batch.wheels.iter().all(whole));
        let Some(batch) = oldest else {
            return;
        };
        let code = format!("LAB-{}", batch.code);
        let wheels: Vec<WheelNo> = batch
            .wheels
            .iter()
            .copied()
            .filter(|wheel| self.floor.wheels[*wheel].in_house())
            .collect();
        mistakes::strike(&mut self.mistakes.hold_on, self.day_no);
        let words = format!(
            "the office holds {} wheels of {} as {code}",
            wheels.len(),
            batch.code
        );
        let start = self.after_all(day, 15, 20);
        let at = self.scan_hold(day, start, &code, &wheels);
        self.ledger.tell(day, at, words);
        self.keep(OpenHold {
            code,
            wheels,
            release_on: weekday_from(later(day, 10)),
            tried: false,
        });
    }

    /// Releases what is due.
    pub(crate) fn release_holds(&mut self, day: NaiveDate) {
        let due: Vec<OpenHold> = self
            .holds
            .iter()
            .filter(|hold| hold.release_on <= day)
            .cloned()
            .collect();
        self.holds.retain(|hold| hold.release_on > day);
        for hold in due {
            let start = self.after_all(day, 10, 30);
            let codes = hold
                .wheels
                .iter()
                .map(|wheel| self.floor.code(*wheel).to_string());
            let codes = codes.collect();
            let visit = Visit::at_the_office("09").release(60, &hold.code, &hold.wheels, codes);
            let at = self.visit(day, start, visit);
            for wheel in &hold.wheels {
                let held = self.holds.iter().any(|other| other.wheels.contains(wheel));
                self.floor.wheels[*wheel].held = held;
            }
            let words = format!(
                "P.09 releases {} wheels from {}",
                hold.wheels.len(),
                hold.code
            );
            self.ledger.tell(day, at, words);
        }
    }

    /// Remembers a hold.
    pub(crate) fn keep(&mut self, hold: OpenHold) {
        for wheel in &hold.wheels {
            self.floor.wheels[*wheel].held = true;
        }
        self.holds.push(hold);
    }

    fn scan_hold(
        &mut self,
        day: NaiveDate,
        start: DateTime<Utc>,
        code: &str,
        wheels: &[WheelNo],
    ) -> DateTime<Utc> {
        let mut visit = Visit::new(DISPATCH, "09", "HOLD").scan(5, format!("Q.{code}"));
        for (line, wheels) in self.as_things(wheels) {
            let hold = code.to_owned();
            let act = Act::Held { hold };
            visit = visit.record(5, line, act, &wheels);
        }
        self.visit(day, start, visit)
    }

    /// The least to scan for some wheels: a stillage if all of it is meant, else wheels.
    pub(crate) fn as_things(&self, wheels: &[WheelNo]) -> Vec<(String, Vec<WheelNo>)> {
        let mut things: Vec<(String, Vec<WheelNo>)> = Vec::new();
        let mut covered: Vec<WheelNo> = Vec::new();
        for wheel in wheels {
            if covered.contains(wheel) {
                continue;
            }
            let number = self.floor.wheels[*wheel].stillage;
            let stillage = number.and_then(|n| Some((n, self.floor.stillages.get(&n)?)));
            match stillage {
                Some((number, s)) if s.wheels.iter().all(|on| wheels.contains(on)) => {
                    covered.extend_from_slice(&s.wheels);
                    let line = format!("S.{}", stillage_code(number));
                    things.push((line, s.wheels.clone()));
                }
                _ => things.push((format!("W.{}", self.floor.code(*wheel)), vec![*wheel])),
            }
        }
        things
    }
}
