//! Builds facts and floors in one breath.

use chrono::{DateTime, NaiveTime, Utc};
use facts::{Event, Fact, FactIdSource, WheelId};
use quantity::{DairyClock, Grams, Percent};
use recipe::{Origin, Recipe, RecipeBook};
use ripening::{Action, Floor, Practice, Urgency};

/// Test data after common practice (no source): shared with the recipe crate's tests.
const RECIPE: &str = include_str!("../../../recipe/tests/common-practice.toml");

pub fn practice() -> Practice {
    let mut recipes = RecipeBook::default();
    recipes.add(
        Recipe::parse(&Origin {
            file: "common-practice.toml",
            text: RECIPE,
        })
        .unwrap(),
    );
    Practice {
        clock: DairyClock::new(
            chrono_tz::Europe::London,
            NaiveTime::from_hms_opt(4, 0, 0).unwrap(),
        ),
        turn_by: NaiveTime::from_hms_opt(18, 0, 0).unwrap(),
        lost_after_days: 4,
        closed_after_days: 60,
        recipes,
        rights: ripening::Rights::AnyBadge,
    }
}

/// The same practice with the recipe file changed: each pair is a line there and what
/// stands in its place.
pub fn practice_with(changes: &[(&str, &str)]) -> Practice {
    let mut recipes = RecipeBook::default();
    recipes.add(recipe_with(changes));
    Practice {
        recipes,
        ..practice()
    }
}

pub fn recipe_with(changes: &[(&str, &str)]) -> Recipe {
    let mut text = RECIPE.to_owned();
    for (line, instead) in changes {
        assert!(text.contains(line), "{line} is not in the recipe");
        text = text.replacen(line, instead, 1);
    }
    let file = "common-practice.toml";
    Recipe::parse(&Origin { file, text: &text }).unwrap()
}

/// Facts of one station, numbered and named in the order they are given.
#[derive(Default)]
pub struct Given {
    pub facts: Vec<Fact>,
    ids: FactIdSource,
}

/// `2026-03-02 06:00`, UTC; winter time in London, so local time too.
pub fn time(text: &str) -> DateTime<Utc> {
    format!("{}:00Z", text.replace(' ', "T")).parse().unwrap()
}

pub fn wheel(text: &str) -> WheelId {
    WheelId::new(text).unwrap()
}

impl Given {
    pub fn at(mut self, when: &str, event: impl Into<Event>) -> Self {
        let occurred_at = time(when);
        let event = event.into();
        // Whatever is taken back here, a manager corrects.
        let corrects = matches!(event, facts::Event::Voided(_));
        let station = if corrects { "gateway" } else { "here" };
        self.facts.push(Fact {
            id: self.ids.next(occurred_at),
            site: "testdairy".parse().unwrap(),
            station: station.parse().unwrap(),
            station_seq: self.facts.len() as u64 + 1,
            person: corrects.then(|| "01".parse().unwrap()),
            occurred_at,
            claimed_at: None,
            recorded_at: occurred_at,
            event,
        });
        self
    }

    /// The last fact was stated by a person with this badge.
    pub fn by(mut self, badge: &str) -> Self {
        self.facts.last_mut().unwrap().person = Some(badge.parse().unwrap());
        self
    }

    pub fn floor(&self, now: &str) -> Floor {
        self.floor_of(practice(), now)
    }

    pub fn floor_of(&self, practice: Practice, now: &str) -> Floor {
        let mut floor = Floor::new(practice, chrono::DateTime::UNIX_EPOCH);
        for fact in &self.facts {
            floor.apply(fact);
        }
        floor.refresh(time(now));
        floor
    }

    /// What the wheel needs at that time, without what lies ahead.
    pub fn then(&self, who: &str, now: &str) -> Vec<(Action, Urgency)> {
        let floor = self.floor(now);
        let needs = floor.wheel(wheel(who)).unwrap().actions().iter();
        needs
            .map(|asked| (asked.action, asked.window.urgency(floor.now())))
            .filter(|(_, urgency)| *urgency > Urgency::Ahead)
            .collect()
    }
}

pub fn portioned(who: &str) -> facts::WheelPortioned {
    facts::WheelPortioned {
        wheel: wheel(who),
        batch: who.split('-').next().unwrap().parse().unwrap(),
        weight_g: Grams::new(10_886).unwrap(),
        scale: None,
        tare_g: None,
        mixer: None,
    }
}

pub fn turned(who: &[&str]) -> facts::WheelTurned {
    facts::WheelTurned {
        wheels: who.iter().map(|w| wheel(w)).collect(),
        via: None,
    }
}

pub fn unhooped(who: &str) -> facts::WheelUnhooped {
    facts::WheelUnhooped {
        wheels: vec![wheel(who)],
        via: None,
    }
}

pub fn rubbed_up(who: &str) -> facts::WheelRubbedUp {
    facts::WheelRubbedUp {
        wheels: vec![wheel(who)],
        via: None,
    }
}

pub fn moved(who: &str, room: &str) -> facts::WheelMoved {
    facts::WheelMoved {
        wheels: vec![wheel(who)],
        via: None,
        room: room.parse().unwrap(),
        position: None,
    }
}

pub fn rind(who: &str, cover: f64) -> facts::RindObserved {
    facts::RindObserved {
        wheels: vec![wheel(who)],
        via: None,
        cover_pct: Percent::new(cover).unwrap(),
    }
}

pub fn pierced(who: &str) -> facts::WheelPierced {
    facts::WheelPierced {
        wheels: vec![wheel(who)],
        via: None,
        machine: "PM1".parse().unwrap(),
    }
}

pub fn ironed(who: &str, coverage: f64) -> facts::WheelIroned {
    facts::WheelIroned {
        wheel: wheel(who),
        blue_coverage_pct: Percent::new(coverage).unwrap(),
        iron: None,
        note: None,
    }
}

pub fn graded(who: &str) -> facts::WheelGraded {
    facts::WheelGraded {
        wheels: vec![wheel(who)],
        via: None,
        grade: facts::Grade::A,
    }
}

pub fn held(who: &str) -> facts::WheelHeld {
    facts::WheelHeld {
        wheels: vec![wheel(who)],
        hold: "Q1".parse().unwrap(),
        reason: "swab".into(),
    }
}

pub fn released(who: &str, hold: &str) -> facts::WheelReleased {
    facts::WheelReleased {
        wheels: vec![wheel(who)],
        hold: hold.parse().unwrap(),
        reason: "result is in".into(),
    }
}

pub fn weighed(who: &str, grams: u32) -> facts::WheelWeighed {
    facts::WheelWeighed {
        wheel: wheel(who),
        weight_g: Grams::new(grams).unwrap(),
        scale: None,
        tare_g: None,
    }
}

pub fn needles(counted: u32) -> facts::ToolChecked {
    facts::ToolChecked {
        tool: "PM1".parse().unwrap(),
        check: facts::ToolCheck::Needles {
            expected: 48,
            counted,
        },
    }
}

pub fn dispatched(who: &str) -> facts::WheelDispatched {
    facts::WheelDispatched {
        wheels: vec![wheel(who)],
        via: None,
        order: None,
        market: None,
        sale: None,
    }
}
