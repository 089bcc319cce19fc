//! A richer nature: rooms whose air drifts with the seasons, makes of their own vigour,
//! wheels that each grow and dry by themselves.
//!
//! Growth is Gompertz's curve, stepped day by day, with Ratkowsky's square-root law for
//! temperature (*J. Bacteriol.* 149 (1982) 1–5); after piercing, oxygen comes in over some
//! days. Water leaves through a rind that closes. Every figure is invented.

use chrono::{DateTime, Datelike, NaiveDate, Utc};

use crate::calendar::{local, seconds};
use crate::chance::Chance;
use crate::cheese::READY_BLUE;
use crate::dairy::Dairy;
use crate::deed::{Act, WheelNo};
use crate::visit::Visit;
use crate::{PORTION, ROOMS};

/// Which nature the cheese and the rooms have.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Nature {
    /// Steady rooms; the wheels of a batch are all alike.
    #[default]
    Even,
    /// Rooms drift, batches and wheels differ, piercing waits for its weekday, and some
    /// wheels are weighed again whenever they are moved.
    Varied,
}

/// When a batch was truly ready.
#[derive(Debug, Clone, PartialEq)]
pub struct Ripeness {
    /// The batch.
    pub batch: String,
    /// When the middle one of its wheels reached the blue coverage that counts as ready, or
    /// would have in its maturing room.
    pub ready: Option<DateTime<Utc>>,
}

/// The weekday on which the piercing machine is used.
const PIERCING_DAY: chrono::Weekday = chrono::Weekday::Tue;
/// Age from which a wheel is ironed, days.
pub(crate) const IRON_AGE: i64 = 49;

/// Cover and coverage that growth begins with, %.
const RIND_SEED: f64 = 0.8;
const BLUE_SEED: f64 = 1.5;
/// Gompertz rates at 10 °C, a day.
const RIND_RATE: f64 = 0.148;
const BLUE_RATE: f64 = 0.221;
/// No growth below, °C.
const STOPS_AT_C: f64 = -4.0;
/// Days until two thirds of the oxygen is in.
const OXYGEN_DAYS: f64 = 4.0;
/// The share of the curd that stays in the hoop.
const DRAINED: f64 = 0.87;
/// Grams a day and hPa from a wheel of 4.2 kg.
const DRIES: f64 = 18.0;
/// Grams a day that the mould breathes out.
const BREATHES: f64 = 0.5;

/// A room's air, beside its set point.
#[derive(Debug, Clone, Copy, Default)]
struct Air {
    wander_c: f64,
    wander_pct: f64,
    sensor_c: f64,
    sensor_pct: f64,
}

/// A make's vigour.
#[derive(Debug, Clone, Copy)]
struct Vigour {
    rind: f64,
    blue: f64,
}

/// One wheel.
#[derive(Debug, Clone)]
struct Body {
    batch: usize,
    pace: f64,
    rind: f64,
    blue: f64,
    curd_g: f64,
    grams: f64,
    pierced: Option<NaiveDate>,
    ready: Option<DateTime<Utc>>,
}

/// The living part of the dairy.
#[derive(Debug, Clone)]
pub(crate) struct Living {
    chance: Chance,
    rooms: [Air; 5],
    batches: Vec<Vigour>,
    bodies: Vec<Body>,
    /// Stillages that were moved today.
    moved: Vec<u32>,
}

impl Living {
    pub(crate) fn new(seed: u64) -> Self {
        let mut chance = Chance::new(seed, 4);
        let rooms = [(); 5].map(|()| Air {
            sensor_c: chance.normal(0.0, 0.2),
            sensor_pct: chance.normal(0.0, 0.7),
            ..Air::default()
        });
        Self {
            chance,
            rooms,
            batches: Vec::new(),
            bodies: Vec::new(),
            moved: Vec::new(),
        }
    }

    pub(crate) fn begin_batch(&mut self) {
        let chance = &mut self.chance;
        let both = chance.normal(0.0, 0.10);
        self.batches.push(Vigour {
            rind: (both + chance.normal(0.0, 0.05)).exp(),
            blue: (both + chance.normal(0.0, 0.07)).exp(),
        });
    }

