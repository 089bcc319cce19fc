//! Why wheels go where they go, why wheels are missing, and what would help.

use std::collections::BTreeMap;

use facts::Grade;
use quantity::{DairyDay, Grams};

use crate::allocate::{Problem, Settled};
use crate::allocation::{Assigned, Shortage};
use crate::deal::Share;
use crate::fit::{LEAST_CHANCE, Misfit, best_way, fit};
use crate::stock::{Lot, Source};
use crate::wanted::{Shipment, Wanted};

/// Most reasons and most options that are told.
const TOLD: usize = 5;

/// How many days ahead a later date is looked for.
const LATER_DAYS: i64 = 28;

/// Why wheels of a lot go to a line, in words.
pub(crate) fn because(lot: &Lot, wanted: &Wanted, share: &Share) -> String {
    let arrive = share.way.arrivals.likely().unwrap_or(share.way.leave_on);
    let age = arrive.days_since(lot.made);
    let window = wanted.window;
    let mut words = format!(
        "made {}: {age} days old on arrival ({} to {} {})",
        lot.made.date(),
        window.least,
        window.most,
        if window.asked {
            "ordered"
        } else {
            "best there"
        },
    );
    if lot.key.graded {
        words.push_str(&format!(", graded {}", lot.key.grade));
    } else {
        words.push_str(&format!(", expected as grade {}", lot.key.grade));
    }
    if share.fit.ready < 1.0 {
        words.push_str(&format!(
            ", ready by then with {:.0} %",
            share.fit.ready * 100.0
        ));
    }
    if let Some(hold) = lot.key.awaits {
        words.push_str(&format!(", waits for the release of {hold}"));
    }
    let usual = wanted.ways.first().is_some_and(|first| *first == share.way);
    if share.locked {
        words.push_str("; as the customer was told");
        if share.fit.ready < LEAST_CHANCE {
            words.push_str(", BUT AT RISK: it is unlikely to be ready");
        }
    } else if !usual && let Some(first) = wanted.ways.first() {
        words.push_str(&format!("; not ready to leave on {}", first.leave_on));
    } else {
        words.push_str("; the oldest that fit");
    }
    words
}

/// Explains shortages from what is left.
pub(crate) struct Explainer<'a> {
    problem: &'a Problem<'a>,
    settled: &'a Settled,
}

impl<'a> Explainer<'a> {
    pub(crate) const fn new(problem: &'a Problem<'a>, settled: &'a Settled) -> Self {
        Self { problem, settled }
    }

    pub(crate) fn shortage(&self, line: usize, short: usize, assigned: &[Assigned]) -> Shortage {
        let wanted = &self.problem.lines[line];
        let why = self.why(line);
        let options = self.options(wanted, short, assigned);
        let first = why
            .first()
            .cloned()
            .unwrap_or_else(|| format!("there is no {} in the house or planned", wanted.recipe));
        let mut words = format!("short {short}: {first}");
        if !options.is_empty() {
            words.push_str(&format!("; options: {}", options.join(", ")));
        }
        Shortage {
            words,
            why,
            options,
        }
    }

