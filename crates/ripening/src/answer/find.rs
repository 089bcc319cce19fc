//! Things that a code, a lot or a day of making names.

use std::collections::BTreeSet;

use chrono::NaiveDate;
use facts::{BatchId, Carrier, WheelId};
use serde::{Deserialize, Serialize};

use super::stand::stands;
use crate::Floor;

/// What was found.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Found {
    /// Wheels.
    pub wheels: BTreeSet<WheelId>,
    /// Batches.
    pub batches: BTreeSet<BatchId>,
    /// What wheels stand on.
    pub stands: BTreeSet<Carrier>,
    /// Customers, as their orders have them.
    pub customers: BTreeSet<String>,
    /// Where nothing was found: codes of anything that may have been meant.
    pub near: Vec<String>,
}

impl Found {
    /// Whether there is nothing of the kind.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        let codes = self.wheels.len() + self.batches.len() + self.stands.len();
        codes == 0 && self.customers.is_empty()
    }
}

/// A code as scanned, `W.311-04`, without the letter before it.
#[must_use]
pub fn bare(asked: &str) -> &str {
    match asked.split_once('.') {
        Some((letter, rest)) if letter.len() == 1 && letter.starts_with(char::is_alphabetic) => {
            rest
        }
        _ => asked,
    }
}

/// The batches, wheels and carriers that are named so, or whose lot, order, hold or day is.
#[must_use]
pub fn find(floor: &Floor, asked: &str) -> Found {
    let mut found = Found::default();
    let bare = bare(asked);
    if bare.is_empty() {
        return found;
    }
    let same = |code: &str| code.eq_ignore_ascii_case(bare);
    let day = date(bare);
    let lower = bare.to_lowercase();
    for (id, batch) in floor.batches() {
        let wheels = || batch.wheels.iter().filter_map(|wheel| floor.wheel(*wheel));
        let made = || wheels().find_map(|wheel| wheel.state().made);
        let lot = || {
            let lines = batch.lines.values();
            lines.filter(|_| lower.len() > 2).any(|line| {
                let lots = line.started.iter().flat_map(|started| &started.milk_lots);
                let said = line.words.to_lowercase();
                said.contains(&lower) || lots.into_iter().any(|lot| same(lot.as_str()))
            })
        };
        if same(id.as_str()) || (day.is_some() && made().map(|made| made.date()) == day) || lot() {
            found.batches.insert(*id);
        }
    }
    for (id, wheel) in floor.wheels() {
        let state = wheel.state();
        let promised = state.allocated.is_some_and(|order| same(order.as_str()));
        let held = || floor.holds(*id).iter().any(|hold| same(hold.as_str()));
        if same(id.as_str()) || promised || held() {
            found.wheels.insert(*id);
        }
        if !state.on_floor() {
            continue;
        }
        for stand in stands(state) {
            let code = match stand {
                Carrier::Hoop(id) => same(id.as_str()),
                Carrier::Stack(id) => same(id.as_str()),
                Carrier::Stillage(id) => same(id.as_str()),
            };
            if code {
                found.stands.insert(stand);
            }
        }
    }
    found
}

/// `2026-03-03` or `3.3.2026`.
/// The day that a text names: 2026-03-01 or 01.03.2026.
#[must_use]
pub fn date(text: &str) -> Option<NaiveDate> {
    let forms = ["%Y-%m-%d", "%d.%m.%Y"];
    forms
        .iter()
        .find_map(|form| NaiveDate::parse_from_str(text, form).ok())
        .filter(|day| quantity::calendar::date(*day).is_ok())
}