    pub(crate) fn begin_wheel(&mut self, batch: usize, grams: u32) {
        let pace = self.chance.normal(0.0, 0.05).exp();
        self.bodies.push(Body {
            batch,
            pace,
            rind: RIND_SEED,
            blue: BLUE_SEED,
            curd_g: f64::from(grams),
            grams: f64::from(grams),
            pierced: None,
            ready: None,
        });
    }

    /// The air drifts from one day to the next.
    pub(crate) fn drift(&mut self) {
        for room in &mut self.rooms {
            room.wander_c = 0.9 * room.wander_c + self.chance.normal(0.0, 0.25);
            room.wander_pct = 0.85 * room.wander_pct + self.chance.normal(0.0, 0.6);
        }
    }

    pub(crate) fn rind(&self, wheel: WheelNo) -> f64 {
        self.bodies.get(wheel).map_or(0.0, |body| body.rind)
    }

    pub(crate) fn blue(&self, wheel: WheelNo) -> f64 {
        self.bodies.get(wheel).map_or(0.0, |body| body.blue)
    }

    pub(crate) fn note_move(&mut self, stillage: u32) {
        self.moved.push(stillage);
    }

    /// A room's true air on a day, from its set point.
    fn air(&self, room: usize, day: NaiveDate, set: (f64, f64)) -> (f64, f64) {
        let wander = self.rooms.get(room).copied().unwrap_or_default();
        let (celsius, humidity) = set;
        let warmest = f64::from(day.ordinal()) - 205.0;
        let season = 0.8 * (std::f64::consts::TAU * warmest / 365.25).cos();
        let damp = (humidity + wander.wander_pct).min(99.0);
        (celsius + season + wander.wander_c, damp)
    }

    /// What the room's sensor makes of it.
    pub(crate) fn sensed(&self, room: usize, day: NaiveDate, set: (f64, f64)) -> (f64, f64) {
        let (celsius, humidity) = self.air(room, day, set);
        let sensor = self.rooms.get(room).copied().unwrap_or_default();
        (celsius + sensor.sensor_c, humidity + sensor.sensor_pct)
    }
}

/// Gompertz's step: towards all of it, the slower the less is left.
fn grown(share: f64, rate: f64) -> f64 {
    let left = (100.0 / share).ln() * (-rate).exp();
    100.0 * (-left).exp()
}

/// Ratkowsky's square root, relative to 10 °C.
fn warmth(celsius: f64) -> f64 {
    let root = (celsius - STOPS_AT_C).max(0.0) / (10.0 - STOPS_AT_C);
    root * root
}

/// Tetens's formula, hPa.
fn saturated_hpa(celsius: f64) -> f64 {
    6.1078 * (17.269 * celsius / (237.3 + celsius)).exp()
}

impl Body {
    fn drain(&mut self) {
        self.grams += 0.4 * (DRAINED * self.curd_g - self.grams);
    }

    fn grow_rind(&mut self, vigour: Vigour, celsius: f64, humidity: f64) {
        let damp = ((humidity - 72.0) / 22.0).clamp(0.0, 1.2);
        let rate = RIND_RATE * vigour.rind * self.pace * warmth(celsius) * damp;
        self.rind = grown(self.rind, rate);
    }

    fn grow_blue(&mut self, vigour: Vigour, day: NaiveDate, celsius: f64) {
        let Some(pierced) = self.pierced else {
            return;
        };
        let since = (day - pierced).num_days() as f64 + 0.5;
        let oxygen = 1.0 - (-since / OXYGEN_DAYS).exp();
        let rate = BLUE_RATE * vigour.blue * self.pace * warmth(celsius) * oxygen;
        let before = self.blue;
        self.blue = grown(before, rate);
        let aim = READY_BLUE as f64;
        if self.ready.is_none() && self.blue >= aim {
            let part = (aim - before) / (self.blue - before).max(1e-9);
            self.ready = Some(local(day, 10, 0) + seconds((part * 86_400.0) as i64));
        }
    }

    fn dry(&mut self, celsius: f64, humidity: f64) {
        let pull = (0.97 - humidity / 100.0).max(0.0) * saturated_hpa(celsius);
        let surface = (self.grams / 4200.0).max(0.0).powf(0.6);
        let open = 1.0 - 0.3 * self.rind / 100.0;
        self.grams -= DRIES * pull * surface * open + BREATHES * self.rind / 100.0;
    }
}

