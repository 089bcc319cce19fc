//! How sure it is that a batch's wheels are ready by a day.

use facts::{BatchId, ExpectedOn};
use quantity::DairyDay;
use recipe::Recipe;
use ripening::Floor;
use serde::{Deserialize, Serialize};

/// Of batches that were not ready before, the share that is found ready at the first core,
/// the second, and so on. No source: it stands in until a forecast is given.
const FOUND_READY_AT_CORE: [f64; 4] = [0.7, 0.9, 0.97, 0.99];

/// By which day a batch's wheels are ready, as a distribution.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Readiness {
    /// Days in order, each with the probability of being ready by then; it never falls.
    by: Vec<(DairyDay, f64)>,
}

/// Something that forecasts readiness better than a recipe's calendar does.
pub trait Forecast {
    /// By when a batch is ready; `None` when nothing is known of it.
    fn readiness(&self, batch: BatchId) -> Option<Readiness>;
}

/// No forecast: the recipe's calendar must do.
#[derive(Debug, Clone, Copy, Default)]
pub struct NoForecast;

impl Forecast for NoForecast {
    fn readiness(&self, _: BatchId) -> Option<Readiness> {
        None
    }
}

/// What was told last of each batch on a floor, in its `batch.forecast` facts.
#[derive(Clone, Copy)]
pub struct FloorForecast<'f>(pub &'f Floor);

impl Forecast for FloorForecast<'_> {
    fn readiness(&self, batch: BatchId) -> Option<Readiness> {
        let progress = &self.0.batch(batch)?.progress;
        // Once cores have shown blue right through, there is nothing to forecast.
        let (_, told) = progress
            .expected
            .as_ref()
            .filter(|_| progress.ready.is_none())?;
        Some(Readiness::expected(told.ready))
    }
}

impl<F: Fn(BatchId) -> Option<Readiness>> Forecast for F {
    fn readiness(&self, batch: BatchId) -> Option<Readiness> {
        self(batch)
    }
}

impl Readiness {
    /// Ready already.
    #[must_use]
    pub const fn now() -> Self {
        Self { by: Vec::new() }
    }

    /// Days, each with the probability of being ready by then. They are put in order;
    /// probabilities are kept within 0 to 1 and never fall.
    #[must_use]
    pub fn by(days: impl IntoIterator<Item = (DairyDay, f64)>) -> Self {
        let mut by: Vec<(DairyDay, f64)> = days
            .into_iter()
            .map(|(day, p)| (day, if p.is_nan() { 0.0 } else { p.clamp(0.0, 1.0) }))
            .collect();
        by.sort_by_key(|(day, _)| *day);
        let mut most = 0.0_f64;
        for (_, p) in &mut by {
            most = most.max(*p);
            *p = most;
        }
        if by.is_empty() {
            // Nobody knows of a day: it never becomes ready.
            by.push((DairyDay::starting(chrono::NaiveDate::MAX), 0.0));
        }
        Self { by }
    }

    /// By a forecast: one in ten before its first day, half by its middle, nine in ten by its
    /// last; straight between them, and as far again on either side.
    #[must_use]
    pub fn expected(on: ExpectedOn) -> Self {
        let [from, day, until] = [on.from, on.day, on.until].map(DairyDay::starting);
        let knots = [
            (from.plus(-day.days_since(from).max(1)), 0.0),
            (from, 0.1),
            (day, 0.5),
            (until, 0.9),
            (until.plus(until.days_since(day).max(1)), 1.0),
        ];
        let mut by = Vec::new();
        for pair in knots.windows(2) {
            let [(a, low), (b, high)] = *pair else {
                continue;
            };
            let days = b.days_since(a);
            by.extend((1..=days).map(|n| {
                let share = n as f64 / days as f64;
                (a.plus(n), low + (high - low) * share)
            }));
        }
        Self::by(by)
    }

    /// By the recipe's calendar: at its first core, or, once cores were drawn and found too
    /// little blue, at the next.
    #[must_use]
    pub fn by_calendar(
        recipe: &Recipe,
        made: DairyDay,
        last_core: Option<DairyDay>,
        today: DairyDay,
    ) -> Self {
        let first = made.plus(recipe.iron.from_age_days);
        let next = last_core
            .map_or(first, |day| day.plus(recipe.iron.every_days))
            .max(today);
        let cores = (0..).zip(FOUND_READY_AT_CORE);
        Self::by(cores.map(|(n, share)| (next.plus(n * recipe.iron.every_days), share)))
    }

