//! What the forecaster knows of the floor, and one round of forecasts from it.

use std::collections::BTreeMap;

use bus::Stored;
use bus::telling::Telling;
use chrono::{DateTime, Utc};
use facts::wire::Read;
use facts::{BatchId, Event, Fact, ForecastTold};
use forecast::{Desk, Habits, History, Sensors, habits};
use site::Site;

use crate::{alerts, threads};

/// Facts that forecasts rest on, and what was told last.
pub(crate) struct Known {
    pub(crate) site: Site,
    /// The present: none before the first tick.
    pub(crate) now: Option<DateTime<Utc>>,
    /// Away while a round works with them.
    facts: Option<Vec<Fact>>,
    /// What came meanwhile.
    fresh: Vec<Fact>,
    /// Something was seen since the last round began.
    stirred: bool,
    told: BTreeMap<BatchId, ForecastTold>,
    /// When the batches and wheels were made that no round has seen yet, by their codes; and
    /// those that a round is at work with.
    young: BTreeMap<String, DateTime<Utc>>,
    at_work: BTreeMap<String, DateTime<Utc>>,
}

/// What a round begins with.
pub(crate) struct Round {
    site: Site,
    facts: Vec<Fact>,
    now: DateTime<Utc>,
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
    pub(crate) const fn new(site: Site) -> Self {
        Self {
            site,
            now: None,
            facts: Some(Vec::new()),
            fresh: Vec::new(),
            stirred: false,
            told: BTreeMap::new(),
            young: BTreeMap::new(),
            at_work: BTreeMap::new(),
        }
    }

    /// What was made since the last round, and when, by its code.
    pub(crate) fn young(&self) -> BTreeMap<String, DateTime<Utc>> {
        self.at_work
            .iter()
            .chain(&self.young)
            .map(|(code, at)| (code.clone(), *at))
            .collect()
    }

    fn made(&mut self, code: &str, at: DateTime<Utc>) {
        self.young.entry(code.to_ascii_uppercase()).or_insert(at);
    }

    /// Takes a message of the log. What cannot be read is the scheduler's to reject.
    pub(crate) fn message(&mut self, message: &Stored) {
        let Ok(Read::Fact(fact)) = message.read() else {
            return;
        };
        if fact.site != self.site.id {
            return;
        }
        match &fact.event {
            Event::VatStarted(started) => self.made(started.batch.as_str(), fact.occurred_at),
            Event::WheelPortioned(born) => {
                self.made(born.batch.as_str(), fact.occurred_at);
                self.made(born.wheel.as_str(), fact.occurred_at);
            }
            _ => {}
        }
        match &fact.event {
            Event::ForecastTold(told) => {
                self.told.insert(told.batch, told.clone());
            }
            event if rests_on(event) => {
                // Air and weights count with the next day, and so does a vat until it is closed.
                self.stirred |= !matches!(
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
                );
                self.fresh.push(fact);
            }
            _ => {}
        }
    }

    pub(crate) const fn is_stirred(&self) -> bool {
        self.stirred
    }

    /// Begins a round; none while another is at work.
    pub(crate) fn round(&mut self, now: DateTime<Utc>, habits: Option<Habits>) -> Option<Round> {
        let mut facts = self.facts.take()?;
        facts.append(&mut self.fresh);
        self.stirred = false;
        self.at_work = std::mem::take(&mut self.young);
        Some(Round {
            site: self.site.clone(),
            facts,
            now,
            habits,
        })
    }

    /// Takes the facts back; gives what has to be told.
    pub(crate) fn back(&mut self, facts: Vec<Fact>, told: Vec<ForecastTold>) -> Vec<ForecastTold> {
        self.facts = Some(facts);
        self.at_work.clear();
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
            facts,
            now,
            habits: known,
        } = self;
        let sensors = Sensors::default();
        let counts = holds::counting(&facts, &site.rights());
        let history = History::of(&counts, site.clock, &site.recipes, &sensors, now);
        let learn = || habits(&history, now, &Habits::new(), threads());
        let habits = known.unwrap_or_else(learn);
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

/// Whether another day is expected for anything, or another wheel tells more: what it rests
/// on alone is no news.
fn differs(before: &ForecastTold, now: &ForecastTold) -> bool {
    let days = |told: &ForecastTold| (told.covered, told.leaves, told.moved_on, told.ready);
    days(before) != days(now)
        || before.cover_pct != now.cover_pct
        || before.worth_ironing != now.worth_ironing
}
