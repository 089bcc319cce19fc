//! What had been seen of a batch by an instant, put on effective time; and what is odd.

use facts::{FactId, WheelId};
use quantity::DairyClock;
use serde::{Deserialize, Serialize};

use crate::history::{At, Batch, History};
use crate::lattice::Look;
use crate::moment::{days, instant};
use crate::seen::Seen;
use crate::way::Way;

/// What is odd about what was seen.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Oddity {
    /// Not a share at all.
    NoShare,
    /// A core from a wheel that nobody had pierced.
    IronedBeforePiercing,
    /// Mould on a wheel still in its hoop.
    RindInHoop,
    /// Much less blue than an earlier core of the same wheel.
    FallingBlue,
    /// Much less cover than an earlier look at the batch.
    FallingRind,
    /// Two cores of one wheel within a day that cannot both be right.
    CoresDisagree,
    /// Far from all the rest.
    FarOff,
    /// No core although the first is overdue.
    NoIrons,
    /// The room was not measured for long.
    NoReadings,
}

/// Something odd: it is kept, told, and counts for no more than it can.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Flag {
    /// What.
    pub oddity: Oddity,
    /// The wheel, if it is about one.
    pub wheel: Option<WheelId>,
    /// The fact, if it is about one.
    pub fact: Option<FactId>,
    /// In words, with what to do.
    pub words: String,
}

/// A wheel with cores.
#[derive(Debug, Clone)]
pub(crate) struct IronedWheel {
    /// Its place among the batch's wheels.
    pub(crate) place: usize,
    pub(crate) looks: Vec<Look>,
    /// The facts of the looks.
    pub(crate) facts: Vec<FactId>,
}

/// What had been seen of a batch by an instant.
#[derive(Debug, Clone)]
pub(crate) struct Observed {
    /// One a class, up to the instant.
    pub(crate) ways: Vec<Way>,
    pub(crate) rind: Vec<Look>,
    pub(crate) rind_facts: Vec<FactId>,
    pub(crate) irons: Vec<IronedWheel>,
    pub(crate) flags: Vec<Flag>,
}

/// Cores this soon after piercing say nothing: growth has not begun.
const LEAST_DAYS: f64 = 0.05;

/// A fall by more than this is more than an eye's error, percentage points.
const FALL_PCT: f64 = 15.0;

/// Cores of one wheel closer together than this are of the same blue, days: it does not grow
/// by more than an eye's error in that time.
const SAME_BLUE_DAYS: f64 = 1.0;

/// Share of a wheel's time without readings from which it is told, and the fewest days.
const GUESSED: f64 = 0.25;
const GUESSED_DAYS: f64 = 3.0;

impl Observed {
    pub(crate) fn of(history: &History, batch: &Batch, now: f64) -> Self {
        let born = batch
            .wheels
            .iter()
            .map(|wheel| wheel.portion.days)
            .fold(f64::INFINITY, f64::min);
        let ways = batch
            .classes
            .iter()
            .map(|class| Way::so_far(class, born, &batch.recipe, &history.rooms, now));
        let mut observed = Self {
            ways: ways.collect(),
            rind: Vec::new(),
            rind_facts: Vec::new(),
            irons: Vec::new(),
            flags: Vec::new(),
        };
        observed.look_at_the_rind(batch, &history.clock, now);
        for place in 0..batch.wheels.len() {
            observed.iron(batch, place, &history.clock, now);
        }
        observed.look_for_gaps(batch, &history.clock, now);
        observed
    }

    fn flag(&mut self, oddity: Oddity, wheel: Option<WheelId>, fact: FactId, words: String) {
        self.flags.push(Flag {
            oddity,
            wheel,
            fact: Some(fact),
            words,
        });
    }

    fn look_at_the_rind(&mut self, batch: &Batch, clock: &DairyClock, now: f64) {
        let mut most: Option<At> = None;
        for look in batch.rind.iter().filter(|look| look.at.days <= now) {
            let At { days, value, fact } = look.at;
            let day = clock.day_of(instant(days));
            let Ok(seen) = Seen::of(value) else {
                let words = format!("{value} % rind cover on {day} is no share: look again");
                self.flag(Oddity::NoShare, None, fact, words);
                continue;
            };
            let grown = self
                .ways
                .get(look.class)
                .map_or(0.0, |way| way.rind_days(days));
            if grown < LEAST_DAYS {
                if value > 0.0 {
                    let words = format!(
                        "{value} % rind cover on {day}, but still in the hoop by the scans: \
                         check the wheel, or scan the unhooping"
                    );
                    self.flag(Oddity::RindInHoop, None, fact, words);
                }
                continue;
            }
            if let Some(before) = most.filter(|before| before.value - value > FALL_PCT) {
                let words = format!(
                    "{value} % rind cover on {day} after {} % on {}: rubbed off, or another \
                     batch's? Look again",
                    before.value,
                    clock.day_of(instant(before.days))
                );
                self.flag(Oddity::FallingRind, None, fact, words);
            }
            if most.is_none_or(|most| most.value < value) {
                most = Some(look.at);
            }
            self.rind.push(Look {
                effective_days: grown,
                seen,
            });
            self.rind_facts.push(fact);
        }
    }

