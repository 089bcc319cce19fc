//! Each room's air: readings on the disk, hour by hour in memory.
//!
//! A week is looked at together with the weeks beside it, whatever else was read: so what it
//! was like is a matter of its own readings, however late and in whatever order they come.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{DateTime, Utc};
use climate::{Hour, Reading, RoomAir, Source, inspect};
use facts::{Event, Fact, FactId, RoomClimateRead, RoomId, SensorId, StationId, stored_struct};
use forecast::Sensors;
use holds::{Guard, Rights, Target, Voiding, Voids};
use projection::{Records as _, Store, StoreError};
use quantity::{Celsius, Percent};

use crate::shelf::{Shelf, exact, id, key};

const WEEK_HOURS: i64 = 7 * 24;

/// A reading as it is kept.
struct Kept {
    at: DateTime<Utc>,
    recorded: DateTime<Utc>,
    sensor: Option<SensorId>,
    /// Where no sensor is named, the station is its name.
    station: StationId,
    temperature: Celsius,
    humidity: Option<Percent>,
}

stored_struct!(Kept { at via exact, recorded via exact, sensor, station, temperature, humidity });

/// One week of a room.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Week {
    /// °C and %, from its first hour on.
    hours: Vec<Option<(Celsius, Option<Percent>)>>,
    /// Readings in it that count.
    readings: u32,
    /// The newest of all that it was made from: when it was recorded and when it happened.
    recorded: DateTime<Utc>,
    occurred: DateTime<Utc>,
}

stored_struct!(Week { hours, readings, recorded via exact, occurred via exact });

/// Where a week is kept: whose it is and its number, counted from 1970.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Place {
    pub(crate) room: RoomId,
    pub(crate) week: u32,
}

stored_struct!(Place { room, week });

/// The week of an instant.
fn week_of(at: DateTime<Utc>) -> u32 {
    u32::try_from(at.timestamp().div_euclid(WEEK_HOURS * 3600)).unwrap_or(0)
}

/// The air of every room.
#[derive(Default)]
pub(crate) struct Air {
    rooms: BTreeMap<RoomId, BTreeMap<u32, Week>>,
    /// Weeks to be looked at again.
    stirred: BTreeSet<Place>,
}

/// Each room's hours.
pub(crate) type Rooms = BTreeMap<RoomId, RoomAir>;

impl Air {
    /// What is stored of it.
    pub(crate) fn load(store: &Store) -> Result<Self, StoreError> {
        let mut air = Self::default();
        store.each(key::HOURS, |_, (place, week): (Place, Week)| {
            let room = air.rooms.entry(place.room).or_default();
            room.insert(place.week, week);
            Ok(())
        })?;
        store.each(key::STIRRED_AIR, |_, place: Place| {
            air.stirred.insert(place);
            Ok(())
        })?;
        Ok(air)
    }

    /// Keeps a reading. Gives where, if it is new.
    pub(crate) fn take(
        shelf: &mut Shelf,
        fact: &Fact,
        read: &RoomClimateRead,
    ) -> Result<Option<Place>, StoreError> {
        let place = Place {
            room: read.room,
            week: week_of(fact.occurred_at),
        };
        let known = key::under(&key::readings(place.room, place.week), fact.id);
        if shelf.has(&known)? {
            return Ok(None);
        }
        let kept = Kept {
            at: fact.occurred_at,
            recorded: fact.recorded_at,
            sensor: read.sensor,
            station: fact.station,
            temperature: read.temperature_c,
            humidity: read.humidity_pct,
        };
        shelf.put(known, &kept)?;
        Ok(Some(place))
    }

    /// Where a reading is kept, if there is such a one. Readings are seldom taken back: every
    /// week of every room is looked through.
    pub(crate) fn place(
        &self,
        shelf: &Shelf,
        reading: FactId,
    ) -> Result<Option<Place>, StoreError> {
        let looked_at = self.rooms.iter().flat_map(|(room, weeks)| {
            let place = |week: &u32| Place {
                room: *room,
                week: *week,
            };
            weeks.keys().map(place)
        });
        for place in looked_at.chain(self.stirred.iter().copied()) {
            let readings = key::readings(place.room, place.week);
            if shelf.has(&key::under(&readings, reading))? {
                return Ok(Some(place));
            }
        }
        Ok(None)
    }

    /// Something about a week is new: it is looked at again, and those beside it.
    pub(crate) fn stir(&mut self, shelf: &mut Shelf, place: Place) -> Result<(), StoreError> {
        for week in place.week.saturating_sub(1)..=place.week.saturating_add(1) {
            let place = Place { week, ..place };
            if self.stirred.insert(place) {
                shelf.put(key::stirred_air(place.room, week), &place)?;
            }
        }
        Ok(())
    }

    /// All of it is looked at again.
    pub(crate) fn stir_all(&mut self, shelf: &mut Shelf) -> Result<(), StoreError> {
        let rooms = self.rooms.iter();
        let weeks = rooms.flat_map(|(room, weeks)| weeks.keys().map(|week| (*room, *week)));
        for (room, week) in weeks.collect::<Vec<_>>() {
            self.stir(shelf, Place { room, week })?;
        }
        Ok(())
    }

    /// Looks again at the weeks that are stirred.
    pub(crate) fn renew(
        &mut self,
        shelf: &mut Shelf,
        rights: &Rights,
        now: DateTime<Utc>,
    ) -> Result<(), StoreError> {
        for place in std::mem::take(&mut self.stirred) {
            let hours = key::hours(place.room, place.week);
            let room = self.rooms.entry(place.room).or_default();
            let Some(week) = looked_at(shelf, rights, place, now, None)? else {
                room.remove(&place.week);
                shelf.remove(hours);
                shelf.remove(key::stirred_air(place.room, place.week));
                continue;
            };
            shelf.put(hours, &(place, week.clone()))?;
            if week.occurred > now {
                self.stirred.insert(place); // a part of it is still to come
            } else {
                shelf.remove(key::stirred_air(place.room, place.week));
            }
            room.insert(place.week, week);
        }
        Ok(())
    }

