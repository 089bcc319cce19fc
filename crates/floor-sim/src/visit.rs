//! A visit to a station: someone scans a badge, an action and things, one after another.
//!
//! The scans of a visit stay together. A visit whose handheld has no connection is kept
//! and sent in as a whole while the handheld is docked; nobody scans at those times.

use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

use crate::OFFICE;
use crate::calendar::{later, local, seconds};
use crate::dairy::Dairy;
use crate::deed::{Act, Deed, Mark, Void, WheelNo};
use crate::doing::{Doing, Expected, What};

/// When handhelds are docked, local: hour and minute of the start and of the end.
const DOCKED: [((i64, i64), (i64, i64)); 3] =
    [((5, 0), (5, 20)), ((12, 0), (12, 30)), ((17, 0), (17, 30))];
/// A late visit arrives at least this long after its last scan, hours.
const LATE_LEAST_H: i64 = 1;
/// A late visit arrives at most this long after its first scan, hours.
const LATE_MOST_H: i64 = 30;

/// A visit being prepared; times are given when it is made.
#[derive(Debug)]
pub(crate) struct Visit {
    station: &'static str,
    person: &'static str,
    steps: Vec<Step>,
}

#[derive(Debug)]
struct Step {
    /// Seconds since the step before.
    after: i64,
    what: What,
    answer: Expected,
    does: Does,
}

#[derive(Debug)]
enum Does {
    Nothing,
    Record(Act, Vec<WheelNo>, Mark),
    UndoLast,
}

impl Visit {
    /// Someone scans their badge and an action.
    pub(crate) fn new(station: &'static str, person: &'static str, action: &str) -> Self {
        let visit = Self {
            station,
            person,
            steps: Vec::new(),
        };
        visit
            .scan(1, format!("P.{person}"))
            .scan(2, format!("A.{action}"))
    }

    /// A manager at a page of the office.
    pub(crate) const fn at_the_office(person: &'static str) -> Self {
        Self {
            station: OFFICE,
            person,
            steps: Vec::new(),
        }
    }

    /// Releases wheels from a hold.
    pub(crate) fn release(
        self,
        after: i64,
        hold: &str,
        wheels: &[WheelNo],
        codes: Vec<String>,
    ) -> Self {
        let what = What::Release {
            person: self.person,
            hold: hold.to_owned(),
            wheels: codes,
        };
        let hold = hold.to_owned();
        let does = Does::Record(Act::Released { hold }, wheels.to_vec(), Mark::Plain);
        self.step(after, what, Expected::Fine, does)
    }

    fn step(mut self, after: i64, what: What, answer: Expected, does: Does) -> Self {
        self.steps.push(Step {
            after,
            what,
            answer,
            does,
        });
        self
    }

    /// Scans something that is no record by itself.
    pub(crate) fn scan(self, after: i64, line: impl Into<String>) -> Self {
        self.step(
            after,
            What::Scan(line.into()),
            Expected::Fine,
            Does::Nothing,
        )
    }

    /// The last step is answered like this.
    pub(crate) fn answered(mut self, answer: Expected) -> Self {
        if let Some(step) = self.steps.last_mut() {
            step.answer = answer;
        }
        self
    }

    /// Scans what completes a record.
    pub(crate) fn record(
        self,
        after: i64,
        line: impl Into<String>,
        act: Act,
        wheels: &[WheelNo],
    ) -> Self {
        self.record_marked(after, line, act, wheels, Mark::Plain)
    }

    /// Scans what completes a record out of the ordinary.
    pub(crate) fn record_marked(
        self,
        after: i64,
        line: impl Into<String>,
        act: Act,
        wheels: &[WheelNo],
        mark: Mark,
    ) -> Self {
        let answer = match mark {
            Mark::Contradiction => Expected::Wrong,
            Mark::Plain | Mark::Double => Expected::Fine,
        };
        let does = Does::Record(act, wheels.to_vec(), mark);
        self.step(after, What::Scan(line.into()), answer, does)
    }

    /// Puts something on the scale.
    pub(crate) fn weigh(self, after: i64, grams: u32) -> Self {
        self.step(after, What::Weight { grams }, Expected::Fine, Does::Nothing)
    }

    /// Puts something on the scale, which completes a record.
    pub(crate) fn weigh_and_record(
        self,
        after: i64,
        grams: u32,
        act: Act,
        wheels: &[WheelNo],
    ) -> Self {
        let does = Does::Record(act, wheels.to_vec(), Mark::Plain);
        self.step(after, What::Weight { grams }, Expected::Fine, does)
    }

