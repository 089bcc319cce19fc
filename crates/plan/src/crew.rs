//! The crew file: who works when, what they can do, how long work takes, what the
//! machines manage, how wheels are lifted. Read from TOML and checked.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike as _, NaiveDate, Weekday};
use facts::{PersonId, ToolId};
use lifting::Coupling;
use quantity::DairyDay;
use recipe::{Located, Origin};
use serde::{Deserialize, Serialize};
use toml::Spanned;

use crate::Kind;

/// Most minutes anyone or anything may work in a day.
const DAY_MINUTES: i64 = 24 * 60;

/// A crew file, once it has been read and found consistent.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Crew {
    /// How each kind of work is done.
    pub rules: BTreeMap<Kind, TaskRule>,
    /// People, in the file's order.
    pub people: Vec<Person>,
    /// Machines, in the file's order.
    pub machines: Vec<Machine>,
    /// How wheels are lifted, by kind of work.
    pub lifts: BTreeMap<Kind, Handling>,
    /// What a maturing wheel loses of its weight in a week, %.
    pub weight_loss_pct_per_week: f64,
}

/// How one kind of work is done.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct TaskRule {
    /// How long one wheel takes one person, s.
    pub seconds_per_wheel: i64,
    /// The skill it needs.
    pub skill: String,
    /// The machine it needs for the same time.
    pub machine: Option<ToolId>,
    /// How many missed turns a broken window of this counts as.
    pub counts_as: i64,
}

/// Someone who works.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Person {
    /// Badge.
    pub badge: PersonId,
    /// What they can do.
    pub skills: BTreeSet<String>,
    /// Minutes on a day that they work.
    pub minutes: i64,
    /// Weekdays they work on.
    pub works: BTreeSet<u32>,
    /// Days off.
    pub off: BTreeSet<NaiveDate>,
    /// Days with other minutes than usual, on which they work whatever the weekday.
    pub special: BTreeMap<NaiveDate, i64>,
}

/// A machine.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Machine {
    /// Its code.
    pub id: ToolId,
    /// Minutes it may run in a day.
    pub minutes: i64,
    /// Days on which it stands still.
    pub off: BTreeSet<NaiveDate>,
}

