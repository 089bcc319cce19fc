//! One batch being forecast: what was seen of it, its way, its dates.

use crate::curves::{Curves, curve};
use crate::estimate::Estimate;
use crate::forecaster::Forecaster;
use crate::habit::Habit;
use crate::history::Batch;
use crate::moment::days;
use crate::observed::{Flag, Observed};
use crate::outlook::{BatchForecast, Dates, Move, WheelGroup, WorthIroning};
use crate::posterior::Point;
use crate::way::{Ahead, Way, look_delay, stay};
use crate::weights::{DryingHabit, Scales};
use crate::when::{When, around, thinned};
use crate::worth_ironing::expected_bits;

/// Points of a pace's distribution that are turned into dates.
const POINTS: usize = 60;

/// How much less sure a wheel's past is, as a share, when all of it was guessed at.
const GUESSED_UNSURE: f64 = 0.15;

/// Below this a core is expected to tell nothing worth a hole, bits.
const WORTH_BITS: f64 = 0.05;

/// When some wheels were or will be pierced.
#[derive(Debug, Clone, Copy)]
enum Pierced {
    At(f64),
    About(f64, f64),
}

/// Instants from one to another, so many days apart, both ends included.
pub(crate) fn steps(from: f64, until: f64, by: f64) -> impl Iterator<Item = f64> {
    let count = ((until - from) / by).clamp(0.0, 2000.0) as u32;
    (0..=count).map(move |n| from + f64::from(n) * by)
}

/// One batch being forecast.
pub(crate) struct Work<'w> {
    forecaster: &'w Forecaster<'w>,
    pub(crate) batch: &'w Batch,
    habit: &'w Habit,
    observed: Observed,
    pub(crate) estimate: Estimate,
    /// Wheels of each class in the house.
    in_house: Vec<Vec<usize>>,
    /// The class that stands for the batch.
    pub(crate) main: usize,
}

impl<'w> Work<'w> {
    pub(crate) fn new(
        forecaster: &'w Forecaster<'w>,
        batch: &'w Batch,
        habit: &'w Habit,
        mut observed: Observed,
        estimate: Estimate,
    ) -> Self {
        let now = forecaster.now;
        let takes = |share_pct: f64| {
            let (pace, _) = estimate.rind.pace();
            (habit.rind.ln_days_to(share_pct, 0.0) + pace).exp()
        };
        for way in &mut observed.ways {
            way.go_on(Ahead {
                recipe: &batch.recipe,
                rooms: &forecaster.history.rooms,
                scenario: &forecaster.scenario,
                now,
                rind_takes: &takes,
            });
        }
        let mut in_house = vec![Vec::new(); batch.classes.len()];
        let mut all = vec![0_usize; batch.classes.len()];
        for (place, wheel) in batch.wheels.iter().enumerate() {
            let class = batch.classes.get(wheel.class);
            let gone = class.is_none_or(|class| class.left.is_some_and(|left| left <= now));
            if let Some(count) = all.get_mut(wheel.class) {
                *count += 1;
            }
            if let Some(wheels) = in_house.get_mut(wheel.class).filter(|_| !gone) {
                wheels.push(place);
            }
        }
        let most = |class: &usize| (in_house[*class].len(), all[*class], usize::MAX - class);
        let main = (0..batch.classes.len()).max_by_key(most).unwrap_or(0);
        Self {
            forecaster,
            batch,
            habit,
            observed,
            estimate,
            in_house,
            main,
        }
    }

    fn now(&self) -> f64 {
        self.forecaster.now
    }

    pub(crate) fn way(&self, class: usize) -> Option<&Way> {
        self.observed.ways.get(class)
    }

    pub(crate) fn scales<'s>(&'s self, drying: &'s DryingHabit) -> Scales<'s> {
        Scales {
            history: self.forecaster.history,
            batch: self.batch,
            habit: self.habit,
            drying,
            observed: &self.observed,
            now: self.now(),
        }
    }

