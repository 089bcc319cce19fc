//! What the forecaster knows of the floor, and one round of forecasts from it.
//!
//! What a round comes to is a matter of the log and of the day alone, never of when the worker
//! was started or looked: habits are learnt from what had been recorded when the day began; air
//! and weights count with the next fact that forecasts turn on, or with the next day; and it is
//! forecast from the instant of the newest fact that counts.

use std::collections::BTreeMap;

use bus::Stored;
use bus::telling::Telling;
use chrono::{DateTime, Utc};
use facts::wire::Read;
use facts::{BatchId, Event, Fact, ForecastTold, WheelId};
use forecast::{Desk, Habits, History, Sensors, habits};
use site::Site;

use crate::{alerts, threads};

/// Facts that forecasts rest on, and what was told last.
pub(crate) struct Known {
    pub(crate) site: Site,
    /// The present: none before the first tick.
    pub(crate) now: Option<DateTime<Utc>>,
    /// Those that count; away while a round works with them.
    facts: Option<Vec<Fact>>,
    /// What came meanwhile, and counts.
    fresh: Vec<Fact>,
    /// What came since, and counts with the next fact that forecasts turn on.
    waiting: Vec<Fact>,
    /// When the newest of those that count was recorded.
    latest: Option<DateTime<Utc>>,
    /// Something was seen since the last round began.
    stirred: bool,
    /// When the dairy day of the last round began.
    day_began: Option<DateTime<Utc>>,
    /// Something came that had been recorded before that: habits must be learnt again.
    late: bool,
    told: BTreeMap<BatchId, ForecastTold>,
    /// What no round has seen yet, and what one is at work with.
    young: Young,
    at_work: Young,
}

/// When batches and wheels were made of which there is no forecast yet.
#[derive(Debug, Clone, Default)]
pub(crate) struct Young {
    batches: BTreeMap<BatchId, DateTime<Utc>>,
    wheels: BTreeMap<WheelId, DateTime<Utc>>,
}

impl Young {
    /// When the batch or wheel of that code was made.
    pub(crate) fn made(&self, code: &str) -> Option<DateTime<Utc>> {
        let batch = code.parse().ok().and_then(|id| self.batches.get(&id));
        let wheel = || code.parse().ok().and_then(|id| self.wheels.get(&id));
        batch.or_else(wheel).copied()
    }

    fn take(&mut self, fact: &Fact) {
        let at = fact.occurred_at;
        match &fact.event {
            Event::VatStarted(started) => {
                self.batches.entry(started.batch).or_insert(at);
            }
            Event::WheelPortioned(born) => {
                self.batches.entry(born.batch).or_insert(at);
                self.wheels.entry(born.wheel).or_insert(at);
            }
            _ => {}
        }
    }
}

/// What a round begins with.
pub(crate) struct Round {
    site: Site,
    facts: Vec<Fact>,
    /// The instant that is forecast from, and when its day began.
    now: DateTime<Utc>,
    day_began: DateTime<Utc>,
    /// Habits to go by; none: learn them.
    habits: Option<Habits>,
}

/// What a round ends with.
pub(crate) struct Pass {
    pub(crate) facts: Vec<Fact>,
    pub(crate) desk: Desk,
    pub(crate) told: Vec<ForecastTold>,
    /// Makes whose kilograms do not add up: fresh ones, and those too old to tell of.
    pub(crate) unexplained: (Vec<Telling>, Vec<Telling>),
    /// Batches that dry unlike the others.
    pub(crate) drying: Vec<Telling>,
}

impl Known {
    pub(crate) fn new(site: Site) -> Self {
        Self {
            site,
            now: None,
            facts: Some(Vec::new()),
            fresh: Vec::new(),
            waiting: Vec::new(),
            latest: None,
            stirred: false,
            day_began: None,
            late: false,
            told: BTreeMap::new(),
            young: Young::default(),
            at_work: Young::default(),
        }
    }

    /// What was made since the last round, and when, by its code.
    pub(crate) fn young(&self) -> Young {
        let mut young = self.at_work.clone();
        young.batches.extend(&self.young.batches);
        young.wheels.extend(&self.young.wheels);
        young
    }

