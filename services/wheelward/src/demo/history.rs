//! The simulated past: the same station rules, played in memory.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use climate::{Gathering, Probe};
use facts::{Draft, Fact, FactIdSource, StationId};
use floor_sim::{DayScript, Doing, What};
use quantity::{DairyDay, Grams};
use site::Site;
use station::{Claim, Kept, Placement, Scan, Session, Setup};

use crate::demo::{air, office};

/// Plays days into facts.
pub struct History {
    site: facts::SiteId,
    sessions: BTreeMap<StationId, Session>,
    numbers: BTreeMap<StationId, u64>,
    placement: Placement,
    ids: FactIdSource,
    facts: Vec<Fact>,
    now: DateTime<Utc>,
    probes: Vec<Probe>,
    gathering: Gathering,
}

impl History {
    /// An empty past, before `first_day`.
    pub fn new(site: &Site, first_day: DairyDay) -> Self {
        let sessions = site.stations.iter().map(|station| {
            let setup = Setup {
                // No desk kept anything back in the past that is played.
                dispatch_desk: false,
                ..edge::setup(site, station)
            };
            (station.id, Session::new(station.id, setup))
        });
        Self {
            site: site.id,
            sessions: sessions.collect(),
            numbers: BTreeMap::new(),
            placement: Placement::under(site.rights()),
            ids: FactIdSource::default(),
            facts: Vec::new(),
            now: site.clock.start_of(first_day),
            gathering: match &site.climate {
                Some(climate) => Gathering::new(&climate.probes, climate.every),
                None => Gathering::new(&[], chrono::TimeDelta::zero()),
            },
            probes: site
                .climate
                .as_ref()
                .map_or(Vec::new(), |climate| climate.probes.clone()),
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
        if let Some((topic, payload)) = air::message(&self.probes, doing)? {
            let (drafts, unusable) =
                self.gathering
                    .take(&topic, payload.as_bytes(), doing.arrives_at);
            anyhow::ensure!(unusable.is_empty(), "{}", unusable[0]);
            let reader = StationId::new(climate_reader::STATION)?;
            self.record(reader, doing.arrives_at, drafts);
            return Ok(());
        }
        let station = StationId::new(doing.station)?;
        if let Some(draft) = office::release(doing)? {
            self.record(station, doing.arrives_at, vec![draft]);
            return Ok(());
        }
        let Some(session) = self.sessions.get_mut(&station) else {
            anyhow::bail!("the site file has no station {station}");
        };
        let claim = doing.is_late().then_some(Claim {
            at: doing.at,
            kept: Kept::LineDown,
        });
        let outcome = match (&doing.what, doing.sent_line()) {
            (What::Weight { grams }, _) => {
                session.weight(&self.placement, Grams::new(*grams)?, doing.arrives_at)
            }
            (_, Some(line)) => {
                let scan = Scan {
                    claim,
                    ..Scan::new(&line, doing.arrives_at)
                };
                session.scan(&self.placement, &scan)
            }
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
            let (occurred_at, claimed_at) = draft.ordered(now);
            let fact = Fact {
                id: self.ids.next(now),
                site: self.site,
                station,
                station_seq: *number,
                person: draft.person,
                occurred_at,
                claimed_at,
                recorded_at: now,
                event: draft.event,
            };
            self.placement.apply(&fact);
            self.facts.push(fact);
        }
    }
}
