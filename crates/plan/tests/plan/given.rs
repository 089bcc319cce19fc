//! Small dairies for tests.

use facts::{BatchId, Carrier, RoomId, StillageId, WheelId};
use plan::{Crew, Kind, Problem, Task};
use quantity::DairyDay;
use recipe::Origin;
use ripening::Severity;

pub const CREW: &str = include_str!("../../../../deploy/demo/crew.toml");

pub fn crew(text: &str) -> Crew {
    Crew::parse(&Origin {
        file: "crew.toml",
        text,
    })
    .unwrap()
}

/// A crew of one, who can do everything, each kind taking so many seconds a wheel.
pub fn one_person(minutes: i64, seconds: i64) -> String {
    let mut text = String::new();
    for kind in Kind::ALL {
        text.push_str(&format!(
            "[[task]]\nkind = \"{}\"\nseconds_per_wheel = {seconds}\nskill = \"floor\"\n",
            kind.key()
        ));
    }
    text.push_str(&format!(
        "[[person]]\nbadge = \"P01\"\nskills = [\"floor\"]\nminutes = {minutes}\n"
    ));
    text
}

/// Monday 2 March 2026 and so many days after it.
pub fn day(after: i64) -> DairyDay {
    DairyDay::starting("2026-03-02".parse().unwrap()).plus(after)
}

pub fn days(many: i64) -> Vec<DairyDay> {
    (0..many).map(day).collect()
}

pub fn task(
    kind: Kind,
    stillage: &str,
    wheels: usize,
    (earliest, due, latest): (i64, i64, i64),
) -> Task {
    Task {
        id: format!("{}/{stillage}/{due}", kind.key()),
        kind,
        room: Some(RoomId::new("R1").unwrap()),
        to: (kind == Kind::MoveOn).then(|| RoomId::new("R2").unwrap()),
        carrier: Some(Carrier::Stillage(StillageId::new(stillage).unwrap())),
        position: None,
        batch: Some(BatchId::new("311").unwrap()),
        wheels: (0..wheels)
            .map(|n| WheelId::new(&format!("{stillage}-{n:02}")).unwrap())
            .collect(),
        earliest: day(earliest),
        due: day(due),
        latest: day(latest),
        severity: Severity::Warning,
        wheel_kg: 4.0,
        because: "the recipe says so".to_owned(),
    }
}

pub fn problem(crew_text: &str, horizon: i64, tasks: Vec<Task>) -> Problem {
    Problem {
        days: days(horizon),
        tasks,
        waiting: Vec::new(),
        crew: crew(crew_text),
        walk: vec![RoomId::new("R1").unwrap(), RoomId::new("R2").unwrap()],
        rooms: Vec::new(),
    }
}
