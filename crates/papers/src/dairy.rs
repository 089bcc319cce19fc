//! What facts do not say: who the dairy is, what its cheese is called, where customers are.

use chrono::NaiveDate;
use facts::{LotKind, RecipeId};
use gs1::{Gln, Gtin};
use quantity::DairyDay;

/// When a wheel's making is completed: 21 CFR 1.1350(a)(2) asks for the date, and the
/// dairy's own traceability plan says which it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Completed {
    /// When the last of the batch went into its hoop.
    Hooped,
    /// When the last of the batch left its hoop.
    Unhooped,
    /// So many days after the make day.
    Day(u16),
}

/// A product.
#[derive(Debug, Clone, PartialEq)]
pub struct Product {
    /// The recipe it is made by.
    pub recipe: RecipeId,
    /// As it is described to others.
    pub description: String,
    /// Its trade item number, if it has one.
    pub gtin: Option<Gtin>,
}

/// A customer, under the name that orders carry.
#[derive(Debug, Clone, PartialEq)]
pub struct Customer {
    /// The name.
    pub name: String,
    /// The address goods go to.
    pub address: String,
    /// Its location number, if it has one.
    pub gln: Option<Gln>,
}

/// A supplier, under the name that deliveries carry.
#[derive(Debug, Clone, PartialEq)]
pub struct Supplier {
    /// The name.
    pub name: String,
    /// The address goods come from.
    pub address: String,
}

/// What is bought.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Bought {
    /// Milk.
    Milk,
    /// Anything else.
    Lot(LotKind),
}

/// How a supplier's class of goods is to be taken when a message names it.
#[derive(Debug, Clone, PartialEq)]
pub struct Imported {
    /// How the class begins.
    pub starts: String,
    /// What it is.
    pub is: Bought,
    /// The product, as its label says.
    pub product: String,
    /// Who it comes from, where the message does not say it in words.
    pub supplier: String,
}

/// A dairy, as its papers file describes it.
#[derive(Debug, Clone, PartialEq)]
pub struct Dairy {
    /// Its name.
    pub name: String,
    /// Its address.
    pub address: String,
    /// Whom to ask.
    pub contact: String,
    /// The beginning of its own web addresses, which name what has no GS1 key.
    pub domain: String,
    /// Its location number, if it has one.
    pub gln: Option<Gln>,
    /// When making is completed.
    pub completed: Completed,
    /// Products.
    pub products: Vec<Product>,
    /// Customers.
    pub customers: Vec<Customer>,
    /// Suppliers.
    pub suppliers: Vec<Supplier>,
    /// What suppliers' messages speak of.
    pub imports: Vec<Imported>,
}

impl Dairy {
    /// The dairy's name and address, as a lot code's source is written.
    #[must_use]
    pub fn place(&self) -> String {
        format!("{}, {}", self.name, self.address)
    }

    /// What a recipe's cheese is called to others.
    #[must_use]
    pub fn describe(&self, recipe: Option<RecipeId>) -> String {
        match self.product(recipe) {
            Some(product) => product.description.clone(),
            None => match recipe {
                Some(recipe) => format!("{recipe}: DESCRIPTION MISSING"),
                None => "DESCRIPTION MISSING".to_owned(),
            },
        }
    }

    pub(crate) fn product(&self, recipe: Option<RecipeId>) -> Option<&Product> {
        self.products
            .iter()
            .find(|product| Some(product.recipe) == recipe)
    }

    /// A customer's name and address.
    #[must_use]
    pub fn customer_place(&self, name: &str) -> String {
        match self.customers.iter().find(|customer| customer.name == name) {
            Some(customer) => format!("{name}, {}", customer.address),
            None => format!("{name}, ADDRESS MISSING"),
        }
    }

    /// A supplier's name and address.
    #[must_use]
    pub fn supplier_place(&self, name: &str) -> String {
        match self.suppliers.iter().find(|supplier| supplier.name == name) {
            Some(supplier) => format!("{name}, {}", supplier.address),
            None => format!("{name}, ADDRESS MISSING"),
        }
    }

    pub(crate) fn completed_on(
        &self,
        made: DairyDay,
        hooped: Option<DairyDay>,
        unhooped: Option<DairyDay>,
    ) -> Option<NaiveDate> {
        match self.completed {
            Completed::Hooped => hooped.map(DairyDay::date),
            Completed::Unhooped => unhooped.map(DairyDay::date),
            Completed::Day(days) => Some(made.plus(days.into()).date()),
        }
    }
}