    fn iron(&mut self, batch: &Batch, place: usize, clock: &DairyClock, now: f64) {
        let Some(wheel) = batch.wheels.get(place) else {
            return;
        };
        let pierced = batch
            .classes
            .get(wheel.class)
            .and_then(|class| class.pierced);
        let mut ironed = IronedWheel {
            place,
            looks: Vec::new(),
            facts: Vec::new(),
        };
        let (mut most, mut last): (Option<At>, Option<At>) = (None, None);
        for core in wheel.irons.iter().filter(|core| core.days <= now) {
            let At { days, value, fact } = *core;
            let day = clock.day_of(instant(days));
            let id = Some(wheel.id);
            let Ok(seen) = Seen::of(value) else {
                let words = format!(
                    "{value} % blue in {} on {day} is no share: look again",
                    wheel.id
                );
                self.flag(Oddity::NoShare, id, fact, words);
                continue;
            };
            let way = self.ways.get(wheel.class);
            let grown = pierced
                .zip(way)
                .map_or(0.0, |(pierced, way)| way.blue_days(pierced, days));
            if grown < LEAST_DAYS {
                let words = format!(
                    "{} was ironed on {day} ({value} % blue) before it was pierced by the scans: \
                     not counted; scan the piercing if it was forgotten",
                    wheel.id
                );
                self.flag(Oddity::IronedBeforePiercing, id, fact, words);
                continue;
            }
            if let Some(before) = most.filter(|before| before.value - value > FALL_PCT) {
                let words = format!(
                    "{}: {value} % blue on {day} after {} % on {}: blue does not go back; was \
                     it this wheel? Iron it once more",
                    wheel.id,
                    before.value,
                    clock.day_of(instant(before.days))
                );
                self.flag(Oddity::FallingBlue, id, fact, words);
            }
            let risen = last
                .filter(|last| days - last.days < SAME_BLUE_DAYS && value - last.value > FALL_PCT);
            if let Some(before) = risen {
                let words = format!(
                    "{}: {value} % blue on {day} so soon after {} %: blue does not grow that \
                     fast; was it this wheel both times? Iron it once more",
                    wheel.id, before.value
                );
                self.flag(Oddity::CoresDisagree, id, fact, words);
            }
            last = Some(*core);
            if most.is_none_or(|most| most.value < value) {
                most = Some(*core);
            }
            ironed.looks.push(Look {
                effective_days: grown,
                seen,
            });
            ironed.facts.push(fact);
        }
        if !ironed.looks.is_empty() {
            self.irons.push(ironed);
        }
    }

    fn look_for_gaps(&mut self, batch: &Batch, clock: &DairyClock, now: f64) {
        let guessed = self.ways.iter().map(|way| way.guessed).fold(0.0, f64::max);
        let oldest = self
            .ways
            .iter()
            .map(|way| now - way.unhooped)
            .fold(0.0, f64::max);
        if guessed > GUESSED && guessed * oldest > GUESSED_DAYS {
            self.flags.push(Flag {
                oddity: Oddity::NoReadings,
                wheel: None,
                fact: None,
                words: format!(
                    "for {:.0} % of its time nobody measured its room: the room's usual air is \
                     assumed, and the dates are less sure",
                    guessed * 100.0
                ),
            });
        }
        let iron = batch.recipe.iron;
        let first_core = batch.made.plus(iron.from_age_days + iron.every_days);
        let in_house = batch.classes.iter().any(|class| {
            class.left.is_none_or(|left| left > now) && class.pierced.is_some_and(|p| p <= now)
        });
        if in_house && self.irons.is_empty() && days(clock.start_of(first_core)) < now {
            self.flags.push(Flag {
                oddity: Oddity::NoIrons,
                wheel: None,
                fact: None,
                words: format!(
                    "no core was drawn although the first was due at {} days: the date rests on \
                     the rind, the rooms and past batches alone",
                    iron.from_age_days
                ),
            });
        }
    }
}
