//! Facts of an invented dairy, for the tests of this crate.
#![allow(dead_code)] // each test takes what it needs

use chrono::{DateTime, NaiveTime, TimeDelta, Utc};
use facts::{
    BatchId, Event, Fact, FactId, PersonId, SiteId, StationId, VatStarted, Voided, WheelId,
    WheelPortioned, WheelWeighed,
};
use quantity::{DairyClock, Grams, Litres};
use recipe::{Origin, Recipe, RecipeBook};
use ripening::{Floor, Practice};
use uuid::Uuid;

pub fn utc(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

pub fn recipe() -> Recipe {
    let text = include_str!("../../../../deploy/demo/larkholm-blue.toml");
    let origin = Origin {
        file: "larkholm-blue.toml",
        text,
    };
    Recipe::parse(&origin).unwrap()
}

pub fn clock() -> DairyClock {
    let four = NaiveTime::from_hms_opt(4, 0, 0).unwrap();
    DairyClock::new(chrono_tz::Europe::London, four)
}

pub fn floor() -> Floor {
    let mut recipes = RecipeBook::default();
    recipes.add(recipe());
    Floor::new(
        Practice {
            clock: clock(),
            turn_by: NaiveTime::from_hms_opt(12, 0, 0).unwrap(),
            lost_after_days: 3,
            closed_after_days: 60,
            recipes,
            rights: ripening::Rights::AnyBadge,
        },
        chrono::DateTime::UNIX_EPOCH,
    )
}

/// Writes facts down as a station does.
#[derive(Default)]
pub struct Station {
    seq: u64,
}

impl Station {
    pub fn says(
        &mut self,
        at: DateTime<Utc>,
        person: Option<&str>,
        event: impl Into<Event>,
    ) -> Fact {
        self.seq += 1;
        Fact {
            id: FactId::from_uuid(Uuid::from_u128(
                0x0190_b6b0_0000_7000_8000 << 48 | u128::from(self.seq),
            )),
            site: SiteId::new("larkholm").unwrap(),
            station: StationId::new("portion-1").unwrap(),
            station_seq: self.seq,
            person: person.map(|p| PersonId::new(p).unwrap()),
            occurred_at: at,
            claimed_at: None,
            recorded_at: at,
            event: event.into(),
        }
    }

    pub fn vat(&mut self, at: DateTime<Utc>, batch: &str) -> Fact {
        let started = VatStarted {
            batch: BatchId::new(batch).unwrap(),
            vat: facts::VatId::new("V1").unwrap(),
            recipe: recipe().id,
            recipe_version: recipe().version,
            milk_l: Litres::new(1000.0).unwrap(),
            milk_lots: Vec::new(),
        };
        self.says(at, None, started)
    }

    pub fn portion(
        &mut self,
        at: DateTime<Utc>,
        batch: &str,
        place: usize,
        grams: f64,
        person: &str,
    ) -> Fact {
        let portioned = WheelPortioned {
            wheel: wheel(batch, place),
            batch: BatchId::new(batch).unwrap(),
            weight_g: Grams::new((grams / 5.0).round() as u32 * 5).unwrap(),
            scale: None,
            tare_g: None,
            mixer: Some(PersonId::new(person).unwrap()),
        };
        self.says(at, Some(person), portioned)
    }

    pub fn weigh(&mut self, at: DateTime<Utc>, wheel: WheelId, grams: u32) -> Fact {
        let weighed = WheelWeighed {
            wheel,
            weight_g: Grams::new(grams).unwrap(),
            scale: None,
            tare_g: None,
        };
        self.says(at, None, weighed)
    }

    pub fn void(&mut self, at: DateTime<Utc>, fact: FactId) -> Fact {
        let voided = Voided {
            fact,
            reason: "weighed with the lid on".to_owned(),
        };
        self.says(at, None, voided)
    }

    /// A vat's portions, 40 s apart: `off` is how far each is from the aim.
    pub fn portions(
        &mut self,
        from: DateTime<Utc>,
        batch: &str,
        person: impl Fn(usize) -> &'static str,
        off: impl IntoIterator<Item = f64>,
    ) -> Vec<Fact> {
        let facts = off.into_iter().enumerate().map(|(n, off)| {
            let at = from + TimeDelta::seconds(40 * n as i64);
            self.portion(at, batch, n + 1, 4200.0 + off, person(n))
        });
        facts.collect()
    }
}

pub fn wheel(batch: &str, place: usize) -> WheelId {
    WheelId::new(&format!("{batch}-{place:02}")).unwrap()
}

/// A number that looks like chance and is always the same: about normal, deviation 1.
pub fn chance(n: usize) -> f64 {
    let even = |n: usize| {
        let mut x = n as u64 ^ 0x9e37_79b9_7f4a_7c15;
        x = (x ^ (x >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        x = (x ^ (x >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((x ^ (x >> 31)) >> 11) as f64 / (1_u64 << 53) as f64
    };
    (0..12).map(|k| even(12 * n + k)).sum::<f64>() - 6.0
}

/// Five quiet days before 3 March, 25 samples of five in all, and the vat of 3 March that
/// drifts: right for 24 portions, then 45 g heavy.
pub fn drifting() -> Vec<Fact> {
    let mut station = Station::default();
    let mut facts = Vec::new();
    for day in 0..5 {
        let morning = utc("2026-02-23T05:30:00Z") + TimeDelta::days(day);
        let batch = format!("26022{}A", 3 + day);
        facts.push(station.vat(morning, &batch));
        let off = (0..25).map(|n| 28.0 * chance(30_000 + 1000 * day as usize + n));
        let hands = |n: usize| if n.is_multiple_of(2) { "01" } else { "02" };
        facts.extend(station.portions(morning + TimeDelta::hours(8), &batch, hands, off));
    }
    let morning = utc("2026-03-03T05:30:00Z");
    facts.push(station.vat(morning, "260303A"));
    let off = (0..48).map(|n| 28.0 * chance(9000 + n) + if n < 24 { 0.0 } else { 45.0 });
    let hands = |n: usize| if n < 22 { "01" } else { "02" };
    facts.extend(station.portions(morning + TimeDelta::hours(8), "260303A", hands, off));
    facts
}