    /// Voids the record just made.
    pub(crate) fn undo(self, after: i64) -> Self {
        let what = What::Scan("A.UNDO".to_owned());
        self.step(after, what, Expected::Fine, Does::UndoLast)
    }

    /// At most this long, seconds.
    fn longest(&self) -> i64 {
        self.steps
            .iter()
            .map(|step| step.after + step.after / 4)
            .sum()
    }
}

impl Dairy {
    /// Makes a visit, at the earliest at `wanted`. Gives the time of its last scan.
    pub(crate) fn visit(
        &mut self,
        day: NaiveDate,
        wanted: DateTime<Utc>,
        visit: Visit,
    ) -> DateTime<Utc> {
        self.make(day, wanted, visit, false).0
    }

    /// Makes a visit with a handheld that has no connection. Gives the time of its last
    /// scan and the time at which that arrives.
    pub(crate) fn visit_offline(
        &mut self,
        day: NaiveDate,
        wanted: DateTime<Utc>,
        visit: Visit,
    ) -> (DateTime<Utc>, DateTime<Utc>) {
        self.make(day, wanted, visit, true)
    }

    fn make(
        &mut self,
        day: NaiveDate,
        wanted: DateTime<Utc>,
        visit: Visit,
        offline: bool,
    ) -> (DateTime<Utc>, DateTime<Utc>) {
        let start = self.free_slot(day, wanted, &visit);
        let mut at = start;
        let times: Vec<DateTime<Utc>> = visit
            .steps
            .iter()
            .map(|step| {
                at += seconds(step.after + self.chance.between(0, step.after / 4));
                at
            })
            .collect();
        self.busy.insert(visit.station, at + seconds(20));
        let docked = offline.then(|| self.dock(day, visit.station, start, at, times.len()));
        let mut arrives_at = at;
        let mut last_record = None;
        for (index, (step, at)) in visit.steps.into_iter().zip(times).enumerate() {
            arrives_at = match docked.flatten() {
                Some(first) => first + seconds(index as i64),
                None => at,
            };
            match step.does {
                Does::Nothing => {}
                Does::Record(act, wheels, mark) => {
                    last_record = Some(self.ledger.deeds.len());
                    self.ledger.deeds.push(Deed {
                        day,
                        at,
                        arrives_at,
                        station: visit.station,
                        person: visit.person,
                        act,
                        wheels,
                        mark,
                        voided: None,
                    });
                }
                Does::UndoLast => {
                    let deed = last_record
                        .take()
                        .and_then(|n| self.ledger.deeds.get_mut(n));
                    if let Some(deed) = deed {
                        deed.voided = Some(Void { at, arrives_at });
                    }
                }
            }
            self.waiting.push(Doing {
                at,
                arrives_at,
                station: visit.station,
                what: step.what,
                answer: step.answer,
            });
        }
        (at, arrives_at)
    }

    /// The earliest start at which the station is free and nobody is interrupted by docking.
    fn free_slot(&self, day: NaiveDate, wanted: DateTime<Utc>, visit: &Visit) -> DateTime<Utc> {
        let free = self.busy.get(visit.station).copied().unwrap_or(wanted);
        let mut start = wanted.max(free);
        let takes = seconds(visit.longest());
        for (from, until) in DOCKED {
            let (from, until) = (local(day, from.0, from.1), local(day, until.0, until.1));
            if start < until && start + takes >= from {
                start = until;
            }
        }
        start
    }

    /// When a late visit begins to arrive: at a docking between 1 and 30 h later, after
    /// what others send in at that docking. `None` when there is none.
    fn dock(
        &mut self,
        day: NaiveDate,
        station: &'static str,
        first: DateTime<Utc>,
        last: DateTime<Utc>,
        scans: usize,
    ) -> Option<DateTime<Utc>> {
        let takes = seconds(scans as i64 + 5);
        let mut slots = Vec::new();
        for ahead in 0..=2 {
            for (from, until) in DOCKED {
                let day = later(day, ahead);
                let opens = local(day, from.0, from.1);
                let begins = self.docks.get(&(station, opens)).copied().unwrap_or(opens);
                let soon_enough = begins + takes <= first + TimeDelta::hours(LATE_MOST_H);
                let late_enough = begins >= last + TimeDelta::hours(LATE_LEAST_H);
                if soon_enough && late_enough && begins + takes <= local(day, until.0, until.1) {
                    slots.push((opens, begins));
                }
            }
        }
        let (opens, begins) = *self.luck.pick(&slots)?;
        self.docks.insert((station, opens), begins + takes);
        Some(begins)
    }
}
