//! Every recipe a site works by.

use std::collections::BTreeMap;
use std::sync::Arc;

use facts::RecipeId;

use crate::Recipe;

/// Recipes by name and version. Wheels keep the version they were made under.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct RecipeBook(BTreeMap<(RecipeId, u32), Arc<Recipe>>);

impl RecipeBook {
    /// Adds a recipe; `false` when that version is there already.
    pub fn add(&mut self, recipe: Recipe) -> bool {
        let key = (recipe.id, recipe.version);
        let new = !self.0.contains_key(&key);
        if new {
            self.0.insert(key, Arc::new(recipe));
        }
        new
    }

    /// One version of a recipe.
    #[must_use]
    pub fn get(&self, id: RecipeId, version: u32) -> Option<&Arc<Recipe>> {
        self.0.get(&(id, version))
    }

    /// The newest version of a recipe: what a new batch is made by.
    #[must_use]
    pub fn newest(&self, id: RecipeId) -> Option<&Arc<Recipe>> {
        self.0
            .range((id, 0)..=(id, u32::MAX))
            .next_back()
            .map(|(_, recipe)| recipe)
    }

    /// Every version of every recipe.
    pub fn iter(&self) -> impl DoubleEndedIterator<Item = &Arc<Recipe>> {
        self.0.values()
    }
}