    pub(crate) fn curves(&self) -> Option<Curves> {
        let now = self.now();
        let way = self.way(self.main)?;
        let ready_pct = self.batch.recipe.iron.ready_at_coverage_pct.get();
        let ready = self.ready(self.main, &self.estimate.blue.batch_reaches(ready_pct));
        let ready_days = (
            ready.quantile(0.1),
            ready.quantile(0.5),
            ready.quantile(0.9),
        );
        let pierced = match self.pierced(self.main) {
            Pierced::At(at) => (at, true),
            Pierced::About(at, _) => (at, false),
        };
        let ahead = self.habit.ahead_unsure;
        let end = (ready.quantile(0.975) + 3.0).max(now + 1.0);
        let rind = curve(
            &self.estimate.rind,
            steps(
                way.unhooped,
                pierced.0.max(way.unhooped + 20.0).min(end),
                0.5,
            ),
            |at| way.rind_days(at).max(0.0),
            now,
            ahead,
        );
        let blue = curve(
            &self.estimate.blue,
            steps(pierced.0, end.max(pierced.0), 0.5),
            |at| way.blue_days(pierced.0, at).max(0.0),
            now,
            ahead,
        );
        let rind_seen = self.batch.rind.iter().filter(|look| look.at.days <= now);
        let cores = self.batch.wheels.iter().flat_map(|wheel| {
            let drawn = wheel.irons.iter().filter(|core| core.days <= now);
            drawn.map(|core| (wheel.id, core.days, core.value))
        });
        Some(Curves {
            rind,
            rind_seen: rind_seen
                .map(|look| (look.at.days, look.at.value))
                .collect(),
            blue,
            cores: cores.collect(),
            pierced,
            ready_pct,
            ready_days,
            now_days: now,
        })
    }

    pub(crate) fn forecast(self, flags: Vec<Flag>) -> BatchForecast {
        let now = self.now();
        let ready_pct = self.batch.recipe.iron.ready_at_coverage_pct.get();
        let ready = self.ready(self.main, &self.estimate.blue.batch_reaches(ready_pct));
        let main_way = self.way(self.main);
        let pierced_at = self.pierced_at(self.main);
        let growing = main_way.zip(pierced_at);
        let (rind_pace, _) = self.estimate.rind.pace();
        let (blue_pace, _) = self.estimate.blue.pace();
        BatchForecast {
            batch: self.batch.id,
            made: self.batch.made,
            wheels_in_house: self.in_house.iter().map(Vec::len).sum(),
            room: main_way.and_then(|way| here(way, now)),
            pierced: pierced_at.is_some(),
            rests_on: (
                self.observed.rind.len(),
                self.observed
                    .irons
                    .iter()
                    .map(|wheel| wheel.looks.len())
                    .sum(),
            ),
            rind_now_pct: main_way.map_or(0.0, |way| {
                let grown = way.rind_days(now);
                if grown > 0.0 {
                    self.estimate.rind.share_pct(grown)
                } else {
                    0.0
                }
            }),
            blue_now_pct: growing
                .map(|(way, pierced)| self.estimate.blue.share_pct(way.blue_days(pierced, now))),
            next_move: self.next_move(&ready),
            rind: self.rind_asked_for(),
            groups: self.groups(ready_pct),
            pace: (rind_pace.exp(), blue_pace.exp()),
            worth_ironing: self.worth_ironing(&ready),
            stays_ahead: main_way.map_or_else(Vec::new, |way| {
                let ahead = way.legs().iter().filter(|leg| leg.until > now);
                ahead
                    .filter_map(|leg| Some((leg.room?, leg.from.max(now), leg.until)))
                    .collect()
            }),
            ready,
            flags,
            learnt_from: self.habit.learnt_from,
        }
    }

    /// When a class was pierced, if it was by now.
    fn pierced_at(&self, class: usize) -> Option<f64> {
        let class = self.batch.classes.get(class)?;
        class.pierced.filter(|at| *at <= self.now())
    }

    fn pierced(&self, class: usize) -> Pierced {
        if let Some(at) = self.pierced_at(class) {
            return Pierced::At(at);
        }
        let clock = &self.forecaster.history.clock;
        let made = days(clock.start_of(self.batch.made));
        let covered = self.covered(class, self.batch.recipe.pierce.least_cover_pct.get());
        let planned = (made + self.habit.pierce_age_days)
            .max(covered.unwrap_or(self.now()))
            .max(self.now());
        let put_off = self.forecaster.scenario.pierce_later_days;
        Pierced::About(planned + put_off, self.habit.pierce_age_spread)
    }

    /// When a class's rind is likely to have a cover.
    fn covered(&self, class: usize, share_pct: f64) -> Option<f64> {
        let way = self.way(class)?;
        let (pace, _) = self.estimate.rind.pace();
        let takes = (self.habit.rind.ln_days_to(share_pct, 0.0) + pace).exp();
        Some(way.rind.when(way.rind.at(way.unhooped) + takes))
    }

