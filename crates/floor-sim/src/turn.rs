//! The turning rounds: every stack and every stillage, every dairy day from the day after
//! the make until it leaves.

use chrono::{DateTime, NaiveDate, Utc};

use crate::calendar::{later, local, seconds};
use crate::cheese::DRAINS_DAYS;
use crate::dairy::Dairy;
use crate::deed::{Act, Mark, MissedTurn, Stranger, WheelNo};
use crate::doing::Expected;
use crate::floor::{RETURNS, stillage_code};
use crate::make::stack_code;
use crate::mistakes;
use crate::visit::Visit;
use crate::{DRAIN, ROOM};

/// Carriers on one round.
const ROUND: usize = 16;
/// Seconds for one carrier when there is time.
const CARRIER_S: i64 = 14;
/// Seconds in which the rooms should be through.
const MORNING_S: i64 = 9_000;

/// Barcodes that mean nothing to a station.
const NONSENSE: [&str; 8] = [
    "4000123400017",
    "X.118",
    "S.",
    "A.TRUN",
    "WASH ROOM 2",
    "K007",
    "S.S99.9",
    "?",
];

/// One thing to turn.
#[derive(Debug, Clone)]
struct Carrier {
    line: String,
    name: String,
    wheels: Vec<WheelNo>,
    stillage: Option<u32>,
    /// Whether its wheels will still be on it when a late scan arrives.
    may_be_late: bool,
}

impl Dairy {
    /// Turns everything in the morning. Gives the end of it, and the stillages left for
    /// the night.
    pub(crate) fn turn_all(&mut self, day: NaiveDate) -> (DateTime<Utc>, Vec<u32>) {
        let stacks: Vec<Carrier> = self
            .floor
            .stacks
            .iter()
            .map(|(number, stack)| Carrier {
                line: format!("K.{}", stack_code(*number)),
                name: stack_code(*number),
                wheels: stack.wheels.clone(),
                stillage: None,
                may_be_late: day < later(stack.made, DRAINS_DAYS - 2),
            })
            .collect();
        let mut numbers = self.floor.walk(|_| true);
        numbers.push(RETURNS);
        let pace = (MORNING_S / (numbers.len() as i64 + 1)).clamp(3, CARRIER_S);
        let mut rounds: Vec<Vec<u32>> = numbers.chunks(ROUND).map(<[u32]>::to_vec).collect();
        let mut night = Vec::new();
        if self.luck.happens(self.mistakes.night_round) && rounds.len() > 1 {
            night = rounds.pop().unwrap_or_default();
        }
        let mut end = local(day, 5, 30);
        for (index, round) in stacks.chunks(ROUND).enumerate() {
            let start = local(day, 5, 30) + seconds(240 * index as i64);
            end = end.max(self.round(day, start, DRAIN, "03", pace, round));
        }
        for (index, round) in rounds.iter().enumerate() {
            let start = local(day, 5, 30) + seconds(240 * index as i64);
            let person = if index % 2 == 0 { "03" } else { "04" };
            let carriers = self.carriers(round);
            end = end.max(self.round(day, start, ROOM, person, pace, &carriers));
        }
        (end, night)
    }

    /// Turns after midnight what was left for the night, as far as it is still there.
    pub(crate) fn turn_at_night(&mut self, day: NaiveDate, stillages: &[u32]) {
        let carriers = self.carriers(stillages);
        if !carriers.is_empty() {
            let start = self.after_all(day, 24, 10);
            self.round(day, start, ROOM, "10", 10, &carriers);
        }
    }

    fn carriers(&self, numbers: &[u32]) -> Vec<Carrier> {
        let carrier = |number: &u32| {
            let stillage = self.floor.stillages.get(number)?;
            (!stillage.wheels.is_empty()).then(|| Carrier {
                line: format!("S.{}", stillage_code(*number)),
                name: stillage_code(*number),
                wheels: stillage.wheels.clone(),
                stillage: Some(*number),
                may_be_late: *number != RETURNS,
            })
        };
        numbers.iter().filter_map(carrier).collect()
    }

