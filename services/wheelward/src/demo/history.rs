//! The simulated past: the same station rules, played in memory.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::{Draft, Event, Fact, FactIdSource, RoomClimateRead, StationId};
use floor_sim::{DayScript, Doing, What};
use quantity::{Celsius, DairyDay, Grams, Percent};
use site::Site;
use station::{Placement, Session};

/// Plays days into facts.
pub struct History {
    site: facts::SiteId,
    sessions: BTreeMap<StationId, Session>,
    numbers: BTreeMap<StationId, u64>,
    placement: Placement,
    ids: FactIdSource,
    facts: Vec<Fact>,
    now: DateTime<Utc>,
}

impl History {
    /// An empty past, before `first_day`.
    pub fn new(site: &Site, first_day: DairyDay) -> Self {
        let sessions = site.stations.iter().map(|station| {
            (
                station.id,
                Session::new(station.id, edge::setup(site, station)),
            )
        });
        Self {
            site: site.id,
            sessions: sessions.collect(),
            numbers: BTreeMap::new(),
            placement: Placement::default(),
            ids: FactIdSource::default(),
            facts: Vec::new(),
            now: site.clock.start_of(first_day),
        }
    }

    /// Plays one day.
    pub fn play(&mut self, script: &DayScript) -> anyhow::Result<()> {
        for doing in &script.doings {
            self.take(doing)?;
        }
        Ok(())
    }

    /// Every fact, in the order of arrival.
    pub fn facts(&self) -> &[Fact] {
        &self.facts
    }

    /// Gives away the facts so far, in the order of arrival.
    pub fn take_facts(&mut self) -> Vec<Fact> {
        std::mem::take(&mut self.facts)
    }

    /// The last number of each station.
    pub const fn numbers(&self) -> &BTreeMap<StationId, u64> {
        &self.numbers
    }

    /// The latest instant played.
    pub const fn now(&self) -> DateTime<Utc> {
        self.now
    }

    fn take(&mut self, doing: &Doing) -> anyhow::Result<()> {
        self.now = self.now.max(doing.arrives_at);
        let station = StationId::new(doing.station)?;
        if let Some(event) = climate(doing)? {
            self.record(station, doing.arrives_at, vec![air_draft(doing, event)]);
            return Ok(());
        }
        let Some(session) = self.sessions.get_mut(&station) else {
            anyhow::bail!("the site file has no station {station}");
        };
        let outcome = match (&doing.what, doing.sent_line()) {
            (What::Weight { grams }, _) => {
                session.weight(&self.placement, Grams::new(*grams)?, doing.arrives_at)
            }
            (_, Some(line)) => session.scan(&self.placement, &line, doing.arrives_at),
            (_, None) => return Ok(()),
        };
        let from = self.facts.len();
        self.record(station, doing.arrives_at, outcome.drafts);
        if let Some(session) = self.sessions.get_mut(&station) {
            session.recorded(&self.facts[from..]);
        }
        Ok(())
    }

    fn record(&mut self, station: StationId, now: DateTime<Utc>, drafts: Vec<Draft>) {
        let number = self.numbers.entry(station).or_default();
        for draft in drafts {
            *number += 1;
            let fact = Fact {
                id: self.ids.next(now),
                site: self.site,
                station,
                station_seq: *number,
                person: draft.person,
                occurred_at: draft.occurred_at,
                recorded_at: now,
                event: draft.event,
            };
            self.placement.apply(&fact);
            self.facts.push(fact);
        }
    }
}

/// A room reading as an event; `None` for what is scanned or weighed.
pub fn climate(doing: &Doing) -> anyhow::Result<Option<Event>> {
    let What::Climate {
        room,
        temperature_c,
        humidity_pct,
    } = doing.what
    else {
        return Ok(None);
    };
    Ok(Some(Event::from(RoomClimateRead {
        room: room.parse()?,
        sensor: None,
        temperature_c: Celsius::new(temperature_c)?,
        humidity_pct: Some(Percent::new(humidity_pct)?),
        co2_ppm: None,
        nh3_ppm: None,
    })))
}

/// A reading of the room sensors.
pub const fn air_draft(doing: &Doing, event: Event) -> Draft {
    Draft {
        occurred_at: doing.at,
        person: None,
        event,
    }
}