    /// Takes a message of the log. What cannot be read is the scheduler's to reject.
    pub(crate) fn message(&mut self, message: &Stored) {
        let Ok(Read::Fact(fact)) = message.read() else {
            return;
        };
        if fact.site == self.site.id {
            self.fact(fact);
        }
    }

    fn fact(&mut self, fact: Fact) {
        self.young.take(&fact);
        match &fact.event {
            Event::ForecastTold(told) => {
                self.told.insert(told.batch, told.clone());
            }
            event if rests_on(event) => {
                let late = self.day_began.is_some_and(|began| fact.recorded_at < began);
                let turns = forecasts_turn_on(event);
                self.late |= late;
                self.stirred |= late || turns;
                self.waiting.push(fact);
                if turns {
                    let newest = self.waiting.iter().map(|fact| fact.recorded_at).max();
                    self.latest = self.latest.max(newest);
                    self.fresh.append(&mut self.waiting);
                }
            }
            _ => {}
        }
    }

    pub(crate) const fn is_stirred(&self) -> bool {
        self.stirred
    }

    /// Begins a round; none while another is at work. `habits`: those of the last round.
    pub(crate) fn round(&mut self, now: DateTime<Utc>, habits: Option<&Habits>) -> Option<Round> {
        let mut facts = self.facts.take()?;
        let clock = self.site.clock;
        let day_began = clock.start_of(clock.day_of(now));
        let of_before = |fact: &mut Fact| fact.recorded_at < day_began;
        facts.append(&mut self.fresh);
        facts.extend(self.waiting.extract_if(.., of_before));
        let same_day = self.day_began == Some(day_began) && !self.late;
        self.day_began = Some(day_began);
        self.late = false;
        self.stirred = false;
        self.at_work = std::mem::take(&mut self.young);
        Some(Round {
            site: self.site.clone(),
            facts,
            now: self
                .latest
                .map_or(day_began, |at| at.min(now).max(day_began)),
            day_began,
            habits: habits.filter(|_| same_day).cloned(),
        })
    }

    /// Takes the facts back; gives what has to be told.
    pub(crate) fn back(&mut self, facts: Vec<Fact>, told: Vec<ForecastTold>) -> Vec<ForecastTold> {
        self.facts = Some(facts);
        self.at_work = Young::default();
        let mut news = Vec::new();
        for told in told {
            if self.told.get(&told.batch).is_none_or(|b| differs(b, &told)) {
                self.told.insert(told.batch, told.clone());
                news.push(told);
            }
        }
        news
    }
}

impl Round {
    pub(crate) fn work(self) -> Pass {
        let Self {
            site,
            mut facts,
            now,
            day_began,
            habits: known,
        } = self;
        let sensors = Sensors::default();
        let rights = site.rights();
        let of =
            |counts: &[&Fact], now| History::of(counts, site.clock, &site.recipes, &sensors, now);
        let habits = known.unwrap_or_else(|| {
            facts.sort_by_key(|fact| fact.recorded_at);
            let before = facts.partition_point(|fact| fact.recorded_at < day_began);
            let history = of(&holds::counting(&facts[..before], &rights), day_began);
            habits(&history, day_began, &Habits::new(), threads())
        });
        let counts = holds::counting(&facts, &rights);
        let history = of(&counts, now);
        let desk = Desk {
            history,
            habits,
            now,
        };
        let all = desk.forecaster().all(threads());
        let told = all.iter().map(|forecast| desk.told(forecast)).collect();
        let batches: Vec<BatchId> = all.iter().map(|forecast| forecast.batch).collect();
        Pass {
            told,
            unexplained: alerts::unexplained(&counts, &desk),
            drying: alerts::drying(&desk, &batches),
            facts,
            desk,
        }
    }
}

/// Whether a fact says anything to a forecast.
const fn rests_on(event: &Event) -> bool {
    matches!(
        event,
        Event::VatStarted(_)
            | Event::VatRecipeChanged(_)
            | Event::VatDosed(_)
            | Event::VatDrained(_)
            | Event::VatFilled(_)
            | Event::VatReworked(_)
            | Event::VatClosed(_)
            | Event::MilkReceived(_)
            | Event::MilkPooled(_)
            | Event::WheelPortioned(_)
            | Event::WheelUnhooped(_)
            | Event::WheelMoved(_)
            | Event::WheelPierced(_)
            | Event::WheelIroned(_)
            | Event::WheelWeighed(_)
            | Event::WheelDispatched(_)
            | Event::WheelDiscarded(_)
            | Event::WheelReturned(_)
            | Event::RindObserved(_)
            | Event::RoomClimateRead(_)
            | Event::Voided(_)
    )
}