    /// The same for a batch on a floor: certain once its cores have shown blue right
    /// through.
    #[must_use]
    pub fn of_floor(floor: &Floor, batch: BatchId, made: DairyDay, recipe: &Recipe) -> Self {
        let clock = &floor.practice().clock;
        let Some(stands) = floor.batch(batch) else {
            return Self::by_calendar(recipe, made, None, clock.day_of(floor.now()));
        };
        if let Some(ready) = stands.progress.ready {
            return Self::by([(clock.day_of(ready.at), 1.0)]);
        }
        let cores = stands
            .progress
            .to_iron
            .iter()
            .filter_map(|wheel| floor.wheel(*wheel)?.state().ironed);
        let last = cores.map(|core| clock.day_of(core.moment.at)).max();
        Self::by_calendar(recipe, made, last, clock.day_of(floor.now()))
    }

    /// The probability of being ready by a day.
    #[must_use]
    pub fn p_ready_by(&self, day: DairyDay) -> f64 {
        if self.by.is_empty() {
            return 1.0;
        }
        let passed = self.by.partition_point(|(by, _)| *by <= day);
        passed.checked_sub(1).map_or(0.0, |last| self.by[last].1)
    }

    /// The first day by which it is ready with at least this probability.
    #[must_use]
    pub fn likely_by(&self, probability: f64) -> Option<DairyDay> {
        self.by
            .iter()
            .find(|(_, p)| *p >= probability)
            .map(|(day, _)| *day)
    }

    /// Whether it is ready for certain, whatever the day.
    #[must_use]
    pub const fn is_now(&self) -> bool {
        self.by.is_empty()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> DairyDay {
        DairyDay::starting(text.parse().unwrap())
    }

    #[test]
    fn readiness_never_falls() {
        let readiness = Readiness::by([
            (day("2026-03-12"), 0.6),
            (day("2026-03-05"), 0.7),
            (day("2026-03-19"), f64::NAN),
            (day("2026-03-26"), 1.4),
        ]);
        assert_eq!(readiness.p_ready_by(day("2026-03-04")), 0.0);
        assert_eq!(readiness.p_ready_by(day("2026-03-05")), 0.7);
        assert_eq!(readiness.p_ready_by(day("2026-03-20")), 0.7);
        assert_eq!(readiness.p_ready_by(day("2027-01-01")), 1.0);
        assert_eq!(readiness.likely_by(0.8), Some(day("2026-03-26")));
        assert_eq!(Readiness::now().p_ready_by(day("1999-01-01")), 1.0);
    }

    #[test]
    fn a_forecast_is_as_sure_as_it_says() {
        let on = |day: &str| day.parse().unwrap();
        let readiness = Readiness::expected(ExpectedOn {
            day: on("2026-03-24"),
            from: on("2026-03-20"),
            until: on("2026-03-27"),
        });
        for (by, p) in [
            ("2026-03-16", 0.0),
            ("2026-03-20", 0.1),
            ("2026-03-22", 0.3),
            ("2026-03-24", 0.5),
            ("2026-03-27", 0.9),
            ("2026-03-30", 1.0),
        ] {
            assert!((readiness.p_ready_by(day(by)) - p).abs() < 1e-9, "{by}");
        }
        // A forecast of one day is that day, give or take one.
        let one = ExpectedOn {
            day: on("2026-03-24"),
            from: on("2026-03-24"),
            until: on("2026-03-24"),
        };
        assert_eq!(Readiness::expected(one).p_ready_by(day("2026-03-22")), 0.0);
        assert_eq!(Readiness::expected(one).p_ready_by(day("2026-03-25")), 1.0);
    }

    #[test]
    fn a_batch_of_which_nothing_is_known_is_not_promised() {
        assert_eq!(Readiness::by([]).p_ready_by(day("2126-01-01")), 0.0);
        assert_eq!(Readiness::by([]).likely_by(0.5), None);
    }
}
