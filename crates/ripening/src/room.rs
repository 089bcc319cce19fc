//! A room's recent air: how it is, what is out of its range, which sensors to doubt, and
//! gases to warn of.

use std::collections::BTreeMap;

use chrono::{DateTime, TimeDelta, Utc};
use climate::gas::{self, Caution, Gas, Urgency};
use climate::{Doubt, Limits, Source, inspect};
use facts::{Event, Fact, SensorId, StationId, stored_struct};
use holds::{Guard, Target};
use quantity::{Celsius, DairyClock, Percent, Ppm, calendar};
use recipe::Stage;

use crate::{Moment, Voids};

/// How much of the past is kept here; the log keeps all of it.
const KEPT: TimeDelta = TimeDelta::hours(48);

/// An excursion shorter than this is a door held open.
const WORTH_TELLING: TimeDelta = TimeDelta::minutes(30);

/// A doubt that ended longer ago than this before the latest reading is over.
const RECENT: TimeDelta = TimeDelta::hours(2);

/// One jump of a sensor is no news; so many within [`KEPT`] are a loose cable.
const JUMPS: usize = 3;

/// One reading of a room's air.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// The sensor, where the fact names one.
    pub sensor: Option<SensorId>,
    /// The station that stated it.
    pub station: StationId,
    /// Air temperature; none when only gases were measured.
    pub temperature: Option<Celsius>,
    /// Relative humidity.
    pub humidity: Option<Percent>,
    /// Carbon dioxide.
    pub co2: Option<Ppm>,
    /// Ammonia.
    pub nh3: Option<Ppm>,
}

impl Reading {
    fn of(fact: &Fact) -> Option<Self> {
        let (sensor, temperature, humidity, co2, nh3) = match &fact.event {
            Event::RoomClimateRead(e) => (
                e.sensor,
                Some(e.temperature_c),
                e.humidity_pct,
                e.co2_ppm,
                e.nh3_ppm,
            ),
            Event::RoomGasRead(e) => (e.sensor, None, None, e.co2_ppm, e.nh3_ppm),
            _ => return None,
        };
        Some(Self {
            sensor,
            station: fact.station,
            temperature,
            humidity,
            co2,
            nh3,
        })
    }

    fn source(&self) -> Source {
        self.sensor
            .map_or(Source::Station(self.station), Source::Sensor)
    }

    fn ppm(&self, gas: Gas) -> Option<f64> {
        match gas {
            Gas::CarbonDioxide => self.co2,
            Gas::Ammonia => self.nh3,
        }
        .map(Ppm::get)
    }
}

/// A room's recent readings.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Room {
    readings: BTreeMap<Moment, Reading>,
}

/// Air of a room that can be believed: when, °C, %.
type Air = (DateTime<Utc>, Celsius, Option<Percent>);

/// What a look at a room's recent air says.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct RoomLook {
    /// How it is out of its range, if it has been for long enough to tell someone.
    pub excursion: Option<Excursion>,
    /// Sensors to doubt, in sentences.
    pub doubts: Vec<String>,
    /// Since when the first of them is to be doubted.
    pub doubted_since: Option<DateTime<Utc>>,
    /// The most urgent caution about a gas, and when it was measured.
    pub caution: Option<(DateTime<Utc>, Caution)>,
    /// When silence of a sensor will be news, if it goes on.
    pub silent_from: Option<DateTime<Utc>>,
}

/// A room out of its range.
#[derive(Debug, Clone, PartialEq)]
pub struct Excursion {
    /// Since when.
    pub since: DateTime<Utc>,
    /// The latest reading.
    pub until: DateTime<Utc>,
    /// What is out, in words.
    pub words: String,
}

impl Room {
    /// Takes a reading; one that is older than what is kept leaves no trace.
    pub fn read(&mut self, fact: &Fact) {
        let Some(reading) = Reading::of(fact) else {
            return;
        };
        self.readings.insert(Moment::of(fact), reading);
        // What is kept depends on the readings alone, not on the order they came in.
        if let Some(latest) = self.readings.keys().next_back().map(|m| m.at) {
            while let Some(oldest) = self.readings.first_entry()
                && latest - oldest.key().at > KEPT
            {
                oldest.remove();
            }
        }
    }

    /// The latest air: when, °C, %.
    #[must_use]
    pub fn latest(&self, voids: &Voids) -> Option<(Moment, Celsius, Option<Percent>)> {
        let mut valid = self.valid(voids).rev();
        valid.find_map(|(moment, reading)| Some((*moment, reading.temperature?, reading.humidity)))
    }

