//! Critical steps: which checks were done, which were missed, which were out of limits.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use chrono::{DateTime, TimeDelta, Utc};
use facts::{
    BatchId, ControlChecked, ControlId, Event, Fact, FactId, LotId, PersonId, Reading, Scope,
    ToolCheck, ToolId,
};
use quantity::{DairyClock, DairyDay, calendar};

use crate::diary::Diary;
use crate::heat::Heat;
use crate::plan::{Control, Every, Plan, Reads, Step};

/// How a check stands.
#[derive(Debug, Clone, PartialEq)]
pub enum Standing {
    /// Done, and within the limit.
    Done,
    /// Done, and out of the limit; whether a named person has decided what is done about it.
    Out {
        /// Whether somebody decided.
        decided: bool,
    },
    /// Not done, and its time is over.
    Missed,
    /// Not done yet; it may still be.
    Waits,
}

/// One check that the plan asks for.
#[derive(Debug, Clone, PartialEq)]
pub struct Check {
    /// The critical step.
    pub control: ControlId,
    /// Its name.
    pub name: String,
    /// What is checked: a batch, a milk lot, a dairy day.
    pub about: About,
    /// Must be done before this.
    pub due: DateTime<Utc>,
    /// How it stands.
    pub standing: Standing,
    /// What was read, in words.
    pub read: Option<String>,
    /// What the plan wants, in words.
    pub wanted: String,
    /// When it was done, by whom, and which fact says so.
    pub done: Option<(DateTime<Utc>, Option<PersonId>, FactId)>,
    /// What to do, when it is out or missed.
    pub when_wrong: String,
}

/// What a check is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum About {
    /// A batch.
    Batch(BatchId),
    /// A milk lot.
    MilkLot(LotId),
    /// A dairy day.
    Day(DairyDay),
}

impl fmt::Display for About {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Batch(batch) => write!(f, "batch {batch}"),
            Self::MilkLot(lot) => write!(f, "milk lot {lot}"),
            Self::Day(day) => write!(f, "{day}"),
        }
    }
}

/// One reading that may count for a check.
struct Read<'f> {
    fact: &'f Fact,
    words: String,
    within: bool,
}

/// Every check that the plan has asked for up to `now`, control by control, in order of time.
#[must_use]
pub fn checks(plan: &Plan, diary: &Diary, clock: &DairyClock, now: DateTime<Utc>) -> Vec<Check> {
    let facts: Vec<&Fact> = diary
        .facts()
        .filter(|fact| fact.occurred_at <= now)
        .collect();
    let around = Around::of(&facts, clock);
    let decided: BTreeSet<(ControlId, About)> = diary
        .deviations()
        .into_iter()
        .filter(|deviation| !deviation.decided.is_empty())
        .filter_map(|deviation| {
            let about = around.about_of(&deviation.found.about, deviation.fact)?;
            Some((deviation.found.control?, about))
        })
        .collect();
    let mut all = Vec::new();
    for control in &plan.controls {
        let mut reads: BTreeMap<About, Vec<Read<'_>>> = BTreeMap::new();
        for fact in &facts {
            if let Some((about, read)) = around.read(control, plan, fact) {
                reads.entry(about).or_default().push(read);
            }
        }
        for (about, due) in around.asked(control, &facts, now) {
            let reads = reads.get(&about).map_or(&[][..], Vec::as_slice);
            // The last reading counts for a batch or a lot; on a day the worst does.
            let counts = match control.every {
                Every::Day | Every::DayOfUse => {
                    reads.iter().find(|read| !read.within).or(reads.last())
                }
                Every::Batch { .. } | Every::MilkLot { .. } => reads.last(),
            };
            let standing = match counts {
                Some(read) if read.within => Standing::Done,
                Some(_) => Standing::Out {
                    decided: decided.contains(&(control.id, about)),
                },
                None if now >= due => Standing::Missed,
                None => Standing::Waits,
            };
            all.push(Check {
                control: control.id,
                name: control.name.clone(),
                about,
                due,
                standing,
                read: counts.map(|read| read.words.clone()),
                wanted: wanted(control, plan),
                done: counts.map(|read| (read.fact.occurred_at, read.fact.person, read.fact.id)),
                when_wrong: control.when_wrong.clone(),
            });
        }
    }
    all
}

