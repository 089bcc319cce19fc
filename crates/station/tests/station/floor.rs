//! A station on a small floor: scans go in, answers come out, facts are kept.

use std::collections::BTreeMap;

use authority::Role;
use chrono::{DateTime, NaiveTime, Utc};
use facts::{Carrier, Draft, Event, Fact, FactIdSource, Grade, Voided, WheelGraded, WheelId};
use holds::{Rights, Rule};
use metrology::{Class, HoopType, HoopTypes, Plate, Settled};
use quantity::{DairyClock, Grams};
use recipe::{Origin, Recipe, RecipeBook};
use station::{
    Asked, Claim, Kept, Line, Outcome, Placement, Reach, Scale, Scan, Session, Setup, SignedIn,
    Stays,
};

pub struct Floor {
    pub placement: Placement,
    pub session: Session,
    pub facts: Vec<Fact>,
    pub now: DateTime<Utc>,
    /// Who is signed in with badge and PIN; nobody at a raw scanner port.
    pub signed_in: Option<SignedIn>,
    /// What shows that scans with a time were kept.
    pub kept: Kept,
    pub reach: Reach,
    /// What the dispatch desk says, where there is one.
    pub desk: Option<Stays>,
    ids: FactIdSource,
}

pub fn at(text: &str) -> DateTime<Utc> {
    text.parse().unwrap()
}

pub fn wheel(code: &str) -> WheelId {
    WheelId::new(code).unwrap()
}

/// The site's day starts at 04:00; UTC, so that tests read plainly.
pub fn setup() -> Setup {
    Setup {
        clock: DairyClock::new(chrono_tz::UTC, NaiveTime::from_hms_opt(4, 0, 0).unwrap()),
        recipes: [
            ("blue".parse().unwrap(), 3),
            ("tested-blue".parse().unwrap(), 1),
        ]
        .into(),
        holds: Rule::new(&recipes(), Rights::AnyBadge),
        rooms: [("drain", 8), ("R1", 12), ("R2", 20)]
            .map(|(room, places)| (room.parse().unwrap(), places))
            .into(),
        people: ["17", "18"]
            .map(|badge| (badge.parse().unwrap(), None))
            .into(),
        machines: Default::default(),
        irons: Default::default(),
        youngest: BTreeMap::new(),
        dispatch_desk: false,
        scale: Some(scale()),
    }
}

/// `tested-blue` v1 has a hold of its own, `blue` v3 has none. What else they say does not
/// matter here.
fn recipes() -> RecipeBook {
    let text = include_str!("../../../recipe/tests/common-practice.toml");
    let recipe = |text: &str| {
        let file = "common-practice.toml";
        Recipe::parse(&Origin { file, text }).unwrap()
    };
    let named = |id: &str, version: u32| Recipe {
        id: id.parse().unwrap(),
        version,
        ..recipe(text)
    };
    let mut tested = named("tested-blue", 1);
    tested.holds.push(recipe::Hold {
        id: "Q-BORN".parse().unwrap(),
        reason: "until its test is back".to_owned(),
    });
    let mut book = RecipeBook::default();
    book.add(named("blue", 3));
    book.add(tested);
    book
}

/// Max 30 kg, Min 200 g, e 10 g, class III; steel hoops, whose codes begin with HS, weigh
/// 1.404 kg and are weighed along.
pub fn scale() -> Scale {
    let weight = |text: &str| text.parse().unwrap();
    let mut hoops = HoopTypes::default();
    hoops
        .add(HoopType {
            name: "steel".into(),
            tare: Grams::new(1_404).unwrap(),
            hoops: vec!["HS*".into()],
        })
        .unwrap();
    Scale {
        tool: "scale-1".parse().unwrap(),
        plate: Plate::new(Class::III, weight("30 kg"), None, weight("10 g")).unwrap(),
        daily_check: false,
        hoops,
    }
}

impl Floor {
    /// A floor on which nothing has happened, on a Tuesday morning.
    pub fn empty() -> Self {
        let mut floor = Self {
            placement: Placement::default(),
            session: Session::new("st-1".parse().unwrap(), setup()),
            facts: Vec::new(),
            now: at("2026-03-03T06:00:00Z"),
            signed_in: None,
            kept: Kept::Unshown,
            reach: Reach::Current,
            desk: None,
            ids: FactIdSource::default(),
        };
        floor.badge("P.17");
        floor
    }

    /// A badge is scanned, in no time.
    pub fn badge(&mut self, badge: &str) {
        let scan = Scan::new(badge, self.now);
        let said = self.session.scan(&self.placement, &scan);
        assert_eq!(said.answer.level, station::Level::Next);
    }

    /// At a station where nobody has said who they are.
    pub fn nobodys(mut self) -> Self {
        self.session = Session::new("st-1".parse().unwrap(), setup());
        self
    }

