//! A floor with a past: batches of the demo's recipe, one a day, each as far as its age
//! says, turned daily at 08:00.

use chrono::{DateTime, Duration, NaiveTime, Utc};
use facts::{
    BatchId, Carrier, Event, Fact, FactIdSource, RindObserved, RoomId, StationId, StillageId,
    VatStarted, WheelId, WheelLoaded, WheelMoved, WheelPierced, WheelPortioned, WheelRubbedUp,
    WheelTurned, WheelUnhooped,
};
use quantity::{DairyClock, DairyDay, Grams, Litres, Percent};
use recipe::{Origin, Recipe, RecipeBook};
use ripening::{Floor, Practice};

const RECIPE: &str = include_str!("../../../../deploy/demo/larkholm-blue.toml");

/// Wheels on a full stillage.
pub const STILLAGE: usize = 24;

/// Local time.
pub fn hour(hour: u32) -> NaiveTime {
    NaiveTime::from_hms_opt(hour, 0, 0).unwrap()
}

/// A floor on which nothing has happened.
pub fn empty() -> Floor {
    let mut recipes = RecipeBook::default();
    let origin = Origin {
        file: "recipe",
        text: RECIPE,
    };
    recipes.add(Recipe::parse(&origin).unwrap());
    Floor::new(
        Practice {
            clock: DairyClock::new(chrono_tz::Europe::London, hour(4)),
            turn_by: hour(12),
            lost_after_days: 3,
            closed_after_days: 60,
            recipes,
            rights: ripening::Rights::AnyBadge,
        },
        chrono::DateTime::UNIX_EPOCH,
    )
}

/// A floor on the morning of `today`, with batches of `wheels` from 1 to `oldest` days
/// old. `turned` says whether a batch of an age was turned on a day so many days ago.
pub fn floor(
    today: DairyDay,
    oldest: i64,
    wheels: usize,
    turned: impl Fn(i64, i64) -> bool,
) -> Floor {
    let mut floor = empty();
    let clock = floor.practice().clock;
    let mut stated = Stated::default();
    for age in 1..=oldest {
        batch(&mut stated, &clock, today, age, wheels, &turned);
    }
    for fact in &stated.facts {
        floor.apply(fact);
    }
    floor.refresh(clock.at(today, hour(5)));
    floor
}

#[derive(Default)]
struct Stated {
    ids: FactIdSource,
    facts: Vec<Fact>,
}

impl Stated {
    fn say(&mut self, at: DateTime<Utc>, event: impl Into<Event>) {
        self.facts.push(Fact {
            id: self.ids.next(at),
            site: "larkholm".parse().unwrap(),
            station: StationId::new("past").unwrap(),
            station_seq: self.facts.len() as u64 + 1,
            person: None,
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event: event.into(),
        });
    }
}

fn batch(
    stated: &mut Stated,
    clock: &DairyClock,
    today: DairyDay,
    age: i64,
    wheels: usize,
    turned: &impl Fn(i64, i64) -> bool,
) {
    let made = today.plus(-age);
    let at =
        |day: i64, minutes: i64| clock.at(made.plus(day), hour(9)) + Duration::minutes(minutes);
    let batch = BatchId::new(&format!("B{age:02}")).unwrap();
    let vat = VatStarted {
        batch,
        vat: "V1".parse().unwrap(),
        recipe: "larkholm-blue".parse().unwrap(),
        recipe_version: 1,
        milk_l: Litres::new(5_000.0).unwrap(),
        milk_lots: Vec::new(),
    };
    stated.say(at(0, 0), vat);
    let all: Vec<WheelId> = (0..wheels)
        .map(|n| WheelId::new(&format!("B{age:02}-{n:03}")).unwrap())
        .collect();
    for (n, ids) in all.chunks(STILLAGE).enumerate() {
        let stillage = StillageId::new(&format!("S{age:02}-{n}")).unwrap();
        let via = Some(Carrier::Stillage(stillage));
        let wheels = || ids.to_vec();
        for wheel in ids {
            let portioned = WheelPortioned {
                wheel: *wheel,
                batch,
                weight_g: Grams::new(4_200).unwrap(),
                scale: None,
                tare_g: None,
                mixer: None,
            };
            stated.say(at(0, 1), portioned);
        }
        for ago in 1..age {
            if turned(age, ago) {
                let wheels = wheels();
                let when = clock.at(today.plus(-ago), hour(8));
                stated.say(when, WheelTurned { wheels, via });
            }
        }
        if age <= 5 {
            continue;
        }
        let (w, via_none) = (wheels(), None);
        stated.say(
            at(5, 0),
            WheelUnhooped {
                wheels: w,
                via: via_none,
            },
        );
        let w = wheels();
        stated.say(
            at(5, 1),
            WheelRubbedUp {
                wheels: w,
                via: None,
            },
        );
        let w = wheels();
        stated.say(
            at(5, 2),
            WheelLoaded {
                wheels: w,
                stillage,
            },
        );
        let mut go = |day: i64, room: &str, cover: Option<f64>| {
            if let Some(cover) = cover {
                let observed = RindObserved {
                    wheels: ids.to_vec(),
                    via,
                    cover_pct: Percent::new(cover).unwrap(),
                };
                stated.say(at(day, 3), observed);
            }
            let moved = WheelMoved {
                wheels: ids.to_vec(),
                via,
                room: RoomId::new(room).unwrap(),
                position: None,
            };
            stated.say(at(day, 4), moved);
        };
        go(5, "R1", None);
        if age > 14 {
            go(14, "R2", Some(35.0));
        }
        if age > 22 {
            go(22, "R3", Some(80.0));
        }
        if age > 38 {
            let pierced = WheelPierced {
                wheels: wheels(),
                via,
                machine: "PM1".parse().unwrap(),
            };
            stated.say(at(38, 5), pierced);
        }
    }
}
