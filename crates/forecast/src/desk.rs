//! Questions about forecasts and their answers: for the command line, for pages, and for
//! whoever asks over the bus.

use chrono::{DateTime, Utc};
use facts::{BatchId, ExpectedOn, ForecastTold, RoomId, WheelId};
use names::{Kind, Known, UnknownName};
use quantity::{DairyDay, Percent};
use serde::{Deserialize, Serialize};

use crate::figure::{Chart, Drawn};
use crate::forecaster::{BatchWeights, Forecaster, Habits};
use crate::history::History;
use crate::outlook::{BatchForecast, Dates, Outlook};
use crate::scenario::{Change, Scenario, Warmer};
use crate::told::Told;
use crate::weights::DryingHabit;

/// A question about one batch or wheel, or about all.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Query {
    /// A batch or a wheel; none: every batch with wheels in the house, in short.
    #[serde(default)]
    pub what: Option<String>,
    /// Of every batch all that is told of it, instead of each in short.
    #[serde(default)]
    pub in_full: bool,
    /// What if rooms were warmer from now on.
    #[serde(default)]
    pub warmer: Vec<WarmerBy>,
    /// What if piercing were put off by so many days; negative for earlier.
    #[serde(default)]
    pub pierce_later_days: f64,
    /// A picture, instead of words.
    #[serde(default)]
    pub draw: Option<Chart>,
    /// The room that is drawn.
    #[serde(default)]
    pub room: Option<RoomId>,
}

/// A room that might be warmer.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WarmerBy {
    /// The room.
    pub room: RoomId,
    /// °C more, −20 to 20.
    pub by_c: f64,
    /// For so many days, 0 to 400; for good if none.
    #[serde(default)]
    pub days: Option<f64>,
}

/// Why there is no answer.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NoForecast {
    /// There is no such batch, wheel or room.
    #[error(transparent)]
    Unknown(#[from] UnknownName),
    /// Its recipe is missing, or it is made later.
    #[error("batch {0} is not made yet at that time, or goes by a recipe that is in no file")]
    NotMade(BatchId),
    /// A room cannot be like that.
    #[error(
        "a room can be up to 20 °C warmer or colder, for up to 400 days; piercing can be put off by up to 200 days"
    )]
    OutOfRange,
    /// There is no such picture without a batch.
    #[error("name the batch whose growth is to be drawn")]
    NameBatch,
    /// There is no such picture without a wheel.
    #[error("name the wheel whose drying is to be drawn")]
    NameWheel,
    /// There is no such picture without a room.
    #[error("name the room whose air is to be drawn")]
    NameRoom,
    /// There is no air to draw.
    #[error("room {0} was never measured")]
    NeverMeasured(RoomId),
}

/// What a question is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum About {
    /// A batch.
    Batch(BatchId),
    /// A wheel of a batch.
    Wheel(BatchId, WheelId),
}

impl About {
    /// The batch.
    #[must_use]
    pub const fn batch(self) -> BatchId {
        match self {
            Self::Batch(batch) | Self::Wheel(batch, _) => batch,
        }
    }
}

/// What is told of a batch or a wheel.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct One {
    /// The wheel that was asked about, if it is in the house.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wheel: Option<Outlook>,
    /// Its batch.
    #[serde(flatten)]
    pub batch: Told,
    /// What its wheels are expected to weigh.
    pub weights: Option<BatchWeights>,
    /// What would change, if something were asked.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub what_if: Option<WhatIf>,
}

/// What would change.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WhatIf {
    /// By how much, and why.
    #[serde(flatten)]
    pub change: Change,
    /// The forecast then.
    pub batch: Told,
}

/// A batch in short.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Short {
    /// The batch.
    pub batch: BatchId,
    /// Its make day.
    pub made: DairyDay,
    /// Wheels in the house.
    pub wheels: usize,
    /// Where most of them stand.
    pub room: Option<RoomId>,
    /// Where they go next, and about when.
    pub next_room: Option<(RoomId, DairyDay)>,
    /// When the middle wheel is ready, and between which days four times in five.
    pub ready: (DairyDay, DairyDay, DairyDay),
    /// How many things are odd.
    pub flags: usize,
}

