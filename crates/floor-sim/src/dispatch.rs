//! Dispatch: what is graded leaves on its day; now and then something comes back.

use chrono::{DateTime, NaiveDate, Utc};

use crate::calendar::{later, local, seconds};
use crate::dairy::Dairy;
use crate::deed::{Act, WheelNo};
use crate::doing::{Expected, Sale};
use crate::drain::place_code;
use crate::floor::{RETURNS, Stillage, stillage_code};
use crate::mistakes;
use crate::visit::Visit;
use crate::{DISPATCH, ROOMS};

/// Where cheese is sold.
const MARKETS: [&str; 3] = ["NORTH", "SOUTH", "EXPORT"];
/// Age from which a wheel would come too late to the last of them, days.
const OLDEST_FOR_EXPORT: i64 = 72;
/// The share of stillages that go to two customers.
const SPLIT_SHARE: f64 = 0.3;
/// Days that a returned wheel waits.
const RETURN_WAITS: i64 = 3;

impl Dairy {
    /// Dispatches every stillage whose day has come, except held wheels.
    pub(crate) fn dispatch(&mut self, day: NaiveDate, from: DateTime<Utc>) {
        let mut start = local(day, 13, 0).max(from + seconds(300));
        let due = self.floor.walk(|s| {
            s.room == 4 && s.leaves.is_some_and(|on| on <= day) && s.still_until <= start
        });
        for number in due {
            let Some(stillage) = self.floor.stillages.get(&number) else {
                continue;
            };
            let all = stillage.wheels.clone();
            let is_held = |wheel: &&WheelNo| self.floor.wheels[**wheel].held;
            let held: Vec<WheelNo> = all.iter().filter(is_held).copied().collect();
            let free: Vec<WheelNo> = all.iter().filter(|w| !is_held(w)).copied().collect();
            if let Some(wheel) = held.first() {
                start = self.try_held(day, start, *wheel);
            }
            if free.is_empty() {
                continue;
            }
            let in_parts = self.chance.happens(SPLIT_SHARE) && free.len() > 5;
            let (one, other) = free.split_at(if in_parts { free.len() / 3 } else { 0 });
            for wheels in [one, other].into_iter().filter(|part| !part.is_empty()) {
                let whole = wheels.len() == all.len();
                start = self.send(day, start, whole.then_some(number), wheels);
            }
        }
    }

    fn send(
        &mut self,
        day: NaiveDate,
        start: DateTime<Utc>,
        stillage: Option<u32>,
        wheels: &[WheelNo],
    ) -> DateTime<Utc> {
        let order = self.next_order();
        let oldest = wheels
            .iter()
            .filter_map(|wheel| self.floor.batch_of(*wheel));
        let oldest = oldest.map(|batch| (day - batch.made).num_days()).max();
        let markets = match oldest {
            Some(OLDEST_FOR_EXPORT..) => &MARKETS[..2],
            _ => &MARKETS[..],
        };
        let market = *self.chance.pick(markets).unwrap_or(&MARKETS[0]);
        self.sales.push(Sale {
            order: order.clone(),
            market,
            wheels: wheels.len(),
        });
        let mut visit = Visit::new(DISPATCH, "08", "DISPATCH")
            .scan(4, format!("O.{order}"))
            .scan(3, format!("M.{market}"));
        let act = Act::Dispatched { order };
        visit = match stillage {
            Some(number) => visit.record(40, format!("S.{}", stillage_code(number)), act, wheels),
            None => wheels.iter().fold(visit, |visit, wheel| {
                let line = format!("W.{}", self.floor.code(*wheel));
                visit.record(7, line, act.clone(), &[*wheel])
            }),
        };
        let end = self.visit(day, start, visit);
        for wheel in wheels {
            self.floor.take_off(*wheel, day);
            self.floor.wheels[*wheel].dispatched = Some(day);
        }
        end
    }

