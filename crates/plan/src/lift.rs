//! The plan's lifting: each person's shift through the revised NIOSH equation.

use std::collections::BTreeMap;

use facts::PersonId;
use lifting::{Caution, Duration, advise};
use quantity::DairyDay;
use serde::{Deserialize, Serialize};

use crate::model::Model;
use crate::{Kind, Problem, Stop};

/// One kind of lifting in one person's shift.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LiftingLine {
    /// The day.
    pub day: DairyDay,
    /// Who.
    pub person: PersonId,
    /// The work.
    pub kind: Kind,
    /// Wheels lifted.
    pub wheels: usize,
    /// The heaviest of their stops' mean weights, kg.
    pub wheel_kg: f64,
    /// All lifts together, kg.
    pub all_kg: f64,
    /// Lifting index; `None` when no weight at all is recommended at this pace.
    pub index: Option<f64>,
    /// How much care it asks for.
    pub caution: Caution,
    /// In words, with what lowers it.
    pub words: String,
}

/// Every kind of lifting above an index of 1 on the plan's first day. How long someone
/// lifts is all of their lifting that day, taken as one stretch: the careful side.
pub fn judge(problem: &Problem, model: &Model, stops: &[Stop]) -> Vec<LiftingLine> {
    let Some(first) = problem.days.first() else {
        return Vec::new();
    };
    let weights: BTreeMap<&str, f64> = problem
        .tasks
        .iter()
        .map(|task| (task.id.as_str(), task.wheel_kg))
        .collect();
    let mut shifts: BTreeMap<PersonId, BTreeMap<Kind, (usize, f64, f64)>> = BTreeMap::new();
    let mut minutes: BTreeMap<PersonId, f64> = BTreeMap::new();
    for stop in stops.iter().filter(|stop| stop.day == *first) {
        if problem.crew.lifts.contains_key(&stop.kind) {
            let kg = weights.get(stop.task.as_str()).copied().unwrap_or(0.0);
            let work = shifts.entry(stop.person).or_default();
            let sum = work.entry(stop.kind).or_default();
            sum.0 += stop.wheels.len();
            sum.1 = sum.1.max(kg);
            sum.2 += kg * stop.wheels.len() as f64;
            *minutes.entry(stop.person).or_default() += stop.minutes;
        }
    }
    let mut lines = Vec::new();
    for (person, work) in shifts {
        let shift = minutes.get(&person).copied().unwrap_or(0.0);
        let duration = Duration::of_minutes(shift).unwrap_or(Duration::UpToEightHours);
        for (kind, (wheels, wheel_kg, sum_kg)) in work {
            let (Some(handling), Some(needs)) =
                (problem.crew.lifts.get(&kind), model.needs.get(&kind))
            else {
                continue;
            };
            let pace = handling.lifts_per_wheel * 60.0 / needs.seconds as f64;
            let lift = handling.at(pace.min(60.0), duration);
            let Ok(advice) = advise(&lift, wheel_kg) else {
                continue;
            };
            if advice.caution == Caution::None {
                continue;
            }
            let degree = match advice.caution {
                Caution::Strong => "STRONG CAUTION",
                _ => "caution",
            };
            let index = match (advice.index, advice.limit.none) {
                (Some(index), _) => format!("lifting index {index:.2}"),
                (None, Some(why)) => format!("no weight recommended: {}", why.words()),
                (None, None) => "no weight recommended".to_owned(),
            };
            let helps: Vec<String> = advice
                .remedies
                .iter()
                .take(4)
                .map(|remedy| format!("{} ({:.2})", remedy.words, remedy.index))
                .collect();
            let words = format!(
                "{degree}: {person}, {} {wheels} wheels of {wheel_kg:.1} kg, {pace:.1} lifts a minute, {}: {index}. What lowers it: {}. Local rules and your risk assessment decide.",
                kind.words(),
                duration.words(),
                helps.join("; ")
            );
            lines.push(LiftingLine {
                day: *first,
                person,
                kind,
                wheels,
                wheel_kg,
                all_kg: sum_kg * handling.lifts_per_wheel,
                index: advice.index,
                caution: advice.caution,
                words,
            });
        }
    }
    lines.sort_by_key(|line| std::cmp::Reverse(line.caution));
    lines
}