/// The checks that a person has to hear of: missed, or out of limits with nothing decided.
#[must_use]
pub fn alerts(checks: &[Check]) -> Vec<String> {
    let words = |check: &Check| match &check.standing {
        Standing::Missed => Some(format!(
            "MISSED: {}, {}: not done by {}. {}",
            check.name,
            check.about,
            check.due.format("%Y-%m-%d %H:%M UTC"),
            check.when_wrong
        )),
        Standing::Out { decided: false } => Some(format!(
            "OUT OF LIMITS: {}, {}: {}, wanted {}. {}",
            check.name,
            check.about,
            check.read.as_deref().unwrap_or("nothing read"),
            check.wanted,
            check.when_wrong
        )),
        _ => None,
    };
    checks.iter().filter_map(words).collect()
}

fn wanted(control: &Control, plan: &Plan) -> String {
    match control.reads {
        Reads::MilkHeat => {
            let pairs: Vec<String> = plan.heat.pairs.iter().map(ToString::to_string).collect();
            format!("one of {}", pairs.join(", "))
        }
        Reads::MilkScreen => "passed".to_owned(),
        Reads::Needles(_) => "every needle whole".to_owned(),
        Reads::Iron(_) => "whole".to_owned(),
        Reads::CheckWeight(_) => "within the scale's own limit".to_owned(),
        reads => control.limit.words(reads.unit()),
    }
}

const fn tool_of(event: &Event) -> Option<ToolId> {
    match event {
        Event::WheelPierced(e) => Some(e.machine),
        Event::WheelIroned(e) => e.iron,
        _ => None,
    }
}

fn uses(reads: Reads, tool: ToolId) -> bool {
    matches!(reads, Reads::Needles(own) | Reads::Iron(own) if own == tool)
}

/// What has to be known around a reading to tell what it counts for.
struct Around<'c> {
    clock: &'c DairyClock,
    /// The first time that a batch took a step.
    steps: BTreeMap<(BatchId, Step), (DateTime<Utc>, FactId)>,
    /// Milk lots that went into pooled ones.
    pooled: BTreeSet<LotId>,
    /// A milk lot's fat; of pooled milk the richest part's.
    fat: BTreeMap<LotId, f64>,
}

impl<'c> Around<'c> {
    fn of(facts: &[&Fact], clock: &'c DairyClock) -> Self {
        let mut around = Self {
            clock,
            steps: BTreeMap::new(),
            pooled: BTreeSet::new(),
            fat: BTreeMap::new(),
        };
        for fact in facts {
            let step = match &fact.event {
                Event::VatCut(e) => Some((e.batch, Step::Cut)),
                Event::VatDrained(e) => Some((e.batch, Step::Drained)),
                Event::VatMilled(e) => Some((e.batch, Step::Milled)),
                Event::VatClosed(e) => Some((e.batch, Step::Closed)),
                _ => None,
            };
            if let Some(step) = step {
                around.steps.entry(step).or_insert(fact.order());
            }
            match &fact.event {
                Event::MilkReceived(e) => {
                    if let Some(fat) = e.fat_pct {
                        around.fat.insert(e.lot, fat.get());
                    }
                }
                Event::MilkPooled(e) => {
                    let parts = e.from.iter().map(|part| part.lot);
                    around.pooled.extend(parts.clone());
                    let fats = parts.filter_map(|lot| around.fat.get(&lot).copied());
                    let richest = fats.reduce(f64::max);
                    around.fat.extend(richest.map(|fat| (e.lot, fat)));
                }
                _ => {}
            }
        }
        around
    }