    /// Hour by hour, as far as it was renewed.
    pub(crate) fn hours(&self) -> Rooms {
        let rooms = self.rooms.iter();
        let rooms = rooms.filter_map(|(id, weeks)| Some((*id, joined(weeks.iter())?)));
        rooms.collect()
    }

    /// The same, from what had been recorded and had happened when a day began.
    pub(crate) fn hours_before(
        &self,
        shelf: &Shelf,
        rights: &Rights,
        day_began: DateTime<Utc>,
    ) -> Result<Rooms, StoreError> {
        let mut rooms = Rooms::new();
        for (id, weeks) in &self.rooms {
            let mut again: BTreeMap<u32, Option<Week>> = BTreeMap::new();
            for (number, week) in weeks {
                if week.recorded >= day_began || week.occurred > day_began {
                    let place = Place {
                        room: *id,
                        week: *number,
                    };
                    let week = looked_at(shelf, rights, place, day_began, Some(day_began))?;
                    again.insert(*number, week);
                }
            }
            let as_of = weeks.iter().filter_map(|(number, week)| {
                let week = again.get(number).map_or(Some(week), Option::as_ref);
                Some((number, week?))
            });
            rooms.extend(joined(as_of).map(|air| (*id, air)));
        }
        Ok(rooms)
    }
}

/// Weeks on end; none without a reading that counts.
fn joined<'w>(weeks: impl Iterator<Item = (&'w u32, &'w Week)>) -> Option<RoomAir> {
    let mut hours = Vec::new();
    let mut first = None;
    let mut readings = 0;
    for (number, week) in weeks {
        let begins = i64::from(*number) * WEEK_HOURS;
        let first = *first.get_or_insert(begins);
        let before = usize::try_from(begins - first).unwrap_or(0);
        hours.resize(before, None);
        readings += week.readings;
        hours.extend(week.hours.iter().map(|hour| {
            let (temperature, humidity) = (*hour)?;
            Some(Hour {
                temperature,
                humidity,
            })
        }));
    }
    (readings > 0).then(|| RoomAir::from_hours(first.unwrap_or(0), hours))
}

/// What a week was like by its readings up to `now` that had been recorded `before` an
/// instant; none where nothing was ever read in it or beside it.
fn looked_at(
    shelf: &Shelf,
    rights: &Rights,
    place: Place,
    now: DateTime<Utc>,
    before: Option<DateTime<Utc>>,
) -> Result<Option<Week>, StoreError> {
    let mut readings: Vec<(DateTime<Utc>, FactId, Kept)> = Vec::new();
    let mut voids = Voids::under(rights.clone());
    let mut newest: Option<(DateTime<Utc>, DateTime<Utc>)> = None;
    let mut note = |recorded: DateTime<Utc>, occurred: DateTime<Utc>| {
        let (so_recorded, so_occurred) = newest.get_or_insert((recorded, occurred));
        *so_recorded = recorded.max(*so_recorded);
        *so_occurred = occurred.max(*so_occurred);
    };
    let counts = |recorded: DateTime<Utc>| before.is_none_or(|before| recorded < before);
    let own = readings_in(place.week);
    for week in place.week.saturating_sub(1)..=place.week.saturating_add(1) {
        shelf.each(&key::readings(place.room, week), |rest, kept: Kept| {
            note(kept.recorded, kept.at);
            if counts(kept.recorded) && kept.at <= now {
                readings.push((kept.at, id(rest)?, kept));
            }
            Ok(())
        })?;
        for voider in shelf.ids(&key::air_voids(place.room, week))? {
            let Some(fact) = shelf.fact(voider)? else {
                continue;
            };
            note(fact.recorded_at, DateTime::UNIX_EPOCH);
            if let Event::Voided(voided) = &fact.event
                && counts(fact.recorded_at)
            {
                voids.add(Voiding::of(&fact, voided));
            }
        }
    }
    let Some((recorded, occurred)) = newest else {
        return Ok(None);
    };
    // Of all readings of air alike: a correction takes them back.
    readings.retain(|(_, id, _)| !voids.takes_back(Target::kept(*id, Guard::Correction)));
    readings.sort_by_key(|(at, id, _)| (*at, *id));
    let mut sources: BTreeMap<Source, Vec<Reading>> = BTreeMap::new();
    let mut counted = 0_u32;
    for (at, _, kept) in readings {
        counted += u32::from(own.contains(&at));
        let source = kept
            .sensor
            .map_or(Source::Station(kept.station), Source::Sensor);
        sources.entry(source).or_default().push(Reading {
            at,
            temperature: kept.temperature,
            humidity: kept.humidity,
            co2: None,
            nh3: None,
        });
    }
    let sensors = Sensors::default();
    let air = RoomAir::of(&inspect(&sources, &sensors.offsets, &sensors.limits, now).good);
    let hours = air.between(own.start, own.end).map(|(_, hour)| {
        let hour = hour?;
        Some((hour.temperature, hour.humidity))
    });
    Ok(Some(Week {
        hours: hours.collect(),
        readings: counted,
        recorded,
        occurred,
    }))
}

/// The instants of a week.
fn readings_in(week: u32) -> std::ops::Range<DateTime<Utc>> {
    let begins = |week: i64| {
        DateTime::from_timestamp(week * WEEK_HOURS * 3600, 0).unwrap_or(DateTime::<Utc>::MAX_UTC)
    };
    begins(i64::from(week))..begins(i64::from(week) + 1)
}
