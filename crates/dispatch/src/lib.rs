//! Orders and wheels: who gets which wheel, on which day, and what to say when it is not
//! enough.
//!
//! Pure: facts, the customers file, wheels and a moment go in; promises, allocations, pick
//! lists and notes come out. [`orders`] folds what was ordered; [`wanted`] works out what is
//! still to come and how it can go; [`stock`] groups wheels that are interchangeable;
//! [`office`] folds a floor and its orders together;
//! [`allocate()`] brings them together at the least cost ([`model`]) and explains itself.
//! An allocation advises; only a scan sends a wheel.

mod allocate;
pub mod allocation;
pub mod check;
pub mod confirm;
pub mod customers;
mod deal;
pub mod demand;
mod explain;
pub mod export;
pub mod fit;
pub mod import;
mod known;
pub mod makes;
mod mixing;
pub mod model;
pub mod note;
pub mod office;
pub mod orders;
pub mod pack;
pub mod pick;
pub mod promise;
pub mod readiness;
pub mod report;
pub mod stock;
pub mod transit;
pub mod verdict;
pub mod wanted;
mod words;

pub use allocate::{Problem, allocate};
pub use allocation::{Allocation, Yesterday};
pub use customers::Customers;
pub use export::export;
pub use known::recipe_named;
pub use model::{Memory, Objective, RANK_NAMES};
pub use office::{Look, Office};
pub use orders::{Order, OrderBook};
pub use promise::promise;
pub use readiness::{FloorForecast, Forecast, NoForecast, Readiness};
pub use stock::{Cheese, GradeCounts, Stock};
pub use verdict::{Verdict, may_leave};
pub use wanted::{LineKey, Now, Wanted, open_lines};