    /// What the plan asks a control for, and by when.
    fn asked(
        &self,
        control: &Control,
        facts: &[&Fact],
        now: DateTime<Utc>,
    ) -> BTreeMap<About, DateTime<Utc>> {
        let hours = |hours: u32| TimeDelta::hours(i64::from(hours));
        let mut asked: BTreeMap<About, DateTime<Utc>> = BTreeMap::new();
        let mut ask = |about, due| {
            asked.entry(about).or_insert(due);
        };
        let day_of = |fact: &Fact| self.clock.day_of(fact.occurred_at);
        if control.every == Every::Day
            && let Some(first) = facts.first()
        {
            for day in day_of(first).every(1, self.clock.day_of(now)) {
                ask(About::Day(day), self.clock.end_of(day));
            }
        }
        for fact in facts {
            match (control.every, &fact.event) {
                (Every::Batch { within_h }, Event::VatStarted(e)) => {
                    ask(
                        About::Batch(e.batch),
                        calendar::later(fact.occurred_at, hours(within_h)),
                    );
                }
                // Pooled milk may be treated as one; then its parts need not be.
                (Every::MilkLot { within_h }, Event::MilkReceived(e))
                    if control.reads != Reads::MilkHeat || !self.pooled.contains(&e.lot) =>
                {
                    ask(
                        About::MilkLot(e.lot),
                        calendar::later(fact.occurred_at, hours(within_h)),
                    );
                }
                (Every::MilkLot { within_h }, Event::MilkPooled(e))
                    if control.reads == Reads::MilkHeat =>
                {
                    ask(
                        About::MilkLot(e.lot),
                        calendar::later(fact.occurred_at, hours(within_h)),
                    );
                }
                (Every::DayOfUse, event)
                    if tool_of(event).is_some_and(|tool| uses(control.reads, tool)) =>
                {
                    ask(About::Day(day_of(fact)), self.clock.end_of(day_of(fact)));
                }
                _ => {}
            }
        }
        asked
    }

    /// What a scope of a hand-written check or a deviation is about.
    fn about_of(&self, scope: &Scope, fact: &Fact) -> Option<About> {
        match scope {
            Scope::Batch(batch) => Some(About::Batch(*batch)),
            Scope::Lot(lot) => Some(About::MilkLot(*lot)),
            Scope::Room { .. } | Scope::Tool { .. } | Scope::Made(_) | Scope::Stillage { .. } => {
                Some(About::Day(self.clock.day_of(fact.occurred_at)))
            }
            Scope::Wheels(_) => None,
        }
    }

