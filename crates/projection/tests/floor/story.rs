//! Some days of a few wheels, and a floor that is written down step by step.

use crate::load;
use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use chrono_tz::Tz;
use facts::{
    Carrier, Event, Fact, FactIdSource, RoomClimateRead, ToolCheck, ToolChecked, VatStarted,
    Voided, WheelHeld, WheelHooped, WheelMoved, WheelPortioned, WheelTurned,
};
use projection::floor;
use projection::{Batch, Effect, Store};
use quantity::{Celsius, DairyClock, Grams, Litres, Percent};
use recipe::{Origin, Recipe, RecipeBook};
use ripening::{Floor, Practice, answer};

/// Test data after common practice (no source): shared with the recipe crate's tests.
const RECIPE: &str = include_str!("../../../recipe/tests/common-practice.toml");

const WHEELS: u32 = 12;

pub fn practice_in(zone: Tz) -> Practice {
    let origin = Origin {
        file: "common-practice.toml",
        text: RECIPE,
    };
    let mut recipes = RecipeBook::default();
    recipes.add(Recipe::parse(&origin).unwrap());
    let hour = |h| NaiveTime::from_hms_opt(h, 0, 0).unwrap();
    Practice {
        clock: DairyClock::new(zone, hour(4)),
        turn_by: hour(18),
        lost_after_days: 4,
        closed_after_days: 60,
        recipes,
        rights: ripening::Rights::AnyBadge,
    }
}

pub fn practice() -> Practice {
    practice_in(chrono_tz::Europe::London)
}

/// Everything that people can see of a floor.
pub fn seen(floor: &Floor) -> String {
    let batches: Vec<_> = floor
        .batches()
        .filter_map(|(id, _)| answer::batch(floor, *id).ok())
        .collect();
    let lives: Vec<_> = answer::census(floor)
        .iter()
        .filter_map(|row| answer::wheel(floor, row.wheel).ok())
        .collect();
    format!(
        "{:#?}\n{:#?}\n{batches:#?}\n{lives:#?}",
        answer::floor(floor, &[]),
        answer::due(floor, &answer::DueQuery::default())
    )
}

/// Facts about four batches.
pub fn story() -> Vec<Fact> {
    story_of(4)
}

/// Facts about some batches; some of them come late, some are voided.
pub fn story_of(batches: u32) -> Vec<Fact> {
    let recipe = practice().recipes.iter().next().unwrap().id;
    let mut told = Teller::default();
    for batch in 0..batches {
        let day = TimeDelta::days(i64::from(batch));
        let id = format!("{}", 311 + batch);
        let wheel = |n: u32| format!("{id}-{n:02}").parse().unwrap();
        told.at(
            day,
            VatStarted {
                batch: id.parse().unwrap(),
                vat: "V1".parse().unwrap(),
                recipe,
                recipe_version: 1,
                milk_l: Litres::new(900.0).unwrap(),
                milk_lots: Vec::new(),
            },
        );
        for n in 0..WHEELS {
            told.at(
                day + TimeDelta::hours(4),
                WheelPortioned {
                    wheel: wheel(n),
                    batch: id.parse().unwrap(),
                    weight_g: Grams::new(10_000 + n).unwrap(),
                    scale: None,
                    tare_g: None,
                    mixer: None,
                },
            );
            told.at(
                day + TimeDelta::hours(4),
                WheelHooped {
                    wheel: wheel(n),
                    hoop: format!("H{n}").parse().unwrap(),
                    stack: None,
                },
            );
        }
        for turn in 1..=10 {
            let via = Some(Carrier::Stillage("S7".parse().unwrap()));
            told.at(
                day + TimeDelta::hours(24 * turn),
                WheelTurned {
                    wheels: (0..WHEELS).map(wheel).collect(),
                    via,
                },
            );
            told.at(
                day + TimeDelta::hours(24 * turn + 1),
                RoomClimateRead {
                    room: "R1".parse().unwrap(),
                    sensor: None,
                    temperature_c: Celsius::new(12.0 + turn as f64 / 4.0).unwrap(),
                    humidity_pct: Some(Percent::new(91.0).unwrap()),
                    co2_ppm: None,
                    nh3_ppm: None,
                },
            );
        }
        let wrong = told.facts.last().unwrap().id;
        told.at(
            day + TimeDelta::days(11),
            Voided {
                fact: wrong,
                reason: "the door stood open".into(),
            },
        );
        told.at(
            day + TimeDelta::days(2),
            WheelMoved {
                wheels: vec![wheel(1)],
                via: None,
                room: "R1".parse().unwrap(),
                position: None,
            },
        );
        told.at(
            day + TimeDelta::days(12),
            ToolChecked {
                tool: "PM1".parse().unwrap(),
                check: ToolCheck::Needles {
                    expected: 40,
                    counted: 39,
                },
            },
        );
        told.at(
            day + TimeDelta::days(12),
            WheelHeld {
                wheels: vec![wheel(2), wheel(3)],
                hold: "Q1".parse().unwrap(),
                reason: "swab".into(),
            },
        );
    }
    told.facts
}

#[derive(Default)]
struct Teller {
    facts: Vec<Fact>,
    ids: FactIdSource,
}

impl Teller {
    fn at(&mut self, after: TimeDelta, event: impl Into<Event>) {
        let start: DateTime<Utc> = "2026-03-02T06:00:00Z".parse().unwrap();
        let at = start + after;
        self.facts.push(Fact {
            id: self.ids.next(at),
            site: "testdairy".parse().unwrap(),
            station: "here".parse().unwrap(),
            station_seq: self.facts.len() as u64 + 1,
            person: None,
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event: event.into(),
        });
    }
}

/// A day after the last of the facts.
pub fn end() -> DateTime<Utc> {
    "2026-03-30T06:00:00Z".parse().unwrap()
}

/// A loaded floor, at the end of the story.
pub fn timed(mut loaded: ripening::Folding) -> Floor {
    loaded.refresh(end());
    loaded.into_floor().unwrap()
}

/// A floor and the store it is written to.
pub struct Writer<'a> {
    pub store: &'a Store,
    pub floor: Floor,
    /// Facts folded and written; the position that is written with them.
    pub position: u64,
}

impl<'a> Writer<'a> {
    /// Goes on from what is stored.
    pub fn on(store: &'a Store) -> Self {
        let loaded = load(&store, practice()).unwrap();
        Self {
            store,
            floor: timed(loaded.floor),
            position: loaded.position.unwrap_or(0),
        }
    }

    /// Folds some more of the facts.
    pub fn fold(&mut self, facts: &[Fact]) {
        for fact in facts {
            self.floor.apply(fact);
        }
        self.floor.refresh(end());
        self.position += facts.len() as u64;
    }

    pub fn batch(&mut self, first_effect: u64, effects: &[Effect]) -> Batch {
        floor::batch(&mut self.floor, &self.position, first_effect, effects).unwrap()
    }

    /// Folds some more of the facts and writes them down.
    pub fn write(&mut self, facts: &[Fact]) {
        self.fold(facts);
        let batch = self.batch(1, &[]);
        self.store.write(&batch).unwrap();
    }
}

/// What is stored, as people would see it, and its position.
pub fn stored(store: &Store) -> (Option<u64>, String) {
    let mut loaded = load(&store, practice()).unwrap();
    let floor = loaded.floor.refresh(end());
    (loaded.position, seen(floor))
}
