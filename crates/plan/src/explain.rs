//! Why work is late, what cannot be met, and what would help.

use std::collections::BTreeMap;

use quantity::DairyDay;

use crate::deal::{Deal, Unit};
use crate::make::{Fix, Postponed, Unmet};
use crate::model::Flow;
use crate::model::{Class, Model, Net, Relief, SCALE};
use crate::{Kind, Problem, Task};

/// Most single changes that are tried.
const TRIALS: usize = 48;

/// An hour, s.
const HOUR: i64 = 3_600;

/// A plan in the making.
pub struct Parts<'a> {
    pub problem: &'a Problem,
    pub model: &'a Model,
    pub units: &'a [Unit],
    pub deal: &'a Deal,
    pub flow: &'a Flow,
    pub net: &'a Net,
}

/// `Tue 3 Mar`
fn short(day: DairyDay) -> String {
    day.date().format("%a %-d %b").to_string()
}

/// `1 wheel`, `12 wheels`
fn counted(wheels: i64) -> String {
    match wheels {
        1 => "1 wheel".to_owned(),
        more => format!("{more} wheels"),
    }
}

/// `pierce batch 311 on stillage S07 in R3`
fn what(task: &Task) -> String {
    let mut words = task.kind.words().to_owned();
    if let Some(to) = task.to.filter(|_| task.kind != Kind::Unhoop) {
        words.push_str(&format!(" to {to}"));
    }
    if let Some(batch) = task.batch {
        words.push_str(&format!(" batch {batch}"));
    }
    if let Some(carrier) = task.carrier {
        words.push_str(&format!(" on {carrier}"));
    }
    if let Some(room) = task.room {
        words.push_str(&format!(" in {room}"));
    }
    words
}

