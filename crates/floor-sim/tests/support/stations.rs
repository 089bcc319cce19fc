//! The demonstration's stations, one beside the other, with one picture of the floor.

use std::collections::BTreeMap;
use std::path::Path;

use facts::{Draft, Event, Fact, FactIdSource, RoomClimateRead, StationId, WheelReleased};
use floor_sim::{Dairy, Expected, Ledger, What};
use quantity::{Celsius, DairyDay, Grams, Percent};
use site::Site;
use station::{Claim, Kept, Level, Outcome, Placement, Scan, Session, Setup};

/// The demonstration's own site file.
pub fn larkholm() -> Site {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/demo");
    let open = |path: &Path| std::fs::read_to_string(path).map_err(|e| e.to_string());
    let text = open(&folder.join("larkholm.toml")).unwrap();
    let origin = recipe::Origin {
        file: "larkholm.toml",
        text: &text,
    };
    Site::parse(&origin, &folder, open).unwrap_or_else(|e| panic!("{e}"))
}

/// Every station of the site and the one picture of the floor they share.
pub struct Stations {
    pub site: Site,
    sessions: BTreeMap<String, Session>,
    numbers: BTreeMap<String, u64>,
    pub placement: Placement,
    ids: FactIdSource,
    pub facts: Vec<Fact>,
}

impl Stations {
    pub fn new() -> Self {
        let site = larkholm();
        let newest = |recipe: &std::sync::Arc<recipe::Recipe>| (recipe.id, recipe.version);
        let session = |s: &site::Station| {
            let setup = Setup {
                clock: site.clock,
                recipes: site.recipes.iter().map(newest).collect(),
                machines: site.tools().machines,
                irons: site.tools().irons,
                holds: site.hold_rule(),
                rooms: site
                    .rooms
                    .iter()
                    .map(|room| (room.id, room.positions))
                    .collect(),
                people: site.people.clone(),
                youngest: BTreeMap::new(),
                dispatch_desk: false,
                scale: s.scale.as_ref().map(|scale| station::Scale {
                    tool: scale.tool,
                    plate: scale.plate,
                    daily_check: scale.daily_check,
                    hoops: scale.hoops.clone(),
                }),
            };
            (s.id.to_string(), Session::new(s.id, setup))
        };
        let sessions = site.stations.iter().map(session).collect();
        Self {
            site,
            sessions,
            numbers: BTreeMap::new(),
            placement: Placement::default(),
            ids: FactIdSource::default(),
            facts: Vec::new(),
        }
    }

    /// The holds that keep a wheel, as its stations see it.
    #[allow(dead_code)] // not every test asks
    pub fn held(&self, wheel: facts::WheelId) -> Vec<holds::Held> {
        self.placement.held(wheel, &self.site.hold_rule())
    }

    /// Hands a doing to its station and records what comes of it.
    pub fn take(&mut self, doing: &floor_sim::Doing) {
        let now = doing.arrives_at;
        if let What::Climate {
            room,
            temperature_c,
            humidity_pct,
        } = doing.what
        {
            let event = Event::from(RoomClimateRead {
                room: room.parse().unwrap(),
                sensor: None,
                temperature_c: Celsius::new(temperature_c).unwrap(),
                humidity_pct: Some(Percent::new(humidity_pct).unwrap()),
                co2_ppm: None,
                nh3_ppm: None,
            });
            let draft = Draft {
                occurred_at: doing.at,
                claimed_at: None,
                person: None,
                event,
            };
            self.record(doing, vec![draft]);
            return;
        }
        if let What::Release {
            person,
            hold,
            wheels,
        } = &doing.what
        {
            let event = Event::from(WheelReleased {
                wheels: wheels.iter().map(|wheel| wheel.parse().unwrap()).collect(),
                hold: hold.parse().unwrap(),
                reason: "the laboratory's result is back".to_owned(),
            });
            let draft = Draft {
                occurred_at: doing.at,
                claimed_at: None,
                person: Some(person.parse().unwrap()),
                event,
            };
            self.record(doing, vec![draft]);
            return;
        }
        let session = self.sessions.get_mut(doing.station).unwrap();
        let claim = doing.is_late().then_some(Claim {
            at: doing.at,
            kept: Kept::LineDown,
        });
        let Outcome { answer, drafts, .. } = match &doing.what {
            What::Weight { grams } => {
                session.weight(&self.placement, Grams::new(*grams).unwrap(), now)
            }
            _ => {
                let line = doing.sent_line().unwrap();
                let scan = Scan {
                    claim,
                    ..Scan::new(&line, now)
                };
                session.scan(&self.placement, &scan)
            }
        };
        let expected: &[Level] = match doing.answer {
            Expected::Fine => &[Level::Ok, Level::Next],
            Expected::Wrong => &[Level::Wrong],
            Expected::Stop => &[Level::Stop],
            Expected::NobodysOrder => &[Level::Next, Level::Wrong],
        };
        assert!(expected.contains(&answer.level), "{doing:?}: {answer}");
        let facts = self.record(doing, drafts);
        self.sessions
            .get_mut(doing.station)
            .unwrap()
            .recorded(&facts);
    }

    /// Numbers and stamps what a station recorded.
    fn record(&mut self, doing: &floor_sim::Doing, drafts: Vec<Draft>) -> Vec<Fact> {
        let now = doing.arrives_at;
        let number = self.numbers.entry(doing.station.to_owned()).or_default();
        let mut facts = Vec::new();
        for draft in drafts {
            *number += 1;
            let (occurred_at, claimed_at) = draft.ordered(now);
            facts.push(Fact {
                id: self.ids.next(now),
                site: self.site.id,
                station: StationId::new(doing.station).unwrap(),
                station_seq: *number,
                person: draft.person,
                occurred_at,
                claimed_at,
                recorded_at: now,
                event: draft.event,
            });
        }
        for fact in &facts {
            self.placement.apply(fact);
        }
        self.facts.extend(facts.iter().cloned());
        facts
    }

    /// Takes in everything that a dairy did up to the end of its last day, what is still
    /// in handhelds included, and gives the ledger as of then.
    pub fn take_the_rest(&mut self, mut dairy: Dairy) -> Ledger {
        let ledger = dairy.ledger().clone();
        let last = DairyDay::starting(ledger.last_day().unwrap());
        let end = self.site.clock.end_of(last);
        let rest: Vec<_> = (0..2).flat_map(|_| dairy.next_day().doings).collect();
        for doing in rest.iter().filter(|doing| doing.at < end) {
            self.take(doing);
        }
        ledger
    }
}