    /// What one fact reads for a control, and what about; `None` when it reads nothing.
    fn read<'f>(
        &self,
        control: &Control,
        plan: &Plan,
        fact: &'f Fact,
    ) -> Option<(About, Read<'f>)> {
        let on_day = About::Day(self.clock.day_of(fact.occurred_at));
        let measured = |value: f64| Read {
            fact,
            words: format!("{value} {}", control.reads.unit())
                .trim_end()
                .to_owned(),
            within: control.limit.takes(value),
        };
        let found = |within: bool, words: String| Read {
            fact,
            words,
            within,
        };
        match (control.reads, &fact.event) {
            (_, Event::ControlChecked(checked)) => self.by_hand(control, fact, checked),
            (reads, Event::VatMeasured(e)) => {
                let (value, step) = match (reads, e.reading) {
                    (Reads::VatPh(step), Reading::Ph(ph)) => (ph.get(), step),
                    (Reads::VatAcidity(step), Reading::AcidityDornic(acid)) => (acid, step),
                    (Reads::VatTemperature(step), Reading::TemperatureC(t)) => (t.get(), step),
                    _ => return None,
                };
                let taken = step.and_then(|step| self.steps.get(&(e.batch, step)));
                let after = taken.is_some_and(|taken| *taken < fact.order());
                (!after).then(|| (About::Batch(e.batch), measured(value)))
            }
            (Reads::MilkHeat, Event::MilkPasteurised(e)) => {
                let read = self.heated(fact, &Heat::from(e), e.lot, plan);
                Some((About::MilkLot(e.lot), read))
            }
            (Reads::MilkHeat, Event::MilkHeated(e)) => {
                let read = self.heated(fact, &Heat::from(e), e.lot, plan);
                Some((About::MilkLot(e.lot), read))
            }
            (Reads::MilkScreen, Event::MilkScreened(e)) => {
                let passed = if e.passed { "passed" } else { "failed" };
                let words = format!("{} {passed}", e.test);
                Some((About::MilkLot(e.lot), found(e.passed, words)))
            }
            (reads, Event::ToolChecked(e)) => {
                let words = match (reads, e.check) {
                    (Reads::Needles(tool), ToolCheck::Needles { expected, counted })
                        if tool == e.tool =>
                    {
                        format!("{counted} of {expected} needles whole")
                    }
                    (Reads::Iron(tool), ToolCheck::Iron { whole }) if tool == e.tool => {
                        if whole { "whole" } else { "chipped or cracked" }.to_owned()
                    }
                    (
                        Reads::CheckWeight(tool),
                        ToolCheck::CheckWeight {
                            applied_g, shown_g, ..
                        },
                    ) if tool == e.tool => format!("{shown_g} shown for {applied_g}"),
                    _ => return None,
                };
                Some((on_day, found(e.check.passed(), words)))
            }
            (reads, Event::RoomClimateRead(e)) => {
                let value = match reads {
                    Reads::RoomTemperature(room) if room == e.room => Some(e.temperature_c.get()),
                    Reads::RoomHumidity(room) if room == e.room => e.humidity_pct.map(|h| h.get()),
                    Reads::RoomAmmonia(room) if room == e.room => e.nh3_ppm.map(|p| p.get()),
                    Reads::RoomCarbonDioxide(room) if room == e.room => e.co2_ppm.map(|p| p.get()),
                    _ => None,
                };
                value.map(|value| (on_day, measured(value)))
            }
            _ => None,
        }
    }

    fn heated<'f>(&self, fact: &'f Fact, heat: &Heat, lot: LotId, plan: &Plan) -> Read<'f> {
        let judged = plan.heat.judge(heat, self.fat.get(&lot).copied());
        Read {
            fact,
            within: judged.met.is_some(),
            words: judged.words,
        }
    }

    /// A person may check anything by hand, also what a sensor should have read.
    fn by_hand<'f>(
        &self,
        control: &Control,
        fact: &'f Fact,
        checked: &ControlChecked,
    ) -> Option<(About, Read<'f>)> {
        if checked.control != control.id {
            return None;
        }
        let about = match &checked.about {
            Some(scope) => self.about_of(scope, fact)?,
            None => About::Day(self.clock.day_of(fact.occurred_at)),
        };
        let in_limit = checked.value.map(|value| control.limit.takes(value));
        let within = match (in_limit, checked.in_order) {
            (None, None) => false, // it says nothing
            (value, order) => value.unwrap_or(true) && order.unwrap_or(true),
        };
        let unit = control.reads.unit();
        let value = checked.value.map(|value| format!("{value} {unit}"));
        let order = checked
            .in_order
            .map(|order| if order { "in order" } else { "NOT in order" }.to_owned());
        let words: Vec<String> = [value, order, checked.note.clone()]
            .into_iter()
            .flatten()
            .map(|part| part.trim().to_owned())
            .collect();
        let words = if words.is_empty() {
            "nothing written down".to_owned()
        } else {
            words.join(", ")
        };
        let read = Read {
            fact,
            words,
            within,
        };
        Some((about, read))
    }
}
