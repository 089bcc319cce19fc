//! A dairy in a few words: facts for tests.

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use facts::{
    Event, Fact, FactId, RindObserved, RoomClimateRead, VatStarted, WheelDispatched, WheelId,
    WheelIroned, WheelMoved, WheelPierced, WheelPortioned, WheelUnhooped, WheelWeighed,
};
use forecast::{Forecaster, Habits, History, Sensors};
use quantity::{Celsius, DairyClock, Grams, Litres, Percent};
use recipe::{Origin, Recipe, RecipeBook};

/// Facts being gathered. Day 0 is the make day of batch `B1`.
#[derive(Clone)]
pub struct Given {
    pub facts: Vec<Fact>,
    pub recipes: RecipeBook,
    pub wheels: Vec<WheelId>,
}

/// The first instant of day 0.
pub fn start() -> DateTime<Utc> {
    "2026-03-02T04:00:00Z".parse().unwrap()
}

/// An instant in days after the start.
pub fn day(days: f64) -> DateTime<Utc> {
    start() + TimeDelta::seconds((days * 86_400.0) as i64)
}

pub fn clock() -> DairyClock {
    DairyClock::new(chrono_tz::UTC, NaiveTime::from_hms_opt(4, 0, 0).unwrap())
}

pub fn larkholm_blue() -> Recipe {
    let text = include_str!("../../../../deploy/demo/larkholm-blue.toml");
    let origin = Origin {
        file: "larkholm-blue.toml",
        text,
    };
    Recipe::parse(&origin).unwrap_or_else(|e| panic!("{e}"))
}

impl Given {
    /// A batch of so many wheels, portioned on day 0 and unhooped on day 5.
    pub fn batch(wheels: usize) -> Self {
        let mut recipes = RecipeBook::default();
        recipes.add(larkholm_blue());
        let mut given = Self {
            facts: Vec::new(),
            recipes,
            wheels: Vec::new(),
        };
        given.make("B1", wheels, 0.0);
        let all = given.wheels.clone();
        given.unhoop(5.2, &all);
        given
    }

    /// Another batch.
    pub fn make(&mut self, batch: &str, wheels: usize, at: f64) {
        self.state(
            at + 0.1,
            VatStarted {
                batch: batch.parse().unwrap(),
                vat: "V1".parse().unwrap(),
                recipe: "larkholm-blue".parse().unwrap(),
                recipe_version: 1,
                milk_l: Litres::new(200.0).unwrap(),
                milk_lots: Vec::new(),
            },
        );
        self.wheels.clear();
        for n in 1..=wheels {
            let wheel: WheelId = format!("{batch}-{n:02}").parse().unwrap();
            self.wheels.push(wheel);
            self.state(
                at + 0.4,
                WheelPortioned {
                    wheel,
                    batch: batch.parse().unwrap(),
                    weight_g: Grams::new(4200).unwrap(),
                    scale: None,
                    mixer: None,
                    tare_g: None,
                },
            );
        }
    }

    pub fn state(&mut self, at: f64, event: impl Into<Event>) -> &mut Self {
        let n = self.facts.len() as u128 + 1;
        let at = day(at);
        self.facts.push(Fact {
            id: FactId::from_uuid(uuid::Uuid::from_u128(n)),
            site: "larkholm".parse().unwrap(),
            station: "room-1".parse().unwrap(),
            station_seq: u64::try_from(n).unwrap(),
            person: None,
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event: event.into(),
        });
        self
    }

    pub fn unhoop(&mut self, at: f64, wheels: &[WheelId]) -> &mut Self {
        let (wheels, via) = (wheels.to_vec(), None);
        self.state(at, WheelUnhooped { wheels, via })
    }

    pub fn moved(&mut self, at: f64, room: &str) -> &mut Self {
        let all = self.wheels.clone();
        self.moved_some(at, &all, room)
    }