    /// Someone tries to dispatch a held wheel, once per hold.
    fn try_held(&mut self, day: NaiveDate, start: DateTime<Utc>, wheel: WheelNo) -> DateTime<Utc> {
        let untried =
            |hold: &&mut crate::hold::OpenHold| !hold.tried && hold.wheels.contains(&wheel);
        let Some(hold) = self.holds.iter_mut().find(untried) else {
            return start;
        };
        hold.tried = true;
        let words = format!(
            "wheel {} is held as {} and may not leave; nothing is recorded",
            self.floor.code(wheel),
            hold.code
        );
        let order = self.next_order();
        let line = format!("W.{}", self.floor.code(wheel));
        let visit = Visit::new(DISPATCH, "08", "DISPATCH")
            .scan(4, format!("O.{order}"))
            .answered(Expected::NobodysOrder)
            .scan(9, line)
            .answered(Expected::Stop);
        let end = self.visit(day, start, visit);
        self.ledger.stopped.push((day, wheel));
        self.ledger.tell(day, end, words);
        end
    }

    fn next_order(&mut self) -> String {
        self.orders += 1;
        self.orders.to_string()
    }

    /// Takes a wheel back, and throws away what has waited long enough.
    pub(crate) fn take_back(&mut self, day: NaiveDate) {
        self.clear_returns(day);
        if !mistakes::has_come(&self.mistakes.return_on, self.day_no) {
            return;
        }
        let (longest, shortest) = (later(day, -20), later(day, -3));
        let gone: Vec<WheelNo> = (0..self.floor.wheels.len())
            .filter(|no| {
                let wheel = &self.floor.wheels[*no];
                let away = !wheel.in_house() && !wheel.discarded;
                away && wheel
                    .dispatched
                    .is_some_and(|on| on > longest && on <= shortest)
            })
            .collect();
        let Some(wheel) = self.luck.pick(&gone).copied() else {
            return;
        };
        mistakes::strike(&mut self.mistakes.return_on, self.day_no);
        let start = self.after_all(day, 15, 50);
        let position = self.returns_place(day, start);
        let code = self.floor.code(wheel);
        let line = format!("W.{code}");
        let stillage = stillage_code(RETURNS);
        let moved = Act::Moved {
            room: ROOMS[4],
            position: Some(position.clone()),
        };
        let visit = Visit::new(DISPATCH, "08", "RETURN")
            .record(15, &line, Act::Returned, &[wheel])
            .scan(30, "A.LOAD")
            .scan(4, format!("S.{stillage}"))
            .record(5, &line, Act::Loaded { stillage }, &[wheel])
            .scan(8, "A.MOVE")
            .scan(4, format!("R.{}.{position}", ROOMS[4]))
            .record(5, &line, moved, &[wheel])
            .scan(8, "A.TURN")
            .record(5, &line, Act::Turned, &[wheel]);
        let at = self.visit(day, start, visit);
        self.floor.wheels[wheel].came_back = Some(day);
        self.floor.put_on(wheel, RETURNS);
        self.ledger
            .tell(day, at, format!("wheel {code} comes back"));
    }

    /// The returns stillage's place; it is brought out when the first wheel comes back.
    fn returns_place(&mut self, day: NaiveDate, now: DateTime<Utc>) -> String {
        if !self.floor.stillages.contains_key(&RETURNS) {
            let position = self.floor.free_places[4].take(day);
            let stillage = Stillage {
                wheels: Vec::new(),
                room: 4,
                position,
                next_rind: day,
                pierced: None,
                leaves: None,
                still_until: now,
            };
            self.floor.stillages.insert(RETURNS, stillage);
        }
        let position = self.floor.stillages.get(&RETURNS).map_or(0, |s| s.position);
        place_code(position)
    }

    fn clear_returns(&mut self, day: NaiveDate) {
        let waiting = self.floor.stillages.get(&RETURNS).map(|s| s.wheels.clone());
        let due: Vec<WheelNo> = waiting
            .unwrap_or_default()
            .into_iter()
            .filter(|wheel| {
                let came_back = self.floor.wheels[*wheel].came_back;
                came_back.is_some_and(|on| later(on, RETURN_WAITS) <= day)
            })
            .collect();
        if due.is_empty() {
            return;
        }
        let mut visit = Visit::new(DISPATCH, "08", "DISCARD");
        for wheel in &due {
            let line = format!("W.{}", self.floor.code(*wheel));
            visit = visit.record(10, line, Act::Discarded, &[*wheel]);
        }
        let at = self.visit(day, self.after_all(day, 15, 45), visit);
        for wheel in due {
            self.throw_away(wheel, day);
            let words = format!(
                "wheel {} came back and is thrown away",
                self.floor.code(wheel)
            );
            self.ledger.tell(day, at, words);
        }
    }
}
