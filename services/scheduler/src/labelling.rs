//! What labels tell, from the folded floor and the site's own texts.

use std::sync::Arc;

use facts::{FactId, OrderPacked, Sscc, WheelId};
use labels::{CaseLabel, CaseWheel, Dairy, Label, LabelJob, WheelLabel};
use quantity::DairyDay;
use recipe::Recipe;
use ripening::{Floor, LabelWanted};
use serde::{Deserialize, Serialize};
use site::{Labels, Site};

/// What a site's labels say beside what the floor knows.
#[derive(Debug, Clone)]
pub struct Texts {
    dairy: Dairy,
    labels: Labels,
}

/// A wheel's label as it would be printed now: the answer to `label`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LabelNow {
    /// What it tells.
    pub label: Label,
    /// Whether it was printed before, so that another is a copy.
    pub labelled: bool,
}

impl Texts {
    /// A site's texts.
    #[must_use]
    pub fn of(site: &Site) -> Self {
        Self {
            dairy: site.dairy(),
            labels: site.labels.clone(),
        }
    }

    /// The job for a wheel that was just portioned.
    #[must_use]
    pub fn first(&self, wanted: &LabelWanted) -> LabelJob {
        let label = WheelLabel {
            wheel: wanted.wheel,
            batch: wanted.batch,
            made: wanted.made,
            best_before: Some(best_before(&wanted.recipe, wanted.made)),
            weight_g: wanted.weight,
            product: self.labels.product(&wanted.recipe),
            dairy: self.dairy.clone(),
        };
        LabelJob {
            cause: wanted.cause,
            copy: false,
            label: Label::Wheel(label),
        }
    }

    /// A wheel's label as it would be printed now. `None` for a wheel that was never
    /// portioned, or whose recipe is not known.
    #[must_use]
    pub fn now(&self, floor: &Floor, id: WheelId) -> Option<LabelNow> {
        let state = floor.wheel(id)?.state();
        let (batch, made) = (state.batch?, state.made?);
        let recipe = floor.recipe_of(batch)?;
        let label = WheelLabel {
            wheel: id,
            batch,
            made,
            best_before: Some(best_before(recipe, made)),
            // The label says "when portioned", whatever was weighed since.
            weight_g: state.portion?,
            product: self.labels.product(recipe),
            dairy: self.dairy.clone(),
        };
        Some(LabelNow {
            label: Label::Wheel(label),
            labelled: state.labelled,
        })
    }

    /// The job for a pallet: a case's label that counts everything that stands on it.
    ///
    /// # Errors
    /// As for [`Self::case`].
    pub fn pallet(
        &self,
        floor: &Floor,
        cause: FactId,
        pallet: Sscc,
        cases: &[OrderPacked],
    ) -> Result<LabelJob, String> {
        let first = cases.first().ok_or_else(|| "no case is on it".to_owned())?;
        let all = OrderPacked {
            order: first.order,
            case: pallet,
            wheels: cases.iter().flat_map(|case| case.wheels.clone()).collect(),
            pallet: None,
        };
        self.case(floor, cause, &all)
    }

    /// The job for a case that was just packed.
    ///
    /// # Errors
    /// A sentence that says what to do: the wheels are sold by their weight, so each must
    /// have been weighed since it was portioned, and all must be one cheese.
    pub fn case(
        &self,
        floor: &Floor,
        cause: FactId,
        packed: &OrderPacked,
    ) -> Result<LabelJob, String> {
        let then = "then record the packing again";
        let mut wheels = Vec::new();
        let mut recipe: Option<&Arc<Recipe>> = None;
        let mut best: Option<DairyDay> = None;
        for id in &packed.wheels {
            let state = floor.wheel(*id).map(|wheel| wheel.state());
            let known = state.and_then(|s| Some((s, s.batch?, s.made?, s.born?)));
            let (state, batch, made, born) = known
                .ok_or_else(|| format!("wheel {id} was never portioned here: check its label"))?;
            let weighed = state.weight.filter(|weight| weight.moment != born);
            let weight = weighed.ok_or_else(|| {
                format!("wheel {id} was not weighed since it was portioned: weigh it, {then}")
            })?;
            let own = floor
                .recipe_of(batch)
                .ok_or_else(|| format!("the recipe of batch {batch} is not known"))?;
            if recipe.is_some_and(|other| other.id != own.id) {
                return Err(format!(
                    "it holds more than one cheese: take wheel {id} out, {then}"
                ));
            }
            recipe = Some(own);
            let day = best_before(own, made);
            best = Some(best.map_or(day, |earliest| earliest.min(day)));
            wheels.push(CaseWheel {
                wheel: *id,
                batch,
                weight_g: weight.value,
            });
        }
        let recipe = recipe.ok_or_else(|| "it holds no wheel".to_owned())?;
        Ok(LabelJob {
            cause,
            copy: false,
            label: Label::Case(CaseLabel {
                case: packed.case,
                order: Some(packed.order),
                customer: None,
                wheels,
                best_before: best,
                product: self.labels.product(recipe),
                dairy: self.dairy.clone(),
            }),
        })
    }
}

fn best_before(recipe: &Recipe, made: DairyDay) -> DairyDay {
    made.plus(recipe.best_before_days)
}