    fn valid<'r>(
        &'r self,
        voids: &'r Voids,
    ) -> impl DoubleEndedIterator<Item = (&'r Moment, &'r Reading)> {
        self.readings
            .iter()
            .filter(|(m, _)| !voids.takes_back(Target::kept(m.fact, Guard::Correction)))
    }

    /// Looks at what is kept. What cannot be right is left out of what is said of the
    /// room's air, and said of its sensor.
    #[must_use]
    pub fn look(
        &self,
        stage: Option<&Stage>,
        voids: &Voids,
        clock: &DairyClock,
        now: DateTime<Utc>,
    ) -> RoomLook {
        let mut sources: BTreeMap<Source, Vec<climate::Reading>> = BTreeMap::new();
        let mut last: BTreeMap<Source, DateTime<Utc>> = BTreeMap::new();
        for (moment, reading) in self.valid(voids) {
            last.insert(reading.source(), moment.at);
            if let Some(temperature) = reading.temperature {
                let of_source = sources.entry(reading.source()).or_default();
                of_source.push(climate::Reading {
                    at: moment.at,
                    temperature,
                    humidity: reading.humidity,
                    co2: reading.co2,
                    nh3: reading.nh3,
                });
            }
        }
        let Some(latest) = last.values().max().copied() else {
            return RoomLook::default();
        };
        let limits = Limits::default();
        // Only silence depends on the present; all else on the readings alone.
        let inspected = inspect(&sources, &BTreeMap::new(), &limits, latest);
        let mut doubts = Vec::new();
        let mut since = Vec::new();
        for (source, at) in &last {
            if now - *at > limits.gap {
                since.push(*at + limits.gap);
                doubts.push(format!(
                    "{source} has said nothing since {}: look for a lost connection or an \
                     empty battery",
                    clock.floor_time(*at)
                ));
            }
        }
        for doubt in [Doubt::Impossible, Doubt::Stuck, Doubt::Disagrees] {
            let recent = inspected
                .findings
                .iter()
                .rev()
                .find(|found| found.doubt == doubt && latest - found.until <= RECENT);
            since.extend(recent.map(|found| found.from));
            doubts.extend(recent.map(|found| found.words.clone()));
        }
        let jumps = inspected
            .findings
            .iter()
            .filter(|f| f.doubt == Doubt::Spike);
        let jumps: Vec<_> = jumps.collect();
        if let Some(found) = jumps.last().filter(|_| jumps.len() >= JUMPS) {
            since.extend(jumps.first().map(|first| first.from));
            doubts.push(format!(
                "{}; {} such jumps in two days: check its cable",
                found.words,
                jumps.len()
            ));
        }
        let mut air: Vec<Air> = inspected
            .good
            .values()
            .flatten()
            .map(|reading| (reading.at, reading.temperature, reading.humidity))
            .collect();
        air.sort_by_key(|(at, ..)| *at);
        RoomLook {
            excursion: stage.and_then(|stage| excursion(stage, &air)),
            doubts,
            doubted_since: since.into_iter().min(),
            caution: self.caution(voids),
            silent_from: last
                .values()
                .map(|at| calendar::later(*at, limits.gap + TimeDelta::seconds(1)))
                .filter(|at| *at > now)
                .min(),
        }
    }

    /// The most urgent caution that the latest reading of a gas by any sensor asks for: it
    /// stands until that sensor says that the gas has gone.
    fn caution(&self, voids: &Voids) -> Option<(DateTime<Utc>, Caution)> {
        let mut latest: BTreeMap<(Source, bool), (DateTime<Utc>, Gas, f64)> = BTreeMap::new();
        for (moment, reading) in self.valid(voids) {
            for gas in [Gas::CarbonDioxide, Gas::Ammonia] {
                if let Some(ppm) = reading.ppm(gas) {
                    let key = (reading.source(), gas == Gas::Ammonia);
                    latest.insert(key, (moment.at, gas, ppm));
                }
            }
        }
        let cautions = latest
            .into_values()
            .filter_map(|(at, gas, ppm)| Some((at, gas::caution(gas, ppm)?)));
        cautions.max_by_key(|(at, caution)| (caution.urgency, *at))
    }
}

impl RoomLook {
    /// The caution, if it is at least so urgent.
    #[must_use]
    pub fn caution_from(&self, urgency: Urgency) -> Option<&(DateTime<Utc>, Caution)> {
        self.caution
            .as_ref()
            .filter(|(_, caution)| caution.urgency >= urgency)
    }
}

/// The run of readings outside the stage's range that lasts until now, if it has lasted
/// long enough to tell someone.
fn excursion(stage: &Stage, air: &[Air]) -> Option<Excursion> {
    let run: Vec<&Air> = air
        .iter()
        .rev()
        .take_while(|air| !within(stage, air))
        .collect();
    let (since, until) = (run.last()?.0, run.first()?.0);
    (until - since >= WORTH_TELLING).then(|| Excursion {
        since,
        until,
        words: out_of_range(stage, run[0]),
    })
}

fn within(stage: &Stage, (_, temperature, humidity): &Air) -> bool {
    stage.temperature_c.holds(temperature.get())
        && humidity.is_none_or(|h| stage.humidity_pct.holds(h.get()))
}

fn out_of_range(stage: &Stage, (_, temperature, humidity): &Air) -> String {
    let mut out = Vec::new();
    let warm = stage.temperature_c;
    if !warm.holds(temperature.get()) {
        out.push(format!(
            "{temperature} (should be {} to {} °C)",
            warm.least, warm.most
        ));
    }
    let damp = stage.humidity_pct;
    if let Some(humidity) = humidity.filter(|h| !damp.holds(h.get())) {
        let rh = humidity.get();
        out.push(format!(
            "{rh:.0} % humidity (should be {} to {} %)",
            damp.least, damp.most
        ));
    }
    out.join(", ")
}

stored_struct!(Reading {
    sensor,
    station,
    temperature,
    humidity,
    co2,
    nh3,
});

stored_struct!(Room { readings });