    /// When a class reaches the blue coverage whose effective days are given.
    pub(crate) fn ready(&self, class: usize, takes: &[Point]) -> When {
        let now = self.now();
        let Some(way) = self.way(class) else {
            return never(now);
        };
        let pierced = self.pierced(class);
        let piercings: Vec<(f64, f64)> = match pierced {
            Pierced::At(at) => vec![(at, 1.0)],
            Pierced::About(at, spread) => around(at, spread)
                .map(|(at, weight)| (at.max(now), weight))
                .collect(),
        };
        let mut points = Vec::new();
        for ln_takes in self.thin(way, takes) {
            for (pierced, weight) in &piercings {
                let at = way.blue.when(way.blue.at(*pierced) + ln_takes.exp());
                self.spread_ahead(&mut points, at, pierced.max(now), *weight);
            }
        }
        let when = When::of(points).unwrap_or_else(|| never(now));
        when.stretched(self.habit.stretch)
    }

    /// Points of equal weight, less sure where the past was guessed at.
    fn thin(&self, way: &Way, takes: &[Point]) -> Vec<f64> {
        let unsure = GUESSED_UNSURE * way.guessed;
        if unsure < 0.005 {
            return thinned(takes.to_vec(), POINTS);
        }
        let spread = takes.iter().flat_map(|(takes, weight)| {
            around(*takes, unsure).map(move |(at, part)| (at, part * weight))
        });
        thinned(spread.collect(), POINTS)
    }

    /// Adds a day ahead with how unsure the pace until then is; a day that has passed is sure.
    fn spread_ahead(&self, points: &mut Vec<(f64, f64)>, at: f64, from: f64, weight: f64) {
        if at <= from {
            points.push((at, weight));
            return;
        }
        let ahead = around(0.0, self.habit.ahead_unsure);
        points.extend(ahead.map(|(off, part)| (from + (at - from) * off.exp(), weight * part)));
    }

    /// When the rind of the main class has a cover.
    fn rind_when(&self, share_pct: f64) -> Option<When> {
        let way = self.way(self.main)?;
        let unhooped = way.rind.at(way.unhooped);
        let mut points = Vec::new();
        for ln_takes in self.thin(way, &self.estimate.rind.batch_reaches(share_pct)) {
            let at = way.rind.when(unhooped + ln_takes.exp());
            self.spread_ahead(&mut points, at, self.now().max(way.unhooped), 1.0);
        }
        When::of(points)
    }

    /// The cover that is asked for next: to leave the room, else to be pierced.
    fn rind_asked_for(&self) -> Option<(f64, When)> {
        let recipe = &self.batch.recipe;
        let room = self.way(self.main).and_then(|way| here(way, self.now()));
        let stage = room.and_then(|room| recipe.stage_of(room));
        let next = recipe
            .stages
            .iter()
            .skip(stage.map_or(0, |(index, _)| index));
        let to_leave = next.filter_map(|stage| stage.leave_at_cover_pct).next();
        let to_pierce = self
            .pierced_at(self.main)
            .is_none()
            .then_some(recipe.pierce.least_cover_pct);
        let cover = to_leave.or(to_pierce)?.get();
        self.rind_when(cover).map(|when| (cover, when))
    }

    fn next_move(&self, ready: &When) -> Option<Move> {
        let recipe = &self.batch.recipe;
        let way = self.way(self.main)?;
        let now = self.now();
        let leg = way
            .legs()
            .iter()
            .rev()
            .find(|leg| leg.from <= now && leg.room.is_some())?;
        let (index, stage) = recipe.stage_of(leg.room?)?;
        let next = recipe.stages.get(index + 1)?;
        let (least, most) = stay(stage, arrived(way, now)?);
        let within = |at: f64| at.clamp(least, most).max(now);
        let (points, words): (Vec<(f64, f64)>, String) = match stage.leave_at_cover_pct {
            Some(cover) => {
                // A look finds it within the time between two looks.
                let found = [1.0 / 3.0, 1.0, 5.0 / 3.0].map(|part| look_delay(recipe) * part);
                let reached = self.rind_when(cover.get())?;
                let steps = (0..100).map(|n| reached.quantile((f64::from(n) + 0.5) / 100.0));
                let points = steps.flat_map(|at| found.map(|delay| (within(at + delay), 1.0)));
                let words = format!(
                    "leaves {} at {cover} rind cover, after {} to {} days there",
                    stage.room, stage.stay_days.least, stage.stay_days.most
                );
                (points.collect(), words)
            }
            None => {
                let steps = (0..100).map(|n| ready.quantile((f64::from(n) + 0.5) / 100.0));
                let words = format!(
                    "leaves {} once its blue is ready, after {} to {} days there",
                    stage.room, stage.stay_days.least, stage.stay_days.most
                );
                (steps.map(|at| (within(at), 1.0)).collect(), words)
            }
        };
        Some(Move {
            from: stage.room,
            to: next.room,
            dates: Dates::of(&When::of(points)?, &self.forecaster.history.clock),
            words,
        })
    }