impl Parts<'_> {
    fn day(&self, index: usize) -> Option<DairyDay> {
        self.problem.days.get(index).copied()
    }

    /// What keeps a class from being done on a day, to be followed by the day; `None` when
    /// a wheel would still fit.
    fn full(&self, class: &Class, day: usize) -> Option<String> {
        let needs = self.model.needs.get(&class.kind)?;
        if let Some(room) = class.to
            && self.deal.left.gates.get(&(room, day)) == Some(&0)
        {
            return Some(format!("{room} has no free place"));
        }
        if let Some(machine) = needs.machine
            && self.deal.left.machines[day][machine] < needs.seconds
        {
            let (id, seconds) = &self.model.machines[machine];
            return Some(if seconds[day] == 0 {
                format!("machine {id} stands still")
            } else {
                format!("machine {id} is full")
            });
        }
        let skill = &self.model.skills[needs.skill];
        let pools = self
            .model
            .pools
            .iter()
            .filter(|pool| pool.skills.contains(&needs.skill));
        let (mut there, mut room) = (false, false);
        for pool in pools {
            there |= pool.seconds[day] > 0;
            room |= pool
                .people
                .iter()
                .any(|p| self.deal.left.people[day][*p] >= needs.seconds);
        }
        match (there, room) {
            (_, true) => None,
            (true, false) => Some(format!("everyone for {skill} is full")),
            (false, false) => Some(format!("nobody for {skill} works")),
        }
    }

    fn reasons(&self, class: &Class, from: usize, until: usize) -> String {
        let until = until.min(self.model.days.saturating_sub(1));
        let days: Vec<_> = (from..=until).map(|d| (d, self.full(class, d))).collect();
        let said = |run: &[(usize, Option<String>)]| {
            let [(first, Some(reason)), ..] = run else {
                return None;
            };
            let first = short(self.day(*first)?);
            Some(match run.last() {
                Some((last, _)) if run.len() > 1 => {
                    format!("{reason} from {first} to {}", short(self.day(*last)?))
                }
                _ => format!("{reason} on {first}"),
            })
        };
        let mut reasons: Vec<String> = days.chunk_by(|a, b| a.1 == b.1).filter_map(said).collect();
        let more = reasons.len().saturating_sub(4);
        reasons.truncate(4);
        if more > 0 {
            reasons.push("and so on".to_owned());
        }
        if reasons.is_empty() {
            "its time goes to work whose windows close sooner".to_owned()
        } else {
            reasons.join(", ")
        }
    }

    /// Late work, and work that yesterday's plan had sooner.
    pub fn postponed(&self) -> Vec<Postponed> {
        let mut wheels: BTreeMap<(usize, Option<usize>), i64> = BTreeMap::new();
        for dealt in &self.deal.dealt {
            *wheels.entry((dealt.unit, Some(dealt.day))).or_default() += dealt.wheels;
        }
        for (unit, later) in self.deal.later.iter().enumerate() {
            if *later > 0 {
                wheels.insert((unit, None), *later);
            }
        }
        let mut postponed = Vec::new();
        for ((u, day), wheels) in wheels {
            let unit = &self.units[u];
            let class = &unit.class;
            let on = day.unwrap_or(self.model.days);
            let was = class.yesterday.filter(|was| on > *was);
            let late = i64::try_from(on).unwrap_or(i64::MAX) > class.due.max(0);
            let due = usize::try_from(class.due.max(0)).unwrap_or_default();
            let from = match (was, late) {
                (Some(was), _) => was,
                (None, true) => due.max(class.earliest),
                (None, false) => continue,
            };
            if from >= on {
                continue;
            }
            let task = &self.problem.tasks[unit.task];
            let Some(from_day) = self.day(from) else {
                continue;
            };
            let to = day.and_then(|day| self.day(day));
            let until = to.map_or("after the plan".to_owned(), short);
            let planned = if was.is_some() { "planned" } else { "due" };
            postponed.push(Postponed {
                task: task.id.clone(),
                words: format!(
                    "{}: {} {planned} {} put off to {until}: {}",
                    what(task),
                    counted(wheels),
                    short(from_day),
                    self.reasons(class, class.earliest.min(from), on.saturating_sub(1))
                ),
                wheels: usize::try_from(wheels).unwrap_or_default(),
                from: from_day,
                to,
            });
        }
        postponed.sort_by(|a, b| (a.from, &a.task).cmp(&(b.from, &b.task)));
        postponed
    }

    /// Work whose window breaks.
    pub fn unmet(&self) -> Vec<Unmet> {
        let mut unmet: Vec<Unmet> = Vec::new();
        let mut done: BTreeMap<usize, i64> = BTreeMap::new();
        for dealt in &self.deal.dealt {
            *done.entry(self.units[dealt.unit].task).or_default() += dealt.wheels;
        }
        for (u, wheels) in self.deal.unmet.iter().enumerate() {
            if *wheels == 0 {
                continue;
            }
            let unit = &self.units[u];
            let task = &self.problem.tasks[unit.task];
            let skip = done.entry(unit.task).or_default();
            let names = task
                .wheels
                .iter()
                .skip(usize::try_from(*skip).unwrap_or_default())
                .take(usize::try_from(*wheels).unwrap_or_default());
            let names = names.copied().collect();
            *skip += *wheels;
            unmet.push(Unmet {
                task: task.id.clone(),
                kind: task.kind,
                words: format!(
                    "{}: {wheels} of {} wheels cannot be done by {}: {}",
                    what(task),
                    task.wheels.len(),
                    short(task.latest),
                    self.reasons(&unit.class, unit.class.earliest, unit.class.latest)
                ),
                wheels: names,
                latest: task.latest,
            });
        }
        unmet.sort_by(|a, b| (a.latest, &a.task).cmp(&(b.latest, &b.task)));
        unmet
    }

    /// Tries single changes, each by solving again, and keeps those that help.
    pub fn fixes(&self) -> Vec<Fix> {
        let [broken, late, ..] = self.flow.cost;
        if broken == 0 && self.deal.unmet.iter().any(|wheels| *wheels > 0) {
            return self.minutes_short();
        }
        if broken == 0 && late == 0 {
            return Vec::new();
        }
        let trials = self.trials(broken > 0);
        let before: f64 = self.model.unmet(self.net, self.flow).iter().sum();
        let mut fixes = Vec::new();
        for (words, model) in trials.into_iter().take(TRIALS) {
            let (net, flow) = model.solve();
            let [now_broken, now_late, ..] = flow.cost;
            let saves = before - model.unmet(&net, &flow).iter().sum::<f64>();
            let saves_late = i64::try_from((late - now_late) / i128::from(SCALE)).unwrap_or(0);
            if (now_broken, now_late) < (broken, late) {
                let fix = Fix {
                    words,
                    saves: (saves + 0.5).floor() as i64,
                    saves_late,
                };
                if fix.saves > 0 || (broken == 0 && fix.saves_late > 0) {
                    fixes.push((now_broken, now_late, fix));
                }
            }
        }
        fixes.sort_by_key(|(broken, late, _)| (*broken, *late));
        fixes.into_iter().map(|(.., fix)| fix).take(5).collect()
    }

    /// Where only whole wheels do not fit: how many minutes are short.
    fn minutes_short(&self) -> Vec<Fix> {
        let unmet = self.units.iter().zip(&self.deal.unmet);
        let fixes = unmet.filter_map(|(unit, wheels)| {
            let class = &unit.class;
            let needs = self.model.needs.get(&class.kind).filter(|_| *wheels > 0)?;
            let minutes = (wheels * needs.seconds + 59) / 60;
            let until = class.latest.min(self.model.days.saturating_sub(1));
            let free = |day: &usize| {
                needs
                    .machine
                    .is_none_or(|m| self.deal.left.machines[*day][m] >= wheels * needs.seconds)
            };
            let skill = &self.model.skills[needs.skill];
            let words = match (class.earliest..=until).find(free) {
                Some(day) => {
                    format!(
                        "{minutes} more minutes for {skill} on {}",
                        short(self.day(day)?)
                    )
                }
                None => format!(
                    "{minutes} more minutes for {skill} and of its machine on {}",
                    short(self.day(until)?)
                ),
            };
            Some(Fix {
                words,
                saves: *wheels,
                saves_late: 0,
            })
        });
        fixes.take(5).collect()
    }

    /// Changes worth trying: an hour more of people, of a machine, of both; a window a
    /// day wider. `broken`: for broken windows, else for lateness.
    fn trials(&self, broken: bool) -> Vec<(String, Model)> {
        let mut trials: BTreeMap<String, Model> = BTreeMap::new();
        let unmet = self.model.unmet(self.net, self.flow);
        let classes = self.model.classes.keys().zip(unmet).enumerate();
        for (c, (class, unmet)) in classes {
            let is_late = |(day, arc): &(usize, usize)| {
                i64::try_from(*day).unwrap_or(i64::MAX) > class.due && self.flow.through[*arc] > 0
            };
            let late = self.net.on_day[c].iter().any(is_late)
                || self.net.later[c].is_some_and(|arc| self.flow.through[arc] > 0);
            let wanted = if broken { unmet > 0.0 } else { late };
            let Some(needs) = self.model.needs.get(&class.kind).filter(|_| wanted) else {
                continue;
            };
            let until = if broken {
                class.latest
            } else {
                usize::try_from(class.due.max(0)).unwrap_or_default()
            };
            for day in class.earliest..=until.min(self.model.days.saturating_sub(1)) {
                let Some(on) = self.day(day).map(short) else {
                    continue;
                };
                let skill = &self.model.skills[needs.skill];
                let people = Relief::People(needs.skill, day, HOUR);
                let mut add = |words: String, relief: Vec<Relief>| {
                    trials.entry(words).or_insert_with(|| Model {
                        relief,
                        ..self.model.clone()
                    });
                };
                add(format!("one more hour for {skill} on {on}"), vec![people]);
                if let Some(machine) = needs.machine {
                    let id = self.model.machines[machine].0;
                    let hour = Relief::Machine(machine, day, HOUR);
                    add(format!("one more hour of machine {id} on {on}"), vec![hour]);
                    add(
                        format!("one more hour of machine {id} and for {skill} on {on}"),
                        vec![hour, people],
                    );
                }
            }
            if broken && class.kind != Kind::Turn {
                self.wider(class, &mut trials);
            }
        }
        trials.into_iter().collect()
    }

    fn wider(&self, class: &Class, trials: &mut BTreeMap<String, Model>) {
        let units = self.units.iter().filter(|unit| unit.class == *class);
        let mut batches: Vec<String> = units
            .filter_map(|unit| self.problem.tasks[unit.task].batch)
            .map(|batch| batch.to_string())
            .collect();
        batches.sort();
        batches.dedup();
        let more = batches.len().saturating_sub(3);
        batches.truncate(3);
        let mut whose = format!("batch {}", batches.join(", "));
        if more > 0 {
            whose.push_str(&format!(" and {more} more"));
        }
        let mut widen = |changed: Class, day: usize, how: &str| {
            if let Some(on) = self.day(day).map(short) {
                let mut model = self.model.clone();
                if let Some(wheels) = model.classes.remove(class) {
                    *model.classes.entry(changed).or_default() += wheels;
                }
                let words = format!("{} {whose} on {on}, a day {how}", class.kind.words());
                trials.insert(words, model);
            }
        };
        if let Some(day) = class.earliest.checked_sub(1) {
            let earlier = Class {
                earliest: day,
                ..class.clone()
            };
            widen(earlier, day, "before its window opens");
        }
        if !class.later && class.latest + 1 < self.model.days {
            let later = Class {
                latest: class.latest + 1,
                ..class.clone()
            };
            widen(later, class.latest + 1, "after its window closes");
        }
    }
}