/// How a wheel is lifted in one kind of work.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Handling {
    /// How often each wheel is lifted.
    pub lifts_per_wheel: f64,
    /// From between the ankles out to the hands, cm.
    pub reach_cm: f64,
    /// Height of the hands where the lift starts, cm.
    pub height_cm: f64,
    /// How far up or down the wheel travels, cm.
    pub travel_cm: f64,
    /// How far the body twists, degrees.
    #[serde(default)]
    pub twist_deg: f64,
    /// How well the hands hold.
    pub coupling: Coupling,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    #[serde(default)]
    task: Vec<Spanned<TaskTable>>,
    #[serde(default)]
    person: Vec<Spanned<PersonTable>>,
    #[serde(default)]
    machine: Vec<Spanned<MachineTable>>,
    #[serde(default)]
    lift: BTreeMap<Kind, Spanned<Handling>>,
    #[serde(default)]
    weight_loss_pct_per_week: Option<Spanned<f64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TaskTable {
    kind: Kind,
    seconds_per_wheel: Spanned<i64>,
    skill: Spanned<String>,
    machine: Option<Spanned<ToolId>>,
    counts_as: Option<Spanned<i64>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PersonTable {
    badge: Spanned<PersonId>,
    skills: Spanned<Vec<String>>,
    minutes: Spanned<i64>,
    #[serde(default)]
    works: Option<Spanned<Vec<String>>>,
    #[serde(default)]
    off: Vec<Spanned<String>>,
    #[serde(default)]
    special: Vec<Spanned<SpecialTable>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SpecialTable {
    day: Spanned<String>,
    minutes: Spanned<i64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct MachineTable {
    id: Spanned<ToolId>,
    minutes: Spanned<i64>,
    #[serde(default)]
    off: Vec<Spanned<String>>,
}

impl Crew {
    /// Reads and checks a crew file.
    ///
    /// # Errors
    /// [`Located`] points at the first thing that is wrong.
    pub fn parse(origin: &Origin<'_>) -> Result<Self, Located> {
        let file: File = origin.toml()?;
        let machines = read_machines(origin, &file.machine)?;
        let rules = read_rules(origin, &file.task, &machines)?;
        let people = read_people(origin, &file.person, &rules)?;
        for rule in rules.values() {
            if !people.iter().any(|p| p.skills.contains(&rule.skill)) {
                let message = format!(
                    "nobody has the skill {:?} that work here asks for: give it to a [[person]]",
                    rule.skill
                );
                return Err(origin.error(0..0, message));
            }
        }
        let mut lifts = BTreeMap::new();
        for (kind, handling) in &file.lift {
            let lift = handling.get_ref();
            let good = lift.lifts_per_wheel > 0.0 && lift.lifts_per_wheel <= 20.0;
            if !good {
                let message = "lifts_per_wheel must be above 0 and at most 20";
                return Err(origin.error(handling.span(), message));
            }
            if let Err(error) = lift.at(1.0, lifting::Duration::UpToOneHour).limit() {
                return Err(origin.error(handling.span(), error.to_string()));
            }
            lifts.insert(*kind, *lift);
        }
        let weight_loss_pct_per_week = match &file.weight_loss_pct_per_week {
            None => 0.0,
            Some(loss) if (0.0..=20.0).contains(loss.get_ref()) => *loss.get_ref(),
            Some(loss) => {
                let message = "weight_loss_pct_per_week must be 0 to 20 %";
                return Err(origin.error(loss.span(), message));
            }
        };
        Ok(Self {
            rules,
            people,
            machines,
            lifts,
            weight_loss_pct_per_week,
        })
    }
}

impl Handling {
    /// The lift at a pace, for a time.
    #[must_use]
    pub const fn at(&self, lifts_per_minute: f64, duration: lifting::Duration) -> lifting::Lift {
        lifting::Lift {
            reach_cm: self.reach_cm,
            height_cm: self.height_cm,
            travel_cm: self.travel_cm,
            twist_deg: self.twist_deg,
            coupling: self.coupling,
            lifts_per_minute,
            duration,
        }
    }
}

impl Person {
    /// How long they work on a dairy day, s.
    #[must_use]
    pub fn seconds_on(&self, day: DairyDay) -> i64 {
        let date = day.date();
        if self.off.contains(&date) {
            return 0;
        }
        if let Some(minutes) = self.special.get(&date) {
            return minutes * 60;
        }
        if self.works.contains(&date.weekday().num_days_from_monday()) {
            self.minutes * 60
        } else {
            0
        }
    }
}

impl Machine {
    /// How long it may run on a dairy day, s.
    #[must_use]
    pub fn seconds_on(&self, day: DairyDay) -> i64 {
        if self.off.contains(&day.date()) {
            0
        } else {
            self.minutes * 60
        }
    }
}

fn read_machines(
    origin: &Origin<'_>,
    tables: &[Spanned<MachineTable>],
) -> Result<Vec<Machine>, Located> {
    let mut machines: Vec<Machine> = Vec::new();
    for table in tables {
        let table = table.get_ref();
        let id = *table.id.get_ref();
        if machines.iter().any(|m| m.id == id) {
            let message = format!("machine {id} stands here twice: each machine once");
            return Err(origin.error(table.id.span(), message));
        }
        machines.push(Machine {
            id,
            minutes: minutes(origin, &table.minutes)?,
            off: dates(origin, &table.off)?,
        });
    }
    Ok(machines)
}

fn read_rules(
    origin: &Origin<'_>,
    tables: &[Spanned<TaskTable>],
    machines: &[Machine],
) -> Result<BTreeMap<Kind, TaskRule>, Located> {
    let mut rules: BTreeMap<Kind, TaskRule> = BTreeMap::new();
    for table in tables {
        let span = table.span();
        let table = table.get_ref();
        let kind = table.kind;
        if rules.contains_key(&kind) {
            let message = format!("{} stands here twice: each kind once", kind.key());
            return Err(origin.error(span, message));
        }
        let seconds_per_wheel = *table.seconds_per_wheel.get_ref();
        if !(1..=3_600).contains(&seconds_per_wheel) {
            let message =
                format!("seconds_per_wheel is {seconds_per_wheel}, but must be 1 to 3600");
            return Err(origin.error(table.seconds_per_wheel.span(), message));
        }
        let counts_as = table.counts_as.as_ref().map_or(1, |c| *c.get_ref());
        if let Some(given) = &table.counts_as
            && !(1..=1_000).contains(&counts_as)
        {
            let message = format!("counts_as is {counts_as}, but must be 1 to 1000");
            return Err(origin.error(given.span(), message));
        }
        let skill = table.skill.get_ref().trim().to_owned();
        if skill.is_empty() {
            let message = "skill is empty: name what a person must be able to do";
            return Err(origin.error(table.skill.span(), message));
        }
        if let Some(machine) = &table.machine {
            let id = *machine.get_ref();
            if !machines.iter().any(|m| m.id == id) {
                let message = format!("there is no [[machine]] {id}: add it, or drop this line");
                return Err(origin.error(machine.span(), message));
            }
            let other = rules
                .values()
                .find(|r| r.machine == Some(id) && r.skill != skill);
            if let Some(other) = other {
                let message = format!(
                    "machine {id} is already used with the skill {:?}: one machine, one skill",
                    other.skill
                );
                return Err(origin.error(machine.span(), message));
            }
        }
        rules.insert(
            kind,
            TaskRule {
                seconds_per_wheel,
                skill,
                machine: table.machine.as_ref().map(|m| *m.get_ref()),
                counts_as,
            },
        );
    }
    for kind in Kind::ALL {
        if !rules.contains_key(&kind) {
            let message = format!(
                "no [[task]] with kind = {:?}: say how many seconds a wheel takes and which skill it needs",
                kind.key()
            );
            return Err(origin.error(0..0, message));
        }
    }
    for follows in [Kind::RubUp, Kind::Place] {
        if rules[&follows].skill != rules[&Kind::Unhoop].skill {
            let table = tables.iter().find(|t| t.get_ref().kind == follows);
            let span = table.map_or(0..0, |t| t.get_ref().skill.span());
            let message = format!(
                "{} follows unhooping the same day, so it needs the same skill, {:?}",
                follows.key(),
                rules[&Kind::Unhoop].skill
            );
            return Err(origin.error(span, message));
        }
    }
    Ok(rules)
}

fn read_people(
    origin: &Origin<'_>,
    tables: &[Spanned<PersonTable>],
    rules: &BTreeMap<Kind, TaskRule>,
) -> Result<Vec<Person>, Located> {
    let mut people: Vec<Person> = Vec::new();
    for table in tables {
        let table = table.get_ref();
        let badge = *table.badge.get_ref();
        if people.iter().any(|p| p.badge == badge) {
            let message = format!("badge {badge} stands here twice: each person once");
            return Err(origin.error(table.badge.span(), message));
        }
        let skills: BTreeSet<String> = table.skills.get_ref().iter().cloned().collect();
        for skill in &skills {
            if !rules.values().any(|rule| rule.skill == *skill) {
                let known: BTreeSet<_> = rules.values().map(|r| r.skill.as_str()).collect();
                let message = format!(
                    "no [[task]] asks for the skill {skill:?}: use one of {}",
                    known.into_iter().collect::<Vec<_>>().join(", ")
                );
                return Err(origin.error(table.skills.span(), message));
            }
        }
        let works = match &table.works {
            None => (0..7).collect(),
            Some(days) => {
                let read = days.get_ref().iter().map(|day| {
                    day.parse::<Weekday>()
                        .map(|d| d.num_days_from_monday())
                        .map_err(|_| {
                            let message =
                                format!("{day:?} is no weekday: write \"Mon\" to \"Sun\"");
                            origin.error(days.span(), message)
                        })
                });
                read.collect::<Result<_, _>>()?
            }
        };
        let mut special = BTreeMap::new();
        for day in &table.special {
            let day = day.get_ref();
            special.insert(date(origin, &day.day)?, minutes(origin, &day.minutes)?);
        }
        people.push(Person {
            badge,
            skills,
            minutes: minutes(origin, &table.minutes)?,
            works,
            off: dates(origin, &table.off)?,
            special,
        });
    }
    Ok(people)
}

fn minutes(origin: &Origin<'_>, value: &Spanned<i64>) -> Result<i64, Located> {
    let minutes = *value.get_ref();
    if (0..=DAY_MINUTES).contains(&minutes) {
        Ok(minutes)
    } else {
        let message = format!("minutes is {minutes}, but a day has 0 to {DAY_MINUTES}");
        Err(origin.error(value.span(), message))
    }
}

fn dates(origin: &Origin<'_>, values: &[Spanned<String>]) -> Result<BTreeSet<NaiveDate>, Located> {
    values.iter().map(|value| date(origin, value)).collect()
}

fn date(origin: &Origin<'_>, value: &Spanned<String>) -> Result<NaiveDate, Located> {
    let day = value.get_ref().parse().map_err(|_| {
        let message = format!(
            "{:?} is no day: write it as \"2026-03-04\"",
            value.get_ref()
        );
        origin.error(value.span(), message)
    })?;
    quantity::calendar::date(day).map_err(|outside| origin.error(value.span(), outside.to_string()))
}
