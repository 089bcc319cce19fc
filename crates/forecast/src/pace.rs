//! How fast things went in each room, hour by hour, and how fast they usually go there.

use std::collections::BTreeMap;

use climate::{Ranges, RoomAir, air};
use facts::RoomId;
use quantity::{Celsius, Percent};

use crate::mould::BLUE_MOULD;

/// Water activity of a ripening rind, against which air dries it: 0.94 fresh to 0.97 once
/// salt has moved in (surface of a soft mould-ripened cheese, *J. Dairy Sci.* 2013,
/// abstract).
const RIND_WATER: f64 = 0.97;

/// Air where nothing is known at all: between the usual maturing rooms.
const SOMEWHERE: (f64, f64) = (10.0, 93.0);

/// Hours over which a room's usual air is averaged.
const USUAL_HOURS: f64 = 336.0;

/// A fortnight, in days.
const FORTNIGHT: f64 = 14.0;

/// What goes on in a wheel.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Process {
    /// Mould on the rind.
    Rind,
    /// Blue inside.
    Blue,
    /// Water leaving.
    Drying,
}

/// A room's air as it is expected to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Air {
    /// °C.
    pub temperature_c: f64,
    /// %.
    pub humidity_pct: f64,
}

impl Air {
    /// The middle of a room's ranges.
    #[must_use]
    pub fn middle(ranges: &Ranges) -> Self {
        let middle = |(least, most): (f64, f64)| (least + most) / 2.0;
        Self {
            temperature_c: middle(ranges.temperature_c),
            humidity_pct: middle(ranges.humidity_pct),
        }
    }

    /// How much of a process a day of this air makes: effective days for mould, hPa·days of
    /// drying potential (aw·e_s − e) for water. Zero for air that cannot be.
    #[must_use]
    pub fn speed(&self, process: Process) -> f64 {
        let (Ok(temperature), Ok(humidity)) = (
            Celsius::new(self.temperature_c),
            Percent::new(self.humidity_pct),
        ) else {
            return 0.0;
        };
        match process {
            Process::Rind => BLUE_MOULD.on_the_rind(temperature, humidity),
            Process::Blue => BLUE_MOULD.inside(temperature),
            Process::Drying => {
                let pull = RIND_WATER - humidity.get() / 100.0;
                pull.max(0.0) * air::saturation_hpa(temperature)
            }
        }
    }
}

/// How fast things went in one room.
#[derive(Debug, Clone, Default)]
struct RoomPace {
    first_hour: i64,
    /// Sums at the start of each hour and at the end of the last: rind, blue, drying.
    sums: Vec<[f64; 3]>,
    /// Hours that were not measured, up to the same instants.
    guessed: Vec<u32>,
    /// The usual air at the same instants.
    usual: Vec<(f32, f32)>,
}

/// How fast things went in every room.
#[derive(Debug, Clone, Default)]
pub struct Rooms {
    measured: BTreeMap<RoomId, RoomPace>,
    middles: BTreeMap<RoomId, Air>,
}

impl Rooms {
    /// From each room's air. Hours without a reading count as the room's usual air of the
    /// days before, or as the middle of its range.
    #[must_use]
    pub fn of(rooms: &BTreeMap<RoomId, RoomAir>, ranges: &BTreeMap<RoomId, Ranges>) -> Self {
        let middles: BTreeMap<RoomId, Air> = ranges
            .iter()
            .map(|(room, ranges)| (*room, Air::middle(ranges)))
            .collect();
        let measured = rooms
            .iter()
            .filter(|(_, air)| !air.hours().is_empty())
            .map(|(room, air)| (*room, RoomPace::of(air, middles.get(room).copied())));
        Self {
            measured: measured.collect(),
            middles,
        }
    }

    /// The air that a room usually has, going by the days before an instant.
    #[must_use]
    pub fn usual(&self, room: RoomId, at_days: f64) -> Air {
        let middle = || self.middles.get(&room).copied().unwrap_or_else(somewhere);
        let Some(pace) = self.measured.get(&room) else {
            return middle();
        };
        let hour = (at_days * 24.0).floor() as i64 - pace.first_hour;
        match usize::try_from(hour) {
            Ok(hour) => {
                let last = pace.usual.len().saturating_sub(1);
                pace.usual
                    .get(hour.min(last))
                    .map_or_else(middle, |(t, h)| Air {
                        temperature_c: f64::from(*t),
                        humidity_pct: f64::from(*h),
                    })
            }
            Err(_) => middle(),
        }
    }