    pub fn moved_some(&mut self, at: f64, wheels: &[WheelId], room: &str) -> &mut Self {
        let wheels = wheels.to_vec();
        let room = room.parse().unwrap();
        let (via, position) = (None, None);
        let moved = WheelMoved {
            wheels,
            via,
            room,
            position,
        };
        self.state(at, moved)
    }

    pub fn pierced(&mut self, at: f64) -> &mut Self {
        let (wheels, via) = (self.wheels.clone(), None);
        let machine = "PM1".parse().unwrap();
        let pierced = WheelPierced {
            wheels,
            via,
            machine,
        };
        self.state(at, pierced)
    }

    pub fn rind(&mut self, at: f64, cover: f64) -> &mut Self {
        let (wheels, via) = (self.wheels.clone(), None);
        let cover_pct = Percent::new(cover).unwrap();
        let seen = RindObserved {
            wheels,
            via,
            cover_pct,
        };
        self.state(at, seen)
    }

    /// A core of the wheel at a place, from 0.
    pub fn ironed(&mut self, at: f64, place: usize, blue: f64) -> &mut Self {
        let wheel = self.wheels[place];
        let ironed = WheelIroned {
            wheel,
            blue_coverage_pct: Percent::new(blue).unwrap(),
            iron: None,
            note: None,
        };
        self.state(at, ironed)
    }

    pub fn weighed(&mut self, at: f64, place: usize, grams: u32) -> &mut Self {
        let wheel = self.wheels[place];
        let weight_g = Grams::new(grams).unwrap();
        let scale = None;
        let weighed = WheelWeighed {
            wheel,
            weight_g,
            scale,
            tare_g: None,
        };
        self.state(at, weighed)
    }

    pub fn dispatched(&mut self, at: f64, wheels: &[WheelId]) -> &mut Self {
        let wheels = wheels.to_vec();
        let gone = WheelDispatched {
            wheels,
            via: None,
            order: None,
            market: None,
            sale: None,
        };
        self.state(at, gone)
    }

    /// Steady air in a room, read every hour, a tenth of a degree up and down.
    pub fn air(&mut self, room: &str, from: f64, until: f64, celsius: f64, pct: f64) -> &mut Self {
        let hours = ((until - from) * 24.0) as i32;
        for hour in 0..hours {
            let wander = f64::from(hour % 3 - 1) * 0.1;
            self.read(
                from + f64::from(hour) / 24.0,
                room,
                celsius + wander,
                pct + wander,
            );
        }
        self
    }

    pub fn read(&mut self, at: f64, room: &str, celsius: f64, pct: f64) -> &mut Self {
        let read = RoomClimateRead {
            room: room.parse().unwrap(),
            sensor: None,
            temperature_c: Celsius::new(celsius).unwrap(),
            humidity_pct: Some(Percent::new(pct).unwrap()),
            co2_ppm: None,
            nh3_ppm: None,
        };
        self.state(at, read)
    }

    /// The usual way: rooms as the recipe has them, moves in time, pierced on day 36.
    pub fn usual_way() -> Self {
        let mut given = Self::batch(12);
        given.air("R1", 0.0, 80.0, 12.5, 93.0);
        given.air("R2", 0.0, 80.0, 10.0, 94.0);
        given.air("R3", 0.0, 80.0, 8.0, 93.0);
        given.moved(5.3, "R1").moved(15.0, "R2").moved(20.0, "R3");
        given.pierced(36.3);
        given
    }

    pub fn history(&self) -> History {
        let now = day(400.0);
        History::of(
            &holds::counting(&self.facts, &holds::Rights::AnyBadge),
            clock(),
            &self.recipes,
            &Sensors::default(),
            now,
        )
    }

    /// Forecasts by the calendar's habits.
    pub fn forecast(&self, at: f64) -> forecast::BatchForecast {
        let history = self.history();
        let habits = Habits::new();
        Forecaster::new(&history, &habits, day(at))
            .batch("B1".parse().unwrap())
            .unwrap()
    }
}

/// Days after the start of a number of days since 1970.
pub fn after_start(days_since_1970: f64) -> f64 {
    days_since_1970 - start().timestamp() as f64 / 86_400.0
}