/// Whether forecasts are made again for it. Air and weights count with the next day, and so does
/// a vat until it is closed.
const fn forecasts_turn_on(event: &Event) -> bool {
    !matches!(
        event,
        Event::RoomClimateRead(_)
            | Event::WheelWeighed(_)
            | Event::WheelPortioned(_)
            | Event::VatDosed(_)
            | Event::VatDrained(_)
            | Event::VatFilled(_)
            | Event::VatReworked(_)
            | Event::MilkReceived(_)
            | Event::MilkPooled(_)
    )
}

/// Whether another day is expected for anything, or another wheel tells more: what it rests
/// on alone is no news.
fn differs(before: &ForecastTold, now: &ForecastTold) -> bool {
    let days = |told: &ForecastTold| (told.covered, told.leaves, told.moved_on, told.ready);
    days(before) != days(now)
        || before.cover_pct != now.cover_pct
        || before.worth_ironing != now.worth_ironing
}

#[cfg(test)]
mod tests {
    use chrono::TimeDelta;
    use facts::wire;
    use recipe::Origin;

    use super::*;

    const RECORDED: &str = include_str!("../../../tests/data/larkholm-70-days.ndjson");
    const SITE: &str = include_str!("../../../deploy/demo/larkholm.toml");
    const RECIPE: &str = include_str!("../../../deploy/demo/larkholm-blue.toml");

    fn known() -> Known {
        let origin = Origin {
            file: "larkholm.toml",
            text: SITE,
        };
        let read = |_: &std::path::Path| Ok(RECIPE.to_owned());
        Known::new(Site::parse(&origin, std::path::Path::new(""), read).unwrap())
    }

    /// What a round at that moment comes to.
    fn round(
        known: &mut Known,
        now: DateTime<Utc>,
        habits: &mut Option<Habits>,
    ) -> Vec<ForecastTold> {
        let pass = known.round(now, habits.as_ref()).unwrap().work();
        *habits = Some(pass.desk.habits);
        known.back(pass.facts, Vec::new());
        pass.told
    }

    #[test]
    fn one_that_lived_through_the_day_and_one_started_late_come_to_the_same() {
        let facts: Vec<Fact> = RECORDED
            .lines()
            .filter_map(|line| match wire::from_line(line) {
                Ok(Read::Fact(fact)) => Some(fact),
                _ => None,
            })
            .collect();
        let evening = "2026-03-12T20:00:00Z".parse::<DateTime<Utc>>().unwrap();
        let morning = evening - TimeDelta::hours(15);
        let until = |at| facts.partition_point(|fact| fact.recorded_at <= at);
        let (mut lived, mut habits) = (known(), None);
        let mut from = 0;
        for hours in [0, 4, 9, 15] {
            let now = morning + TimeDelta::hours(hours);
            let to = until(now);
            facts[from..to]
                .iter()
                .for_each(|fact| lived.fact(fact.clone()));
            from = to;
            round(&mut lived, now, &mut habits);
        }
        assert!(until(evening) > until(morning) + 20);
        // Somebody's handheld had kept something since the day before.
        let mut late = facts[..until(morning)]
            .iter()
            .rfind(|fact| matches!(fact.event, Event::WheelMoved(_) | Event::RindObserved(_)))
            .unwrap()
            .clone();
        late.id = "0190b6b0-0000-7000-8000-000000000001".parse().unwrap();
        late.station_seq += 100_000;
        lived.fact(late.clone());
        assert!(lived.is_stirred());
        let lived = round(&mut lived, evening, &mut habits);

        let (mut started, mut anew) = (known(), None);
        facts[..from]
            .iter()
            .for_each(|fact| started.fact(fact.clone()));
        started.fact(late);
        let started = round(&mut started, evening + TimeDelta::hours(2), &mut anew);
        assert!(started.len() > 20);
        assert_eq!(started, lived);
        assert_eq!(anew, habits);
    }
}