    /// Batch 311 with wheels 311-01 to 311-04 in hoops H1 to H4 of stack K1.
    pub fn with_a_batch() -> Self {
        let mut floor = Self::empty();
        floor.scans(&["A.VAT", "V.V1", "B.311", "C.blue", "N.2000"]);
        floor.scans(&["A.PORTION", "B.311", "K.K1"]);
        for hoop in ["H.H1", "H.H2", "H.H3", "H.H4"] {
            floor.weighs(11_000);
            floor.scan(hoop);
        }
        floor.restart();
        floor
    }

    /// The same batch, unhooped onto stillage S1 in room R1 and graded.
    pub fn with_a_stillage() -> Self {
        let mut floor = Self::with_a_batch();
        floor.scans(&["A.LOAD", "S.S1", "K.K1", "A.UNHOOP", "S.S1"]);
        floor.scans(&["A.MOVE", "R.R1.7", "S.S1"]);
        let wheels = floor
            .placement
            .wheels_on("S1".parse().map(Carrier::Stillage).unwrap());
        floor.hears(WheelGraded {
            wheels,
            via: None,
            grade: Grade::B,
        });
        floor.restart();
        floor
    }

    /// A new session of badge 17, and nothing recorded so far counts in the test.
    pub fn restart(&mut self) {
        self.restart_with(setup());
    }

    /// The same where the site is otherwise.
    pub fn restart_with(&mut self, setup: Setup) {
        self.session = Session::new("st-1".parse().unwrap(), setup);
        self.badge("P.17");
        self.facts.clear();
    }

    /// A minute passes, and a line is scanned. Gives the answer as its line.
    pub fn scan(&mut self, line: &str) -> String {
        self.now += chrono::Duration::minutes(1);
        let stamp = Line::read(line).ok().and_then(|line| line.kept_since);
        let kept = self.kept;
        let mut asked = None;
        loop {
            let scan = Scan {
                signed_in: self.signed_in,
                claim: stamp.map(|at| Claim { at, kept }),
                reach: self.reach,
                asked: asked.as_ref(),
                ..Scan::new(line, self.now)
            };
            let mut outcome = self.session.scan(&self.placement, &scan);
            match outcome.asks.take() {
                None => return self.keep(outcome),
                Some(leaving) => {
                    let said = self.desk.clone();
                    asked = Some(Asked { leaving, said });
                }
            }
        }
    }

    /// Several scans; the last answer.
    pub fn scans(&mut self, lines: &[&str]) -> String {
        lines.iter().map(|line| self.scan(line)).last().unwrap()
    }

    pub fn weighs(&mut self, grams: u32) -> String {
        self.shows(Grams::new(grams).unwrap().into())
    }

    /// The scale has settled.
    pub fn shows(&mut self, settled: Settled) -> String {
        let outcome = self.session.weight(&self.placement, settled, self.now);
        self.keep(outcome)
    }

    /// Someone signs in with badge and PIN.
    pub fn sign_in(&mut self, person: &str, role: Role) {
        let person = person.parse().unwrap();
        self.signed_in = Some(SignedIn { person, role });
    }

    fn keep(&mut self, outcome: Outcome) -> String {
        let now = self.now;
        let facts: Vec<Fact> = outcome
            .drafts
            .into_iter()
            .map(|draft| self.stamp(draft, now))
            .collect();
        for fact in &facts {
            self.placement.apply(fact);
        }
        self.session.recorded(&facts);
        self.facts.extend(facts);
        outcome.answer.to_string()
    }

    fn stamp(&self, draft: Draft, now: DateTime<Utc>) -> Fact {
        let (occurred_at, claimed_at) = draft.ordered(now);
        Fact {
            id: self.ids.next(now),
            site: "larkholm".parse().unwrap(),
            station: "st-1".parse().unwrap(),
            station_seq: 1,
            person: draft.person,
            occurred_at,
            claimed_at,
            recorded_at: now,
            event: draft.event,
        }
    }

    /// A fact from another station.
    pub fn hears(&mut self, event: impl Into<Event>) -> Fact {
        self.hears_of(None, event)
    }

    /// A fact from another station, stated by somebody or by nobody.
    pub fn hears_of(&mut self, person: Option<&str>, event: impl Into<Event>) -> Fact {
        let draft = Draft {
            occurred_at: self.now,
            claimed_at: None,
            person: person.map(|badge| badge.parse().unwrap()),
            event: event.into(),
        };
        let fact = Fact {
            station: "gateway".parse().unwrap(),
            ..self.stamp(draft, self.now)
        };
        self.placement.apply(&fact);
        fact
    }

    /// What was recorded: each fact's topic and wheels.
    pub fn recorded(&self) -> Vec<String> {
        self.facts
            .iter()
            .map(|fact| {
                let wheels: Vec<_> = fact.event.wheels().iter().map(WheelId::as_str).collect();
                format!("{} {}", fact.event.topic(), wheels.join(" "))
                    .trim()
                    .to_owned()
            })
            .collect()
    }

    pub fn voids(&mut self, fact: &Fact) -> Fact {
        let reason = "a mistake".into();
        let fact = fact.id;
        self.hears_of(Some("09"), Voided { fact, reason })
    }
}
