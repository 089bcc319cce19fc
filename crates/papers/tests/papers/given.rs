//! The recorded floor, with the lots, readings and deliveries that were invented for it.

use std::sync::OnceLock;

use chrono::{DateTime, NaiveTime, Utc};
use facts::Fact;
use facts::wire::{self, Read};
use papers::{Dairy, counting};
use quantity::DairyClock;
use recipe::Origin;
use trace::{Index, Recall, Settings};

const FLOOR: &str = include_str!("../../../../tests/data/larkholm-70-days.ndjson");
const LOTS: &str = include_str!("../../../../tests/data/larkholm-lots.ndjson");
pub const PAPERS: &str = include_str!("../../../../deploy/demo/larkholm-papers.toml");
const SAFETY: &str = include_str!("../../../../deploy/demo/larkholm-safety.toml");

pub fn facts() -> &'static [Fact] {
    static FACTS: OnceLock<Vec<Fact>> = OnceLock::new();
    FACTS.get_or_init(|| {
        let lines = FLOOR.lines().chain(LOTS.lines());
        counting(
            lines.map(|line| match wire::from_line(line).unwrap() {
                Read::Fact(fact) => fact,
                Read::UnknownType(unknown) => panic!("{}", unknown.ty),
            }),
            &holds::Rights::AnyBadge,
        )
    })
}

pub fn clock() -> DairyClock {
    DairyClock::new(
        chrono_tz::Europe::London,
        NaiveTime::from_hms_opt(4, 0, 0).unwrap(),
    )
}

pub fn now() -> DateTime<Utc> {
    "2026-03-16T09:00:00Z".parse().unwrap()
}

pub fn dairy() -> Dairy {
    parse(PAPERS).unwrap()
}

pub fn parse(text: &str) -> Result<Dairy, String> {
    let file = "papers.toml";
    Dairy::parse(&Origin { file, text }).map_err(|e| e.to_string())
}

pub fn plan() -> safety::Plan {
    let file = "safety.toml";
    safety::Plan::parse(&Origin { file, text: SAFETY }).unwrap()
}

pub fn id<T: std::str::FromStr>(text: &str) -> T
where
    T::Err: std::fmt::Debug,
{
    text.parse().unwrap()
}

pub fn recall(about: &facts::Scope) -> Recall {
    let mut index = Index::default();
    facts().iter().for_each(|fact| index.apply(fact));
    index.trace().recall(about, &Settings::default(), now())
}