    fn round(
        &mut self,
        day: NaiveDate,
        start: DateTime<Utc>,
        station: &'static str,
        person: &'static str,
        pace: i64,
        carriers: &[Carrier],
    ) -> DateTime<Utc> {
        let mut visit = Visit::new(station, person, "TURN");
        let last = carriers.len() as i64 - 1;
        let somewhere = |happens: bool, luck: &mut crate::chance::Chance| {
            let place = luck.between(0, last);
            happens.then_some(place)
        };
        let happens = self.luck.happens(self.mistakes.undone);
        let undone = somewhere(happens, &mut self.luck);
        let happens = self.luck.happens(self.mistakes.nonsense);
        let nonsense = somewhere(happens, &mut self.luck);
        for (place, carrier) in carriers.iter().enumerate() {
            if undone == Some(place as i64) {
                visit = self.slip(visit, carrier, carriers);
            }
            if nonsense == Some(place as i64) {
                let line = *self.luck.pick(&NONSENSE).unwrap_or(&"?");
                visit = visit.scan(4, line).answered(Expected::Wrong);
                self.ledger.nonsense.push((day, line.to_owned()));
                // An action card that is refused leaves nothing armed.
                if line.starts_with("A.") {
                    visit = visit.scan(3, "A.TURN");
                }
            }
            if self.luck.happens(self.mistakes.missed_turn) {
                self.ledger.missed.push(MissedTurn {
                    day,
                    carrier: carrier.name.clone(),
                    wheels: carrier.wheels.clone(),
                });
                continue;
            }
            visit = visit.record(pace, &carrier.line, Act::Turned, &carrier.wheels);
            if self.luck.happens(self.mistakes.double_scan) {
                let (line, wheels) = (&carrier.line, &carrier.wheels);
                visit = visit.record_marked(2, line, Act::Turned, wheels, Mark::Double);
            }
        }
        let offline = self.luck.happens(self.mistakes.late_round);
        if !offline || carriers.iter().any(|carrier| !carrier.may_be_late) {
            return self.visit(day, start, visit);
        }
        let (end, arrives_at) = self.visit_offline(day, start, visit);
        for number in carriers.iter().filter_map(|carrier| carrier.stillage) {
            if let Some(stillage) = self.floor.stillages.get_mut(&number) {
                stillage.still_until = arrives_at;
            }
        }
        end
    }

    /// The wrong action, or the wrong carrier, undone at once.
    fn slip(&mut self, visit: Visit, carrier: &Carrier, round: &[Carrier]) -> Visit {
        if self.luck.happens(0.5) {
            return visit
                .scan(2, "A.RUBUP")
                .record(4, &carrier.line, Act::RubbedUp, &carrier.wheels)
                .undo(9)
                .scan(3, "A.TURN");
        }
        let wrong = self.luck.pick(round).unwrap_or(carrier).clone();
        visit
            .record(5, &wrong.line, Act::Turned, &wrong.wheels)
            .undo(8)
            .scan(3, "A.TURN")
    }

    /// Scans as turned what is not here: a wheel that left, a wheel never made here.
    pub(crate) fn turn_wrongly(&mut self, day: NaiveDate) {
        if mistakes::has_come(&self.mistakes.turned_after_dispatch_on, self.day_no) {
            let recently = later(day, -14);
            let gone: Vec<WheelNo> = (0..self.floor.wheels.len())
                .filter(|no| {
                    let wheel = &self.floor.wheels[*no];
                    !wheel.in_house()
                        && !wheel.discarded
                        && wheel
                            .dispatched
                            .is_some_and(|left| left < day && left > recently)
                })
                .collect();
            if let Some(wheel) = self.luck.pick(&gone).copied() {
                mistakes::strike(&mut self.mistakes.turned_after_dispatch_on, self.day_no);
                let code = self.floor.code(wheel);
                let line = format!("W.{code}");
                let visit = Visit::new(ROOM, "04", "TURN").record_marked(
                    6,
                    line,
                    Act::Turned,
                    &[wheel],
                    Mark::Contradiction,
                );
                let at = self.visit(day, self.after_all(day, 8, 0), visit);
                let words = format!("wheel {code} is scanned as turned, but it was dispatched");
                self.ledger.tell(day, at, words);
            }
        }
        if mistakes::has_come(&self.mistakes.stranger_on, self.day_no) {
            mistakes::strike(&mut self.mistakes.stranger_on, self.day_no);
            let wheel = format!("990101Z-{:02}", self.luck.between(1, 30));
            let line = format!("W.{wheel}");
            let visit = Visit::new(ROOM, "04", "TURN")
                .scan(6, line)
                .answered(Expected::Wrong);
            let at = self.visit(day, self.after_all(day, 8, 0), visit);
            let words = format!("wheel {wheel} is scanned as turned, but was never made here");
            self.ledger.tell(day, at, words);
            self.ledger.strangers.push(Stranger { day, at, wheel });
        }
    }
}