    /// Why nothing more was given, what concerns most wheels first.
    fn why(&self, line: usize) -> Vec<String> {
        let wanted = &self.problem.lines[line];
        let mut reasons: Vec<(u8, usize, String)> = Vec::new();
        let mut grades: BTreeMap<Grade, usize> = BTreeMap::new();
        let mut weights: Option<(usize, u32, u32)> = None;
        let mut late: BTreeMap<Source, (usize, f64, &Lot)> = BTreeMap::new();
        let mut taken: BTreeMap<usize, usize> = BTreeMap::new();
        let mut others: BTreeMap<String, usize> = BTreeMap::new();
        for (place, lot) in self.problem.stock.lots.iter().enumerate() {
            let misfit = match best_way(lot, wanted, self.problem.now.today) {
                Ok(_) => {
                    for share in &self.settled.shares {
                        if share.lot == place && share.line != line {
                            *taken.entry(share.line).or_default() += share.wheels();
                        }
                    }
                    continue;
                }
                Err(misfit) => misfit,
            };
            match misfit {
                Misfit::Recipe => {}
                Misfit::Grade | Misfit::MarketGrade => {
                    *grades.entry(lot.key.grade).or_default() += lot.count;
                }
                Misfit::Weight => {
                    let known = weights.get_or_insert((0, u32::MAX, 0));
                    known.0 += lot.count;
                    known.1 = known.1.min(lot.weighs_g.0);
                    known.2 = known.2.max(lot.weighs_g.1);
                }
                Misfit::NotReady(chance) => {
                    late.entry(lot.key.source).or_insert((0, chance, lot)).0 += lot.count;
                }
                Misfit::Reserved => {
                    *others
                        .entry("reserved for other orders".to_owned())
                        .or_default() += lot.count;
                }
                Misfit::UnderLegalAge(age) => {
                    let least = wanted.window.legal_least.unwrap_or_default();
                    let words = format!(
                        "of {} would be {age} days old on arrival, and the law in {} asks for {least}",
                        lot.key.source, wanted.market
                    );
                    *others.entry(words).or_default() += lot.count;
                }
                Misfit::TooLittleLife(days) => {
                    let words = format!(
                        "of {} would have {days} days left before best-before on arrival, {} are asked for",
                        lot.key.source, wanted.least_life_days
                    );
                    *others.entry(words).or_default() += lot.count;
                }
                Misfit::OutsideWindow(age) => {
                    let words = format!(
                        "of {} would be {age} days old on arrival, {} to {} are ordered",
                        lot.key.source, wanted.window.least, wanted.window.most
                    );
                    *others.entry(words).or_default() += lot.count;
                }
                Misfit::NotReleased => {
                    let words = format!("of {} are not released yet", lot.key.source);
                    *others.entry(words).or_default() += lot.count;
                }
            }
        }
        let leave = wanted.ways.first().map(|way| way.leave_on);
        for (source, (count, chance, lot)) in late {
            reasons.push((0, count, late_words(source, count, chance, lot, leave)));
        }
        let held = self.problem.stock.kept.iter();
        for ((recipe, batch, _, kept), count) in held {
            if *recipe == wanted.recipe {
                reasons.push((
                    1,
                    *count,
                    format!("{count} of batch {batch} are {}", kept.words()),
                ));
            }
        }
        for (other, count) in taken {
            let key = self.problem.lines[other].key;
            reasons.push((2, count, format!("{count} that fit go to {key}")));
        }
        for (grade, count) in grades {
            reasons.push((3, count, format!("{count} are of grade {grade}")));
        }
        if let Some((count, least, most)) = weights {
            let range = format!("{} to {}", kilograms(least), kilograms(most));
            reasons.push((
                3,
                count,
                format!("{count} weigh {range}, which was not ordered"),
            ));
        }
        for (words, count) in others {
            reasons.push((3, count, format!("{count} {words}")));
        }
        if wanted.ways.is_empty() {
            reasons.push((0, usize::MAX, wanted.trouble.clone().unwrap_or_default()));
        }
        reasons.sort_by(|a, b| {
            (a.0, std::cmp::Reverse(a.1), &a.2).cmp(&(b.0, std::cmp::Reverse(b.1), &b.2))
        });
        reasons
            .into_iter()
            .map(|(.., words)| words)
            .take(TOLD)
            .collect()
    }

