//! A safety file and facts, in few words.

use chrono::{DateTime, NaiveTime, Utc};
use facts::{Event, Fact, FactId};
use quantity::DairyClock;
use recipe::Origin;
use safety::{Diary, Plan};

/// The example that ships.
pub const FILE: &str = include_str!("../../../../deploy/demo/larkholm-safety.toml");

pub fn plan() -> Plan {
    parse(FILE).unwrap()
}

pub fn parse(text: &str) -> Result<Plan, String> {
    let file = "safety.toml";
    Plan::parse(&Origin { file, text }).map_err(|e| e.to_string())
}

pub fn id<T: std::str::FromStr>(text: &str) -> T
where
    T::Err: std::fmt::Debug,
{
    text.parse().unwrap()
}

/// `5 09:30` is 9:30 on 5 January 2026.
pub fn time(text: &str) -> DateTime<Utc> {
    let (day, clock) = text.split_once(' ').unwrap();
    format!("2026-01-{day:0>2}T{clock}:00Z").parse().unwrap()
}

pub fn clock() -> DairyClock {
    DairyClock::new(
        chrono_tz::Europe::London,
        NaiveTime::from_hms_opt(4, 0, 0).unwrap(),
    )
}

#[derive(Default)]
pub struct Log(pub Vec<Fact>);

impl Log {
    pub fn fact(&mut self, at: &str, event: impl Into<Event>) -> FactId {
        let number = self.0.len() as u64 + 1;
        let event = event.into();
        // Whatever is taken back here, a manager corrects.
        let corrects = matches!(event, facts::Event::Voided(_));
        let fact = Fact {
            id: FactId::from_uuid(format!("{number:032x}").parse().unwrap()),
            site: id("larkholm"),
            station: id(if corrects { "gateway" } else { "s1" }),
            station_seq: number,
            person: Some(id("07")),
            occurred_at: time(at),
            claimed_at: None,
            recorded_at: time(at),
            event,
        };
        self.0.push(fact);
        self.0.last().unwrap().id
    }

    pub fn diary(&self) -> Diary {
        let mut diary = Diary::default();
        self.0.iter().for_each(|fact| diary.apply(fact));
        diary
    }
}
