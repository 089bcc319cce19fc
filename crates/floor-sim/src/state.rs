//! One wheel's state, folded from the ledger's deeds.

use std::collections::BTreeSet;

use chrono::{DateTime, NaiveDate, Utc};

use crate::calendar::later;
use crate::deed::{Act, Deed};
use crate::ledger::Ledger;

/// A wheel as it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct WheelState {
    /// Its code.
    pub id: String,
    /// Its batch.
    pub batch: String,
    /// Its make day, on which it was portioned too.
    pub made: NaiveDate,
    /// The hoop it drains in; `None` once unhooped.
    pub hoop: Option<String>,
    /// The stack it drains in; `None` once unhooped.
    pub stack: Option<String>,
    /// The stillage it stands on; `None` once it left the house.
    pub stillage: Option<String>,
    /// The room it is in; `None` before it is brought to one and once it left the house.
    pub room: Option<&'static str>,
    /// Its place in the room.
    pub position: Option<String>,
    /// Turns, each double and contradiction included.
    pub turns: usize,
    /// Dairy days with a turn, in order.
    pub turn_days: Vec<NaiveDate>,
    /// Whole dairy days without a turn that should have had one, in order.
    pub missed_turn_days: Vec<NaiveDate>,
    /// Out of its hoop.
    pub unhooped: bool,
    /// Rubbed up.
    pub rubbed_up: bool,
    /// Last rind cover seen, %.
    pub rind_cover: Option<i64>,
    /// The dairy day on which it was pierced.
    pub pierced: Option<NaiveDate>,
    /// Last blue coverage seen in a core of this very wheel, %.
    pub blue: Option<i64>,
    /// Its grade.
    pub grade: Option<&'static str>,
    /// The holds that keep it.
    pub holds: BTreeSet<String>,
    /// It left and did not come back.
    pub dispatched: bool,
    /// It came back at least once.
    pub returned: bool,
    /// It was thrown away.
    pub discarded: bool,
    /// Its last weight, grams.
    pub weight_g: u32,
}

impl WheelState {
    /// Whether it is in the house.
    #[must_use]
    pub fn in_house(&self) -> bool {
        !self.dispatched && !self.discarded
    }
}

/// When a wheel was in the house: dairy days at whose end it was there.
type Stay = (NaiveDate, Option<NaiveDate>);

/// Folds the deeds that `counts` accepts, given when they were done and when they arrived.
pub(crate) fn fold(
    ledger: &Ledger,
    at: DateTime<Utc>,
    counts: impl Fn(DateTime<Utc>, DateTime<Utc>) -> bool,
) -> Vec<WheelState> {
    let mut order: Vec<&Deed> = ledger
        .deeds
        .iter()
        .filter(|deed| counts(deed.at, deed.arrives_at))
        .filter(|deed| !deed.voided.is_some_and(|v| counts(v.at, v.arrives_at)))
        .collect();
    order.sort_by_key(|deed| deed.at);
    let mut wheels: Vec<Option<(WheelState, Vec<Stay>)>> = vec![None; ledger.wheels.len()];
    for deed in order {
        for no in &deed.wheels {
            if let (Act::Portioned { .. }, Some(made)) = (&deed.act, ledger.wheels.get(*no)) {
                let newborn = born(&made.id, &made.batch, made.day);
                wheels[*no] = Some((newborn, vec![(later(made.day, 1), None)]));
            }
            if let Some(Some((wheel, stays))) = wheels.get_mut(*no) {
                apply(wheel, stays, deed);
            }
        }
    }
    let last = ledger.last_whole_day(at);
    let finish = |(mut wheel, stays): (WheelState, Vec<Stay>)| {
        if let Some(last) = last {
            wheel.missed_turn_days = missed(&stays, last, &wheel.turn_days);
        }
        wheel
    };
    wheels.into_iter().flatten().map(finish).collect()
}

fn missed(stays: &[Stay], last: NaiveDate, turned: &[NaiveDate]) -> Vec<NaiveDate> {
    let days = stays.iter().flat_map(|(from, left)| {
        let until = left.map_or(last, |left| later(left, -1).min(last));
        from.iter_days().take_while(move |day| *day <= until)
    });
    days.filter(|day| !turned.contains(day)).collect()
}

fn born(id: &str, batch: &str, made: NaiveDate) -> WheelState {
    WheelState {
        id: id.to_owned(),
        batch: batch.to_owned(),
        made,
        hoop: None,
        stack: None,
        stillage: None,
        room: None,
        position: None,
        turns: 0,
        turn_days: Vec::new(),
        missed_turn_days: Vec::new(),
        unhooped: false,
        rubbed_up: false,
        rind_cover: None,
        pierced: None,
        blue: None,
        grade: None,
        holds: BTreeSet::new(),
        dispatched: false,
        returned: false,
        discarded: false,
        weight_g: 0,
    }
}

fn apply(wheel: &mut WheelState, stays: &mut Vec<Stay>, deed: &Deed) {
    match &deed.act {
        Act::VatStarted { .. } | Act::NeedlesCounted { .. } => {}
        Act::Portioned { grams, hoop, stack } => {
            wheel.weight_g = *grams;
            wheel.hoop = Some(hoop.clone());
            wheel.stack = Some(stack.clone());
        }
        Act::Turned => {
            wheel.turns += 1;
            if wheel.turn_days.last() != Some(&deed.day) {
                wheel.turn_days.push(deed.day);
            }
        }
        Act::Unhooped => {
            wheel.unhooped = true;
            (wheel.hoop, wheel.stack) = (None, None);
        }
        Act::RubbedUp => wheel.rubbed_up = true,
        Act::Loaded { stillage } => wheel.stillage = Some(stillage.clone()),
        Act::Moved { room, position } => {
            wheel.room = Some(room);
            wheel.position.clone_from(position);
        }
        Act::RindSeen { cover } => wheel.rind_cover = Some(*cover),
        Act::Pierced => wheel.pierced = Some(deed.day),
        Act::Weighed { grams } => wheel.weight_g = *grams,
        Act::Ironed { blue } => wheel.blue = Some(*blue),
        Act::Graded { grade } => wheel.grade = Some(grade),
        Act::Held { hold } => {
            wheel.holds.insert(hold.clone());
        }
        Act::Released { hold } => {
            wheel.holds.remove(hold);
        }
        Act::Dispatched { .. } => {
            wheel.dispatched = true;
            leave(wheel, stays, deed.day);
        }
        Act::Returned => {
            (wheel.dispatched, wheel.returned) = (false, true);
            stays.push((deed.day, None));
        }
        Act::Discarded => {
            wheel.discarded = true;
            leave(wheel, stays, deed.day);
        }
    }
}

fn leave(wheel: &mut WheelState, stays: &mut [Stay], day: NaiveDate) {
    (wheel.stillage, wheel.room, wheel.position) = (None, None, None);
    (wheel.hoop, wheel.stack) = (None, None);
    if let Some(stay) = stays.last_mut() {
        stay.1 = Some(day);
    }
}