impl Dairy {
    /// When each batch was truly ready, in the order of makes.
    #[must_use]
    pub fn ripeness(&self) -> Vec<Ripeness> {
        let ready = |index: usize| match &self.living {
            Some(living) => {
                let of = living.bodies.iter().filter(|body| body.batch == index);
                let mut days: Vec<Option<DateTime<Utc>>> = of.map(|body| body.ready).collect();
                days.sort_by_key(|day| (day.is_none(), *day));
                let at = |place: usize| days.get(place).copied().flatten();
                let upper = at(days.len() / 2)?;
                let lower = at(days.len().checked_sub(1)? / 2)?;
                Some(lower + (upper - lower) / 2)
            }
            None => self.ready_evenly(index),
        };
        let batches = self.floor.batches.iter().enumerate();
        batches
            .map(|(index, batch)| Ripeness {
                batch: batch.code.clone(),
                ready: ready(index),
            })
            .collect()
    }

    fn ready_evenly(&self, index: usize) -> Option<DateTime<Utc>> {
        let batch = self.floor.batches.get(index)?;
        let middle = *batch.wheels.get(batch.wheels.len() / 2)?;
        let pierced = |deed: &&crate::deed::Deed| {
            deed.act == Act::Pierced && deed.voided.is_none() && deed.wheels.contains(&middle)
        };
        let deed = self.ledger.deeds.iter().find(pierced)?;
        let days = batch.character.days_to_blue(READY_BLUE as f64);
        Some(local(deed.day, 10, 0) + seconds((days * 86_400.0) as i64))
    }

    /// Whether wheels are pierced today.
    pub(crate) fn pierces_on(&self, day: NaiveDate) -> bool {
        self.living.is_none() || day.weekday() == PIERCING_DAY
    }

    /// A day and a night pass over the cheese.
    pub(crate) fn grow(&mut self, day: NaiveDate) {
        let Some(mut living) = self.living.take() else {
            return;
        };
        let air: Vec<(f64, f64)> = (0..ROOMS.len())
            .map(|room| {
                let (celsius, humidity) = living.air(room, day, crate::climate::SET[room]);
                let warmer = self.warmer(room, day);
                (celsius + warmer, humidity - warmer * 1.2)
            })
            .collect();
        for (number, body) in living.bodies.iter_mut().enumerate() {
            let Some(vigour) = living.batches.get(body.batch).copied() else {
                continue;
            };
            let wheel = self.floor.wheels.get(number);
            let stillage = wheel
                .and_then(|wheel| wheel.stillage)
                .and_then(|number| self.floor.stillages.get(&number));
            let Some(stillage) = stillage else {
                if wheel.is_some_and(|wheel| wheel.in_house()) {
                    body.drain();
                }
                continue;
            };
            body.pierced = body.pierced.or(stillage.pierced);
            let (celsius, humidity) = air.get(stillage.room).copied().unwrap_or((10.0, 93.0));
            body.grow_rind(vigour, celsius, humidity);
            // What it would have come to in its maturing room, were it not in the cold.
            let matures = air.get(stillage.room.min(3)).map_or(celsius, |(c, _)| *c);
            body.grow_blue(vigour, day, matures);
            body.dry(celsius, humidity);
        }
        self.living = Some(living);
    }

    /// Weighs one wheel of every stillage that was moved today.
    pub(crate) fn weigh_some(&mut self, day: NaiveDate) {
        let Some(living) = &mut self.living else {
            return;
        };
        let mut moved = std::mem::take(&mut living.moved);
        moved.sort_unstable();
        moved.dedup();
        let mut visit = Visit::new(PORTION, "02", "WEIGH");
        let mut any = false;
        for number in moved {
            let stillage = self.floor.stillages.get(&number);
            let first = stillage.and_then(|stillage| stillage.wheels.first().copied());
            let Some((wheel, living)) = first.zip(self.living.as_mut()) else {
                continue;
            };
            let Some(grams) = living.bodies.get(wheel).map(|body| body.grams) else {
                continue;
            };
            let read = (living.chance.normal(grams, 4.0) / 5.0).round() * 5.0;
            let grams = read.clamp(100.0, 9000.0) as u32;
            visit = visit
                .scan(60, format!("W.{}", self.floor.code(wheel)))
                .weigh_and_record(25, grams, Act::Weighed { grams }, &[wheel]);
            any = true;
        }
        if any {
            self.visit(day, self.after_all(day, 16, 0), visit);
        }
    }
}
