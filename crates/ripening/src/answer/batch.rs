//! A batch: its make record and its wheels.

use chrono::{DateTime, Utc};
use facts::{BatchId, ForecastTold, WheelId};
use names::UnknownName;
use quantity::DairyDay;
use serde::{Deserialize, Serialize};

use super::wheel::{LifeLine, WheelRow, row};
use crate::Floor;
use crate::rule::recipe_name;

/// A batch: its make record and its wheels.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct BatchPicture {
    /// The batch.
    pub batch: BatchId,
    /// Its recipe, `larkholm-blue v1`.
    pub recipe: Option<String>,
    /// Milk in the vat, litres.
    pub milk_l: Option<f64>,
    /// The make record.
    pub record: Vec<LifeLine>,
    /// Its wheels as they stand.
    pub wheels: Vec<WheelRow>,
    /// The wheels whose cores stand for the batch.
    pub to_iron: Vec<WheelId>,
    /// When the last of them showed blue right through.
    pub ready: Option<DateTime<Utc>>,
    /// What the forecast expects of it, as told last.
    #[serde(default)]
    pub expected: Option<ForecastTold>,
}

/// A batch.
///
/// # Errors
/// No fact speaks of it.
pub fn batch(floor: &Floor, id: BatchId) -> Result<BatchPicture, UnknownName> {
    let (id, batch) = super::batch_named(floor, id)?;
    let clock = &floor.practice().clock;
    let record = batch.lines.iter().map(|(moment, line)| LifeLine {
        at: moment.at,
        claim: None,
        said: None,
        at_local: clock.local(moment.at),
        words: line.words.clone(),
        station: line.station,
        person: line.person,
        fact: moment.fact,
        voided: floor
            .voids()
            .reason(line.target(moment.fact))
            .map(str::to_owned),
        flags: Vec::new(),
    });
    Ok(BatchPicture {
        batch: id,
        recipe: recipe_name(floor.recipe_of(id).map(AsRef::as_ref), batch.missing),
        milk_l: batch
            .started(floor.voids())
            .map(|started| started.milk.get()),
        record: record.collect(),
        wheels: batch
            .wheels
            .iter()
            .filter_map(|w| Some(row(floor, *w, floor.wheel(*w)?)))
            .collect(),
        to_iron: batch.progress.to_iron.clone(),
        ready: batch.progress.ready.map(|moment| moment.at),
        expected: batch.progress.expected.clone().map(|(_, told)| told),
    })
}

/// What a batch was portioned into.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Portioned {
    /// The batch.
    pub batch: BatchId,
    /// The dairy day it was made; none before a wheel of it was portioned.
    pub made: Option<DairyDay>,
    /// Weights of its portions, grams.
    pub portions_g: Vec<f64>,
    /// By its recipe: the weight aimed at, and how far off a portion may be, grams.
    pub target_g: Option<(f64, f64)>,
}

/// What a batch was portioned into.
///
/// # Errors
/// No fact speaks of it.
pub fn portioned(floor: &Floor, id: BatchId) -> Result<Portioned, UnknownName> {
    let (id, batch) = super::batch_named(floor, id)?;
    let wheels = batch.wheels.iter().filter_map(|wheel| floor.wheel(*wheel));
    let states = || wheels.clone().map(|wheel| wheel.state());
    let portions = states().filter_map(|state| Some(f64::from(state.portion?.get())));
    let target = floor.recipe_of(id).map(|recipe| {
        let portion = recipe.portion;
        let weights = [portion.weight_g, portion.tolerance_g];
        weights.map(|grams| f64::from(grams.get())).into()
    });
    Ok(Portioned {
        batch: id,
        made: states().find_map(|state| state.made),
        portions_g: portions.collect(),
        target_g: target,
    })
}
