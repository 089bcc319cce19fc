//! The simulated dairy's days as facts: the station's own rules, played in memory.

use std::collections::BTreeMap;

use chrono::{DateTime, NaiveDate, TimeDelta, Timelike as _, Utc};
use facts::{Draft, Event, Fact, FactIdSource, RoomClimateRead, StationId, WheelReleased};
use floor_sim::{Dairy, Doing, Ledger, Mistakes, Size, What};
use quantity::{Celsius, DairyDay, Grams, Percent};
use site::Site;
use station::{Claim, Kept, Placement, Scan, Session, Setup};

/// How often a room is read, in hours: the simulation's own readings would be most facts.
const AIR_EVERY: u32 = 6;

/// Some days of a small Larkholm, as facts in the order of their arrival.
pub struct Past {
    /// The facts.
    pub facts: Vec<Fact>,
    /// The last instant of the last day.
    pub end: DateTime<Utc>,
    dairy: Dairy,
    sessions: BTreeMap<StationId, Session>,
    numbers: BTreeMap<StationId, u64>,
    placement: Placement,
    ids: FactIdSource,
    site: Site,
}

impl Past {
    /// The day on which every simulated life here begins, as in the demo.
    #[must_use]
    pub fn first_day() -> NaiveDate {
        NaiveDate::from_ymd_opt(2026, 1, 5).unwrap_or_default()
    }

    /// Plays that many days.
    ///
    /// # Panics
    /// When the site lacks a station that the simulation uses.
    #[must_use]
    pub fn of(site: &Site, seed: u64, days: u32) -> Self {
        let sessions = site.stations.iter().map(|station| {
            let setup = Setup {
                clock: site.clock,
                recipes: site.recipes.iter().map(|r| (r.id, r.version)).collect(),
                holds: site.hold_rule(),
                machines: site.tools().machines,
                irons: site.tools().irons,
                rooms: site
                    .rooms
                    .iter()
                    .map(|room| (room.id, room.positions))
                    .collect(),
                people: site.people.clone(),
                youngest: BTreeMap::new(),
                dispatch_desk: false,
                scale: station.scale.as_ref().map(|scale| station::Scale {
                    tool: scale.tool,
                    plate: scale.plate,
                    daily_check: scale.daily_check,
                    hoops: scale.hoops.clone(),
                }),
            };
            (station.id, Session::new(station.id, setup))
        });
        let mut past = Self {
            facts: Vec::new(),
            end: site.clock.start_of(DairyDay::starting(Self::first_day())),
            dairy: Dairy::new(seed, Self::first_day(), Size::small(), Mistakes::default()),
            sessions: sessions.collect(),
            numbers: BTreeMap::new(),
            placement: Placement::default(),
            ids: FactIdSource::default(),
            site: site.clone(),
        };
        for _ in 0..days {
            for doing in past.dairy.next_day().doings {
                past.take(&doing);
            }
        }
        if let Some(day) = past.dairy.ledger().last_day() {
            past.end = site.clock.end_of(DairyDay::starting(day)) - TimeDelta::seconds(1);
        }
        past
    }

    /// What truly happened.
    #[must_use]
    pub const fn ledger(&self) -> &Ledger {
        self.dairy.ledger()
    }

    fn take(&mut self, doing: &Doing) {
        let now = doing.arrives_at;
        let station = StationId::new(doing.station).expect("a station's code");
        let kept = doing.is_late().then_some(Claim {
            at: doing.at,
            kept: Kept::LineDown,
        });
        let mut draw = |scan: Option<&str>, grams: u32| {
            let session = self.sessions.get_mut(&station).expect("a station");
            match scan {
                Some(line) => {
                    let scan = Scan {
                        claim: kept,
                        ..Scan::new(line, now)
                    };
                    session.scan(&self.placement, &scan).drafts
                }
                None => {
                    let grams = Grams::new(grams).expect("a weight");
                    session.weight(&self.placement, grams, now).drafts
                }
            }
        };
        let drafts = match &doing.what {
            What::Climate { .. } if !now.hour().is_multiple_of(AIR_EVERY) || now.minute() >= 30 => {
                return;
            }
            What::Climate {
                room,
                temperature_c,
                humidity_pct,
            } => vec![Draft {
                occurred_at: doing.at,
                claimed_at: None,
                person: None,
                event: climate(room, *temperature_c, *humidity_pct),
            }],
            What::Weight { grams } => draw(None, *grams),
            What::Release {
                person,
                hold,
                wheels,
            } => vec![Draft {
                occurred_at: doing.at,
                claimed_at: None,
                person: Some(person.parse().expect("a badge")),
                event: release(hold, wheels),
            }],
            What::Scan(_) => draw(doing.sent_line().as_deref(), 0),
        };
        let from = self.facts.len();
        for draft in drafts {
            let number = self.numbers.entry(station).or_default();
            *number += 1;
            let (occurred_at, claimed_at) = draft.ordered(now);
            let fact = Fact {
                id: self.ids.next(now),
                site: self.site.id,
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
        if let Some(session) = self.sessions.get_mut(&station) {
            session.recorded(&self.facts[from..]);
        }
    }
}

fn climate(room: &str, temperature_c: f64, humidity_pct: f64) -> Event {
    Event::from(RoomClimateRead {
        room: room.parse().expect("a room's code"),
        sensor: None,
        temperature_c: Celsius::new(temperature_c).expect("a temperature"),
        humidity_pct: Some(Percent::new(humidity_pct).expect("a humidity")),
        co2_ppm: None,
        nh3_ppm: None,
    })
}

fn release(hold: &str, wheels: &[String]) -> Event {
    let wheels = wheels.iter().map(|wheel| wheel.parse().expect("a wheel"));
    Event::from(WheelReleased {
        wheels: wheels.collect(),
        hold: hold.parse().expect("a hold"),
        reason: "the laboratory's result is back".to_owned(),
    })
}
