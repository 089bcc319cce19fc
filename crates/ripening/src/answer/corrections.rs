//! What was recorded and taken back.

use std::collections::BTreeSet;

use facts::{BatchId, Carrier, FactId, WheelId};
use holds::{Guard, Target};
use names::UnknownName;
use serde::{Deserialize, Serialize};

use super::stand::stands_on;
use super::{LifeLine, batch, batch_named, wheel};
use crate::{Floor, Voiding, Wheel};

/// Corrections in one answer, newest first.
const SHOWN: usize = 40;

/// Whose corrections.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum About {
    /// Everybody's.
    Everything,
    /// Those of this batch and its wheels.
    Batch(BatchId),
    /// Those of the wheels that stand there now.
    Stand(Carrier),
}

/// Where a record is told.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ToldIn {
    /// In a batch's make record.
    Batch(BatchId),
    /// In a wheel's life.
    Wheel(WheelId),
}

/// One record that was corrected.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Correction {
    /// The record.
    pub fact: FactId,
    /// Why it was corrected.
    pub reason: String,
    /// What it said, and where that is told.
    pub found: Option<(LifeLine, ToldIn)>,
}

/// What was corrected.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Corrections {
    /// The newest.
    pub newest: Vec<Correction>,
    /// How many more there are.
    pub more: usize,
}

/// The newest corrections.
///
/// # Errors
/// There is no such batch.
pub fn corrections(floor: &Floor, about: About) -> Result<Corrections, UnknownName> {
    if let About::Batch(id) = about {
        batch_named(floor, id)?;
    }
    let mut voidings = latest_first(floor);
    let mut more = 0;
    if about == About::Everything {
        more = voidings.len().saturating_sub(SHOWN);
        voidings.truncate(SHOWN);
    }
    let mut newest: Vec<Correction> = voidings
        .into_iter()
        .map(|voiding| Correction {
            fact: voiding.target,
            reason: voiding.reason.clone(),
            found: None,
        })
        .collect();
    for (id, made) in floor.batches() {
        let asked = match about {
            About::Everything => true,
            About::Batch(wanted) => wanted == *id,
            About::Stand(_) => false,
        };
        let has = |row: &Correction| made.lines.keys().any(|moment| moment.fact == row.fact);
        if asked && newest.iter().any(has) {
            let record = batch(floor, *id).map(|picture| picture.record);
            tell(&mut newest, &record.unwrap_or_default(), ToldIn::Batch(*id));
        }
    }
    let asked = |wheel: &Wheel| match about {
        About::Everything => true,
        About::Batch(batch) => wheel.state().batch == Some(batch),
        About::Stand(stand) => stands_on(wheel.state(), stand),
    };
    let wheels = newest.iter().filter(|row| row.found.is_none());
    let wheels = wheels.flat_map(|row| floor.named_by(row.fact));
    let wheels: BTreeSet<WheelId> = wheels.collect();
    for id in wheels {
        if floor.wheel(id).is_some_and(asked) {
            let life = wheel(floor, id).map(|life| life.life);
            tell(&mut newest, &life.unwrap_or_default(), ToldIn::Wheel(id));
        }
    }
    // What takes nothing back is no correction.
    newest.retain(|row| {
        let found = row.found.as_ref();
        found.is_none_or(|(line, _)| line.voided.is_some())
    });
    if about != About::Everything {
        newest.retain(|row| row.found.is_some());
        more = newest.len().saturating_sub(SHOWN);
        newest.truncate(SHOWN);
    }
    Ok(Corrections { newest, more })
}

/// What the records among these lines said.
/// Voidings that stand, the latest first.
fn latest_first(floor: &Floor) -> Vec<&Voiding> {
    let voids = floor.voids();
    let stands = |by| !voids.takes_back(Target::kept(by, Guard::Correction));
    let mut voidings: Vec<_> = voids.iter().filter(|v| stands(v.by)).collect();
    voidings.sort_by_key(|voiding| std::cmp::Reverse(voiding.by));
    voidings
}

/// What the list of everything's corrections speaks of: facts of closed batches have to be
/// brought back for it.
#[must_use]
pub fn latest_corrected(floor: &Floor) -> Vec<FactId> {
    let latest = latest_first(floor).into_iter().take(SHOWN);
    latest.map(|voiding| voiding.target).collect()
}

fn tell(rows: &mut [Correction], lines: &[LifeLine], told_in: ToldIn) {
    for row in rows.iter_mut().filter(|row| row.found.is_none()) {
        let line = lines.iter().find(|line| line.fact == row.fact);
        row.found = line.map(|line| (line.clone(), told_in));
    }
}
