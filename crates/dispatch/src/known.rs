//! Orders, customers, lanes, markets and recipes by their codes; or what may have been meant.

use std::sync::Arc;

use facts::{CustomerId, LaneId, MarketId, OrderId, RecipeId};
use names::{Kind, UnknownName};
use recipe::{Recipe, RecipeBook};

use crate::customers::{Customer, Customers, Lane};
use crate::orders::{Order, OrderBook};

impl OrderBook {
    /// An order that was placed.
    ///
    /// # Errors
    /// There is no such order.
    pub fn named(&self, id: OrderId) -> Result<Order, UnknownName> {
        self.order(id).ok_or_else(|| {
            let codes = self.orders().map(|order| order.id.to_string());
            UnknownName::among(Kind::Order, id, codes)
        })
    }
}

impl Customers {
    /// A customer.
    ///
    /// # Errors
    /// The file has no such customer.
    pub fn customer(&self, id: CustomerId) -> Result<(CustomerId, &Customer), UnknownName> {
        let known = self.customers.get_key_value(&id);
        let known = known.map(|(id, customer)| (*id, customer));
        known.ok_or_else(|| UnknownName::among(Kind::Customer, id, codes(&self.customers)))
    }

    /// The customer that an order names.
    ///
    /// # Errors
    /// The file has no such customer.
    pub fn who_ordered(&self, customer: &str) -> Result<(CustomerId, &Customer), UnknownName> {
        match CustomerId::new(customer) {
            Ok(id) => self.customer(id),
            Err(_) => {
                let known = codes(&self.customers);
                Err(UnknownName::among(Kind::Customer, customer, known))
            }
        }
    }

    /// A lane.
    ///
    /// # Errors
    /// The file has no such lane.
    pub fn lane(&self, id: LaneId) -> Result<&Lane, UnknownName> {
        let known = self.lanes.get(&id);
        known.ok_or_else(|| UnknownName::among(Kind::Lane, id, codes(&self.lanes)))
    }

    /// Whether there is a market: one that the customers file or a recipe describes. That a
    /// customer is said to be there makes none: nobody would know its law.
    ///
    /// # Errors
    /// Nothing speaks of it.
    pub fn market_named(&self, recipes: &RecipeBook, id: MarketId) -> Result<(), UnknownName> {
        let of_recipes = recipes.iter().flat_map(|recipe| &recipe.markets);
        let known: Vec<MarketId> = self
            .markets
            .keys()
            .copied()
            .chain(of_recipes.map(|market| market.id))
            .collect();
        if known.contains(&id) {
            return Ok(());
        }
        let known: std::collections::BTreeSet<_> = known.into_iter().collect();
        let known = known.iter().map(MarketId::as_str);
        Err(UnknownName::among(Kind::Market, id, known))
    }
}

/// The newest version of a recipe.
///
/// # Errors
/// The site has no such recipe.
pub fn recipe_named(recipes: &RecipeBook, id: RecipeId) -> Result<&Arc<Recipe>, UnknownName> {
    recipes.newest(id).ok_or_else(|| {
        let known: std::collections::BTreeSet<_> = recipes.iter().map(|recipe| recipe.id).collect();
        let known = known.iter().map(RecipeId::as_str);
        UnknownName::among(Kind::Recipe, id, known)
    })
}

fn codes<K: std::fmt::Display, V>(
    of: &std::collections::BTreeMap<K, V>,
) -> impl Iterator<Item = String> {
    of.keys().map(ToString::to_string)
}
