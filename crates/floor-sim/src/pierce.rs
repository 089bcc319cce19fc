//! Piercing: needles counted before and after, so that none stays in a cheese.

use chrono::{DateTime, NaiveDate, Utc};

use crate::PIERCE;
use crate::calendar::{later, local, weekday_from};
use crate::cheese::PIERCE_AGE;
use crate::dairy::Dairy;
use crate::deed::Act;
use crate::doing::Expected;
use crate::floor::stillage_code;
use crate::hold::OpenHold;
use crate::mistakes;
use crate::visit::Visit;

/// The piercing machine.
const MACHINE: &str = "PM1";
/// Needles it has.
const NEEDLES: u32 = 60;
/// Stillages between two counts.
const RUN: usize = 8;

impl Dairy {
    /// Pierces what is old enough and stands in the third room.
    pub(crate) fn pierce(&mut self, day: NaiveDate, from: DateTime<Utc>) {
        let floor = &self.floor;
        let due = floor.walk(|s| {
            let old_enough = |made| later(made, PIERCE_AGE) <= day;
            s.room == 3 && s.pierced.is_none() && floor.youngest(s).is_some_and(old_enough)
        });
        let mut start = local(day, 9, 0).max(from);
        for run in due.chunks(RUN) {
            let short = mistakes::has_come(&self.mistakes.needle_short_on, self.day_no);
            if short {
                mistakes::strike(&mut self.mistakes.needle_short_on, self.day_no);
            }
            start = self.pierce_run(day, start, run, short);
        }
    }

    fn pierce_run(
        &mut self,
        day: NaiveDate,
        start: DateTime<Utc>,
        run: &[u32],
        short: bool,
    ) -> DateTime<Utc> {
        let mut visit = count_needles(Visit::new(PIERCE, "06", "NEEDLES"), NEEDLES);
        visit = visit.scan(20, "A.PIERCE").scan(3, format!("T.{MACHINE}"));
        let mut wheels = Vec::new();
        for number in run {
            if let Some(stillage) = self.floor.stillages.get_mut(number) {
                stillage.pierced = Some(day);
                let line = format!("S.{}", stillage_code(*number));
                visit = visit.record(360, line, Act::Pierced, &stillage.wheels);
                wheels.push((*number, stillage.wheels.clone()));
            }
        }
        visit = visit.scan(60, "A.NEEDLES");
        if !short {
            return self.visit(day, start, count_needles(visit, NEEDLES));
        }
        let code = format!("NDL-{}", day.format("%y%m%d"));
        visit = count_needles(visit, NEEDLES - 1);
        visit = visit.scan(40, "A.HOLD").scan(5, format!("Q.{code}"));
        for (number, wheels) in &wheels {
            let act = Act::Held { hold: code.clone() };
            visit = visit.record(10, format!("S.{}", stillage_code(*number)), act, wheels);
        }
        let at = self.visit(day, start, visit);
        let held: Vec<usize> = wheels.into_iter().flat_map(|(_, wheels)| wheels).collect();
        let words = format!(
            "{MACHINE} has {} of {NEEDLES} needles after piercing; {} wheels are held as {code}",
            NEEDLES - 1,
            held.len()
        );
        self.ledger.tell(day, at, words);
        self.keep(OpenHold {
            code,
            wheels: held,
            release_on: weekday_from(later(day, 1)),
            tried: true,
        });
        at
    }
}

fn count_needles(visit: Visit, counted: u32) -> Visit {
    let act = Act::NeedlesCounted {
        expected: NEEDLES,
        counted,
    };
    visit
        .scan(4, format!("T.{MACHINE}"))
        .scan(5, format!("N.{NEEDLES}"))
        .record(90, format!("N.{counted}"), act, &[])
        .answered(if counted < NEEDLES {
            Expected::Stop
        } else {
            Expected::Fine
        })
}