    /// How far the pace of a process over the fortnight ahead was from the usual pace at its
    /// start, in some rooms up to an instant: the root mean square of the logarithm. `None`
    /// with less than a month measured.
    #[must_use]
    pub fn surprise(&self, rooms: &[RoomId], process: Process, until: f64) -> Option<f64> {
        let (mut squares, mut count) = (0.0, 0_u32);
        for room in rooms {
            let Some(pace) = self.measured.get(room) else {
                continue;
            };
            let first = pace.first_hour as f64 / 24.0 + FORTNIGHT;
            let last = (first + (pace.sums.len() as f64) / 24.0 - FORTNIGHT).min(until);
            let days = ((last - FORTNIGHT - first).max(0.0)) as u32;
            for day in 0..days {
                let from = first + f64::from(day);
                let (went, guessed) = self.gone_on(*room, process, from, from + FORTNIGHT);
                let usual = self.usual(*room, from).speed(process) * FORTNIGHT;
                if guessed < 0.2 && went > 0.0 && usual > 0.0 {
                    squares += (went / usual).ln().powi(2);
                    count += 1;
                }
            }
        }
        (count >= 15).then(|| (squares / f64::from(count)).sqrt())
    }

    /// How much of a process went on in a room between two instants, and what share of the
    /// time was not measured, 0 to 1.
    #[must_use]
    pub fn gone_on(&self, room: RoomId, process: Process, from: f64, until: f64) -> (f64, f64) {
        if until <= from {
            return (0.0, 0.0);
        }
        let Some(pace) = self.measured.get(&room) else {
            let speed = self.usual(room, from).speed(process);
            return (speed * (until - from), 1.0);
        };
        let outside = |at: f64| self.usual(room, at).speed(process);
        let (sum_from, guessed_from) = pace.sum(process, from, outside);
        let (sum_until, guessed_until) = pace.sum(process, until, outside);
        let guessed = (guessed_until - guessed_from) / (until - from);
        ((sum_until - sum_from).max(0.0), guessed.clamp(0.0, 1.0))
    }
}

fn somewhere() -> Air {
    Air {
        temperature_c: SOMEWHERE.0,
        humidity_pct: SOMEWHERE.1,
    }
}

impl RoomPace {
    fn of(room: &RoomAir, middle: Option<Air>) -> Self {
        let first_measured = room.hours().iter().flatten().next().map(|hour| Air {
            temperature_c: hour.temperature.get(),
            humidity_pct: hour.humidity.map_or(SOMEWHERE.1, Percent::get),
        });
        let mut usual = middle.or(first_measured).unwrap_or_else(somewhere);
        let mut pace = Self {
            first_hour: room.begins().timestamp().div_euclid(3600),
            ..Self::default()
        };
        let (mut sums, mut guessed, mut measured) = ([0.0; 3], 0, 0_u32);
        let mark = |pace: &mut Self, sums: [f64; 3], guessed: u32, usual: Air| {
            pace.sums.push(sums);
            pace.guessed.push(guessed);
            pace.usual
                .push((usual.temperature_c as f32, usual.humidity_pct as f32));
        };
        mark(&mut pace, sums, guessed, usual);
        for hour in room.hours() {
            let air = hour.map_or(usual, |hour| Air {
                temperature_c: hour.temperature.get(),
                humidity_pct: hour.humidity.map_or(usual.humidity_pct, Percent::get),
            });
            if hour.is_some() {
                // The first days of readings outweigh the recipe's middle soon.
                measured += 1;
                let part = 1.0 / USUAL_HOURS.min(f64::from(measured) + 12.0);
                usual.temperature_c += (air.temperature_c - usual.temperature_c) * part;
                usual.humidity_pct += (air.humidity_pct - usual.humidity_pct) * part;
            } else {
                guessed += 1;
            }
            let processes = [Process::Rind, Process::Blue, Process::Drying];
            for (sum, process) in sums.iter_mut().zip(processes) {
                *sum += air.speed(process) / 24.0;
            }
            mark(&mut pace, sums, guessed, usual);
        }
        pace
    }

    /// The sum up to an instant, and the days guessed at up to then. Before the first hour
    /// it is negative, as if things had gone on at the `outside` speed; after the last hour
    /// it goes on at that.
    fn sum(&self, process: Process, at: f64, outside: impl Fn(f64) -> f64) -> (f64, f64) {
        let of = |sums: &[f64; 3]| sums[process as usize];
        let hours = at * 24.0 - self.first_hour as f64;
        let last = self.sums.len() - 1;
        if hours <= 0.0 {
            return (outside(at) * hours / 24.0, hours / 24.0);
        }
        let (Some(end), Some(end_guessed)) = (self.sums.last(), self.guessed.last()) else {
            return (0.0, 0.0);
        };
        if hours >= last as f64 {
            let more = (hours - last as f64) / 24.0;
            return (
                of(end) + outside(at) * more,
                f64::from(*end_guessed) / 24.0 + more,
            );
        }
        let index = hours.floor() as usize;
        let part = hours - hours.floor();
        let between = |a: f64, b: f64| a + (b - a) * part;
        let (a, b) = (&self.sums[index], &self.sums[index + 1]);
        let (c, d) = (self.guessed[index], self.guessed[index + 1]);
        (
            between(of(a), of(b)),
            between(f64::from(c), f64::from(d)) / 24.0,
        )
    }
}