    /// What could be done with wheels that nobody was given.
    fn options(&self, wanted: &Wanted, short: usize, assigned: &[Assigned]) -> Vec<String> {
        let mut options = Vec::new();
        let lower = Wanted {
            grade: Grade::C,
            ..wanted.clone()
        };
        let lower = self.spare(&lower, short, &wanted.ways);
        options.extend(
            lower
                .iter()
                .filter(|(_, lot)| lot.key.grade > wanted.grade)
                .map(|(count, lot)| {
                    format!("{count} of {} at grade {}", lot.key.source, lot.key.grade)
                }),
        );
        if wanted.each_g.is_some() {
            let other = Wanted {
                each_g: None,
                ..wanted.clone()
            };
            let other = self.spare(&other, short, &wanted.ways);
            options.extend(other.iter().map(|(count, lot)| {
                let range = (kilograms(lot.weighs_g.0), kilograms(lot.weighs_g.1));
                format!(
                    "{count} of {} that weigh {} to {}",
                    lot.key.source, range.0, range.1
                )
            }));
        }
        let mut lanes = Vec::new();
        for way in &wanted.dearer {
            let count: usize = self
                .spare(wanted, short, std::slice::from_ref(way))
                .iter()
                .map(|(count, _)| count)
                .sum();
            if count > 0 && way.on_time >= LEAST_CHANCE && !lanes.contains(&way.lane) {
                lanes.push(way.lane);
                let arrive = way.arrivals.likely().unwrap_or(way.leave_on);
                options.push(format!(
                    "ship {count} on {} by {} (arrives {arrive})",
                    way.leave_on, way.lane
                ));
            }
        }
        if let Some((count, way)) = self.later(wanted, short) {
            let arrive = way.arrivals.likely().unwrap_or(way.leave_on);
            let now: usize = assigned.iter().map(|part| part.count).sum();
            options.push(if now > 0 {
                format!("split: {now} now and {count} for {arrive}")
            } else {
                format!("{count} for {arrive} instead")
            });
        }
        options.truncate(TOLD);
        options
    }

    /// Wheels left that fit by one of some ways, up to a number.
    fn spare(&self, wanted: &Wanted, most: usize, ways: &[Shipment]) -> Vec<(usize, &'a Lot)> {
        let mut spare: Vec<(usize, &Lot)> = Vec::new();
        let mut missing = most;
        for (lot, left) in self.problem.stock.lots.iter().zip(&self.settled.left) {
            let left = usize::try_from(*left).unwrap_or_default();
            let fits = left > 0
                && ways
                    .iter()
                    .any(|way| fit(lot, wanted, way, self.problem.now.today).is_ok());
            if fits && missing > 0 {
                let take = left.min(missing);
                missing -= take;
                spare.push((take, lot));
            }
        }
        spare
    }

    /// The first later day by which wheels that are left can arrive.
    fn later(&self, wanted: &Wanted, short: usize) -> Option<(usize, Shipment)> {
        let usual = wanted.ways.first()?;
        // Later leavings keep the rhythm and the road of those that are known.
        let known = wanted.ways.iter();
        let mut best: Option<(usize, Shipment)> = None;
        for way in known.flat_map(|way| shifted(way, usual.leave_on)) {
            let spare = self.spare(wanted, short, std::slice::from_ref(&way));
            let count: usize = spare.iter().map(|(count, _)| count).sum();
            let better = match &best {
                None => count > 0,
                Some((most, known)) => {
                    count > *most || (count == *most && way.leave_on < known.leave_on)
                }
            };
            if better {
                best = Some((count, way));
            }
        }
        best
    }
}

/// A way and the same on the next weeks' same weekdays, from after a day on.
fn shifted(way: &Shipment, after: DairyDay) -> impl Iterator<Item = Shipment> + '_ {
    let weeks = (0..=LATER_DAYS / 7).map(|week| week * 7);
    weeks
        .map(|days| way.later(days))
        .filter(move |way| way.leave_on > after)
}

fn late_words(
    source: Source,
    count: usize,
    chance: f64,
    lot: &Lot,
    leave: Option<DairyDay>,
) -> String {
    let likely = lot.readiness.likely_by(LEAST_CHANCE);
    let late = leave
        .zip(likely)
        .map(|(leave, likely)| likely.days_since(leave));
    match (late, likely) {
        (Some(days), Some(likely)) if days > 0 => format!(
            "{source} ({count} wheels) is {days} {} late: likely ready on {likely}",
            if days == 1 { "day" } else { "days" },
        ),
        _ => format!(
            "{source} ({count} wheels) is ready in time with only {:.0} %",
            chance * 100.0
        ),
    }
}

pub(crate) fn kilograms(grams: u32) -> String {
    Grams::new(grams).map_or_else(|_| format!("{grams} g"), |grams| grams.to_string())
}
