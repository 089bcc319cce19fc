//! Labels that should be printed.

use std::sync::Arc;

use facts::{BatchId, FactId, WheelId};
use quantity::{DairyDay, Grams};
use recipe::Recipe;

use super::Floor;
use crate::wheel::Label;

/// A label that should be printed.
#[derive(Debug, Clone, PartialEq)]
pub struct LabelWanted {
    /// The wheel.
    pub wheel: WheelId,
    /// Its portioning.
    pub cause: FactId,
    /// Its batch.
    pub batch: BatchId,
    /// Its make day.
    pub made: DairyDay,
    /// Its curd weight.
    pub weight: Grams,
    /// The recipe it was made by.
    pub recipe: Arc<Recipe>,
}

impl Floor {
    /// Labels that should be printed and have not been asked for since the start.
    pub fn take_labels(&mut self) -> Vec<LabelWanted> {
        let wanted = std::mem::take(&mut self.labels_wanted);
        let labels = wanted.into_iter().filter_map(|id| {
            let slot = self.wheels.slot(id)?;
            self.wheels[slot].label = Label::AskedFor;
            let state = &self.wheels[slot].state;
            let batch = state.batch?;
            Some(LabelWanted {
                wheel: id,
                cause: state.born?.fact,
                batch,
                made: state.made?,
                weight: state.portion?,
                recipe: self.recipe_of(batch)?.clone(),
            })
        });
        labels.collect()
    }
}
