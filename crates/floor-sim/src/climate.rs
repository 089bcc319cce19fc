//! The rooms' air: a set point, some wander, and now and then a fault.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

use crate::calendar::{end_of, local, start_of};
use crate::dairy::Dairy;
use crate::doing::{Doing, Expected, What};
use crate::mistakes;
use crate::{AIR, ROOMS};

/// Minutes between two readings of a room.
const EVERY_MIN: i64 = 30;

/// Set points in the order of [`ROOMS`]: °C and % relative humidity.
pub(crate) const SET: [(f64, f64); 5] = [
    (17.5, 86.0),
    (12.5, 93.0),
    (10.0, 94.0),
    (8.0, 93.0),
    (3.0, 88.0),
];

/// A room without refrigeration for a while.
#[derive(Debug, Clone)]
pub(crate) struct Fault {
    room: usize,
    from: DateTime<Utc>,
    until: DateTime<Utc>,
}

impl Fault {
    /// Degrees above the set point: creeps up by at most 8 °C while the plant stands, falls
    /// back within hours once it runs.
    fn warmth(&self, at: DateTime<Utc>) -> f64 {
        let hours = |span: TimeDelta| span.num_minutes() as f64 / 60.0;
        if at <= self.from {
            return 0.0;
        }
        let risen = 8.0 * (1.0 - (-hours(at.min(self.until) - self.from) / 6.0).exp());
        let recovering = (at - self.until).max(TimeDelta::zero());
        risen * (-hours(recovering) / 1.5).exp()
    }
}

impl Dairy {
    /// Reads every room through the day.
    pub(crate) fn read_climate(&mut self, day: NaiveDate) {
        self.maybe_break_a_room(day);
        let end = end_of(day);
        let mut at = start_of(day);
        while at < end {
            for (index, set) in SET.iter().enumerate() {
                let (celsius, humidity) = self
                    .living
                    .as_ref()
                    .map_or(*set, |living| living.sensed(index, day, *set));
                let warmth: f64 = self
                    .faults
                    .iter()
                    .filter(|fault| fault.room == index)
                    .map(|fault| fault.warmth(at))
                    .sum();
                let temperature = self.air.normal(celsius + warmth, 0.15);
                let humidity = self.air.normal(humidity - warmth * 1.2, 0.8);
                let at = at + TimeDelta::seconds(7 * index as i64 + 11);
                self.waiting.push(Doing {
                    at,
                    arrives_at: at,
                    station: AIR,
                    what: What::Climate {
                        room: ROOMS[index],
                        temperature_c: (temperature * 10.0).round() / 10.0,
                        humidity_pct: ((humidity * 10.0).round() / 10.0).min(100.0),
                    },
                    answer: Expected::Fine,
                });
            }
            at += TimeDelta::minutes(EVERY_MIN);
        }
        self.faults
            .retain(|fault| at < fault.until + TimeDelta::hours(24));
    }

    /// Degrees above the set point, over a day.
    pub(crate) fn warmer(&self, room: usize, day: NaiveDate) -> f64 {
        let of_room = self.faults.iter().filter(|fault| fault.room == room);
        let hours = [8, 14, 20, 26];
        let mean = |fault: &Fault| {
            let sum: f64 = hours
                .iter()
                .map(|hour| fault.warmth(local(day, *hour, 0)))
                .sum();
            sum / hours.len() as f64
        };
        of_room.map(mean).sum()
    }

    fn maybe_break_a_room(&mut self, day: NaiveDate) {
        if !mistakes::has_come(&self.mistakes.warm_room_on, self.day_no) {
            return;
        }
        mistakes::strike(&mut self.mistakes.warm_room_on, self.day_no);
        let room = usize::try_from(self.luck.between(1, 3)).unwrap_or(1);
        let from = local(day, self.luck.between(14, 20), self.luck.between(0, 59));
        let until = from + TimeDelta::minutes(self.luck.between(18 * 60, 22 * 60));
        self.faults.push(Fault { room, from, until });
        let hours = (until - from).num_hours();
        let words = format!("the refrigeration of {} stops for {hours} h", ROOMS[room]);
        self.ledger.tell(day, from, words);
    }
}