/// An answer.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
pub enum Answer {
    /// Of one batch or wheel.
    One(Box<One>),
    /// Of every batch with wheels in the house.
    All(Vec<Short>),
    /// The same in full.
    Told(Vec<Told>),
    /// A picture.
    Drawn(Drawn),
}

/// Everything that forecasts are made from, as of an instant.
#[derive(Debug, Clone)]
pub struct Desk {
    /// What the facts say.
    pub history: History,
    /// What was learnt from them.
    pub habits: Habits,
    /// The instant.
    pub now: DateTime<Utc>,
}

impl Desk {
    /// Makes forecasts.
    #[must_use]
    pub fn forecaster(&self) -> Forecaster<'_> {
        Forecaster::new(&self.history, &self.habits, self.now)
    }

    /// The dairy day of the instant.
    #[must_use]
    pub fn today(&self) -> DairyDay {
        self.history.clock.day_of(self.now)
    }

    /// What a person means.
    ///
    /// # Errors
    /// [`NoForecast::Unknown`].
    pub fn about(&self, what: &str) -> Result<About, NoForecast> {
        if let Ok(batch) = what.parse::<BatchId>()
            && let Some(batch) = self.history.batches.get(&batch)
        {
            return Ok(About::Batch(batch.id));
        }
        let without_recipe = self.history.without_recipe.iter();
        let mut without_recipe = without_recipe.filter(|id| what.parse() == Ok(**id));
        if let Some(batch) = without_recipe.next() {
            return Err(NoForecast::NotMade(*batch));
        }
        let wheel = what.parse::<WheelId>().ok();
        let found = wheel.and_then(|wheel| {
            let (batch, place) = self.history.wheel(wheel)?;
            Some(About::Wheel(batch.id, batch.wheels.get(place)?.id))
        });
        found.ok_or_else(|| {
            let batches = self.history.batches.values();
            let codes = batches.flat_map(|batch| {
                let wheels = batch.wheels.iter().map(|wheel| wheel.id.to_string());
                std::iter::once(batch.id.to_string()).chain(wheels)
            });
            UnknownName::among(Kind::BatchOrWheel, what, codes).into()
        })
    }

    /// A room that recipes name or that was measured.
    ///
    /// # Errors
    /// [`NoForecast::Unknown`].
    pub(crate) fn room(&self, id: RoomId) -> Result<RoomId, NoForecast> {
        let known = self.history.air.keys().chain(self.history.ranges.keys());
        let known = Known::default().with(Kind::Room, known);
        known.find(Kind::Room, id)?;
        Ok(id)
    }

    /// The forecast of a batch.
    ///
    /// # Errors
    /// [`NoForecast::NotMade`].
    pub fn batch(&self, id: BatchId) -> Result<BatchForecast, NoForecast> {
        self.forecaster().batch(id).ok_or(NoForecast::NotMade(id))
    }

    /// What weighings teach about a batch's recipe.
    #[must_use]
    pub fn drying(&self, id: BatchId) -> Option<DryingHabit> {
        let recipe = &self.history.batches.get(&id)?.recipe;
        let habit = self.habits.get(&recipe.id)?;
        Some(DryingHabit::learn(&self.history, recipe, habit, self.now))
    }

    /// Answers a question.
    ///
    /// # Errors
    /// [`NoForecast`] says what to ask instead.
    pub fn answer(&self, query: &Query, threads: usize) -> Result<Answer, NoForecast> {
        if let Some(chart) = query.draw {
            let figure = self.figure(chart, query.what.as_deref(), query.room, threads)?;
            let svg = figure.svg();
            return Ok(Answer::Drawn(Drawn { svg }));
        }
        let scenario = self.scenario(query)?;
        match &query.what {
            Some(what) => {
                let one = self.one(self.about(what)?, &scenario)?;
                Ok(Answer::One(Box::new(one)))
            }
            None => {
                let all = self.forecaster().what_if(scenario).all(threads);
                let all = all.iter();
                Ok(match query.in_full {
                    true => {
                        let (clock, today) = (&self.history.clock, self.today());
                        Answer::Told(all.map(|of| Told::of(of, clock, today)).collect())
                    }
                    false => Answer::All(all.map(|of| self.short(of)).collect()),
                })
            }
        }
    }

    /// What a question assumes of the days ahead.
    ///
    /// # Errors
    /// [`NoForecast::OutOfRange`], or [`NoForecast::Unknown`] of a room.
    pub fn scenario(&self, query: &Query) -> Result<Scenario, NoForecast> {
        let now = crate::moment::days(self.now);
        let fine = |warmer: &WarmerBy| {
            (-20.0..=20.0).contains(&warmer.by_c)
                && warmer.days.is_none_or(|days| (0.0..=400.0).contains(&days))
        };
        if !query.warmer.iter().all(fine) || !(-200.0..=200.0).contains(&query.pierce_later_days) {
            return Err(NoForecast::OutOfRange);
        }
        for warmer in &query.warmer {
            self.room(warmer.room)?;
        }
        let warmer = query.warmer.iter().map(|warmer| Warmer {
            room: warmer.room,
            by_c: warmer.by_c,
            from_days: now,
            until_days: warmer.days.map_or(f64::INFINITY, |days| now + days),
        });
        Ok(Scenario {
            warmer: warmer.collect(),
            pierce_later_days: query.pierce_later_days,
        })
    }

    /// All that is told of one batch or wheel.
    ///
    /// # Errors
    /// [`NoForecast::NotMade`].
    pub fn one(&self, about: About, scenario: &Scenario) -> Result<One, NoForecast> {
        let id = about.batch();
        let clock = &self.history.clock;
        let forecast = self.batch(id)?;
        let changed = (!scenario.is_usual())
            .then(|| self.forecaster().change(id, scenario))
            .flatten();
        let drying = self.drying(id);
        Ok(One {
            wheel: match about {
                About::Batch(_) => None,
                About::Wheel(_, wheel) => forecast.wheel_outlook(wheel, clock),
            },
            batch: Told::of(&forecast, clock, self.today()),
            weights: drying.and_then(|drying| self.forecaster().weights(id, &drying)),
            what_if: changed.map(|(forecast, change)| WhatIf {
                change,
                batch: Told::of(&forecast, clock, self.today()),
            }),
        })
    }

    fn short(&self, forecast: &BatchForecast) -> Short {
        let ready = Dates::of(&forecast.ready, &self.history.clock);
        Short {
            batch: forecast.batch,
            made: forecast.made,
            wheels: forecast.wheels_in_house,
            room: forecast.room,
            next_room: forecast
                .next_move
                .as_ref()
                .map(|next| (next.to, next.dates.expected)),
            ready: (ready.expected, ready.p80.0, ready.p80.1),
            flags: forecast.flags.len(),
        }
    }

    /// What is to be told of a batch as a fact, for the rules to go by.
    #[must_use]
    pub fn told(&self, forecast: &BatchForecast) -> ForecastTold {
        let clock = &self.history.clock;
        let on = |dates: Dates| ExpectedOn {
            day: dates.expected.date(),
            from: dates.p80.0.date(),
            until: dates.p80.1.date(),
        };
        let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        let rind = forecast.rind.as_ref();
        let next = forecast.next_move.as_ref();
        ForecastTold {
            batch: forecast.batch,
            cover_pct: rind.and_then(|(cover, _)| Percent::new(*cover).ok()),
            covered: rind.map(|(_, when)| on(Dates::of(when, clock))),
            leaves: next.map(|next| next.from),
            moved_on: next.map(|next| on(next.dates)),
            ready: on(Dates::of(&forecast.ready, clock)),
            rind_looks: count(forecast.rests_on.0),
            cores: count(forecast.rests_on.1),
            learnt_from: count(forecast.learnt_from),
            worth_ironing: forecast
                .worth_ironing
                .iter()
                .map(|worth| worth.wheel)
                .collect(),
        }
    }
}
