//! VAT: milk goes into a vat. Vat, batch, recipe and litres in any order, and as many
//! milk lots as went in, scanned before the last of the four.

use facts::{BatchId, LotId, RecipeId, VatId, VatStarted, some_milk};
use quantity::Litres;

use crate::code::Code;
use crate::floor::{Floor, Step};

/// What was scanned so far.
#[derive(Debug, Clone, Default)]
pub(crate) struct Vat {
    vat: Option<VatId>,
    batch: Option<BatchId>,
    recipe: Option<(RecipeId, u32)>,
    milk: Option<Litres>,
    lots: Vec<LotId>,
}

impl Vat {
    pub(crate) fn take(&mut self, code: Code, floor: &Floor<'_>) -> Step {
        match code {
            Code::Vat(vat) => self.vat = Some(vat),
            Code::Batch(batch) => self.batch = Some(batch),
            Code::Lot(lot) => {
                if !self.lots.contains(&lot) {
                    self.lots.push(lot);
                }
            }
            Code::Recipe(recipe) => match floor.setup.recipes.get(&recipe) {
                Some(&version) => self.recipe = Some((recipe, version)),
                None => {
                    return Step::wrong(format!(
                        "recipe {recipe} is not in the site file: scan a recipe's own card"
                    ));
                }
            },
            Code::Number(litres) => match Litres::new(litres) {
                Ok(litres) => match some_milk(litres) {
                    Ok(()) => self.milk = Some(litres),
                    Err(nonsense) => return Step::wrong(nonsense.to_string()),
                },
                Err(refused) => return Step::wrong(format!("{refused}: scan the litres again")),
            },
            other => {
                return Step::wrong(format!(
                    "VAT takes a vat, batch, recipe, milk lot and litres, not {other}"
                ));
            }
        }
        self.record(floor)
            .unwrap_or_else(|| Step::next(format!("{code}: scan {}", self.missing())))
    }

    fn record(&mut self, floor: &Floor<'_>) -> Option<Step> {
        let (vat, batch, milk_l) = (self.vat?, self.batch?, self.milk?);
        let (recipe, recipe_version) = self.recipe?;
        let started = VatStarted {
            batch,
            vat,
            recipe,
            recipe_version,
            milk_l,
            milk_lots: std::mem::take(&mut self.lots),
        };
        *self = Self::default();
        let done = format!("batch {batch}, {milk_l} of milk in vat {vat}");
        Some(match floor.placement.is_started(batch) {
            true => {
                let flag = format!("batch {batch} was started before");
                Step::flagged(&done, &flag, vec![started.into()])
            }
            false => Step::ok(done, vec![started.into()]),
        })
    }

    fn missing(&self) -> String {
        let wanted = [
            ("vat", self.vat.is_none()),
            ("batch", self.batch.is_none()),
            ("recipe", self.recipe.is_none()),
            ("litres", self.milk.is_none()),
        ];
        let names: Vec<_> = wanted
            .iter()
            .filter(|(_, missing)| *missing)
            .map(|(name, _)| *name)
            .collect();
        names.join(", ")
    }

    pub(crate) fn left_open(&self) -> Option<String> {
        let begun = [
            self.vat.map(|v| format!("vat {v}")),
            self.batch.map(|b| format!("batch {b}")),
            self.recipe.map(|(r, _)| format!("recipe {r}")),
            self.milk.map(|m| m.to_string()),
        ];
        let first = begun.into_iter().flatten().next()?;
        Some(format!("{first} without {}", self.missing()))
    }
}
