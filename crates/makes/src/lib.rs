//! Make yield: what a vat should give, what it gave, and where the rest went.
//!
//! [`expected_kg_per_100_kg`] is Van Slyke and Price's formula, [`square`] Pearson's. [`makes`]
//! gathers what the facts say of each vat; a [`Balance`] sets what went in against what came
//! out and names the kilograms that nobody can explain; [`Individuals`] charts the yield of
//! one make after the other.

mod balance;
pub mod draw;
mod expected;
mod individuals;
mod make;
mod pearson;

pub use balance::{Balance, Line, Maturing, balance, maturing};
pub use expected::{
    CASEIN_OF_PROTEIN, FAT_RETAINED, Impossible, at_moisture, expected_kg_per_100_kg,
};
pub use individuals::{Individuals, Point};
pub use make::{MILK_KG_L, MadeWheel, Make, Milk, Oddity, Stands, WHEY_KG_L, makes};
pub use pearson::{NoMixture, Parts, square};