    /// The wheels in the house: those without cores by class, ironed ones by themselves.
    fn groups(&self, ready_pct: f64) -> Vec<WheelGroup> {
        let now = self.now();
        let any = self.estimate.blue.any_wheel_reaches(ready_pct);
        let mut groups = Vec::new();
        for (class, places) in self.in_house.iter().enumerate() {
            let room = self.way(class).and_then(|way| here(way, now));
            let id = |place: &usize| self.batch.wheels.get(*place).map(|wheel| wheel.id);
            let (ironed, others): (Vec<usize>, Vec<usize>) = places
                .iter()
                .partition(|place| self.observed.irons.iter().any(|w| w.place == **place));
            if !others.is_empty() {
                groups.push(WheelGroup {
                    wheels: others.iter().filter_map(id).collect(),
                    room,
                    ready: self.ready(class, &any),
                });
            }
            for place in ironed {
                let mut irons = self.observed.irons.iter();
                let Some(number) = irons.position(|wheel| wheel.place == place) else {
                    continue;
                };
                let reaches = self.estimate.blue.wheel_reaches(number, ready_pct);
                groups.push(WheelGroup {
                    wheels: id(&place).into_iter().collect(),
                    room,
                    ready: self.ready(class, &reaches),
                });
            }
        }
        groups
    }

    /// The wheels whose cores are expected to tell most for each wheel that is opened, that
    /// first: at most as many as the recipe irons. None when the batch is not pierced, or is as good as surely ready, or
    /// when no core would tell anything.
    fn worth_ironing(&self, ready: &When) -> Vec<WorthIroning> {
        if ready.by(self.now()) > 0.99 {
            return Vec::new();
        }
        let blue = &self.estimate.blue;
        let ironed = &self.observed.irons;
        let enough = self.batch.recipe.iron.wheels_per_batch;
        let enough = enough.of(self.batch.wheels.len());
        // The place of a wheel, bits, and whether it was ironed before.
        let mut offers: Vec<(usize, f64, bool)> = Vec::new();
        for (class, places) in self.in_house.iter().enumerate() {
            let Some(grown) = self.grown(class).filter(|grown| *grown > 0.0) else {
                continue;
            };
            let number = |place: &usize| ironed.iter().position(|w| w.place == *place);
            let open = places.iter().filter_map(|p| Some((*p, number(p)?)));
            offers
                .extend(open.map(|(place, n)| (place, expected_bits(blue, Some(n), grown), true)));
            // Wheels of a class that nobody opened are alike.
            let bits = expected_bits(blue, None, grown);
            let closed = places.iter().filter(|place| number(place).is_none());
            offers.extend(closed.take(enough).map(|place| (*place, bits, false)));
        }
        // Another core of an open wheel costs no wheel: as long as it tells anything it tells
        // most for what it costs.
        offers.sort_by(|a, b| b.2.cmp(&a.2).then(b.1.total_cmp(&a.1)));
        let worth = offers.into_iter().filter(|offer| offer.1 >= WORTH_BITS);
        let worth = worth.filter_map(|(place, bits, opened_before)| {
            let wheel = self.batch.wheels.get(place)?.id;
            let open = if opened_before {
                ", and it is open already"
            } else {
                ""
            };
            Some(WorthIroning {
                wheel,
                opened_before,
                bits,
                words: format!(
                    "iron {wheel}: a core of it is expected to tell about {bits:.1} bits of its \
                     batch's pace{open}"
                ),
            })
        });
        worth.take(enough).collect()
    }

    /// Effective days of blue in a class by now.
    fn grown(&self, class: usize) -> Option<f64> {
        let pierced = self.pierced_at(class)?;
        Some(self.way(class)?.blue_days(pierced, self.now()))
    }
}

/// A far day, when nothing can be reckoned.
fn never(now: f64) -> When {
    When::at(now + 400.0)
}

/// The room at an instant.
fn here(way: &Way, now: f64) -> Option<facts::RoomId> {
    let leg = way.legs().iter().rev().find(|leg| leg.from <= now)?;
    leg.room
}

/// When the wheels came to the room they are in at an instant.
fn arrived(way: &Way, now: f64) -> Option<f64> {
    let room = here(way, now)?;
    let legs = way.legs().iter().rev().filter(|leg| leg.from <= now);
    legs.take_while(|leg| leg.room == Some(room))
        .last()
        .map(|leg| leg.from)
}
