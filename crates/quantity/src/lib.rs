//! Physical quantities and dairy time: values that cannot be impossible.
//!
//! Every type here refuses, at the edge, a value that cannot occur on a dairy
//! floor, so that nothing inside has to check again. Times are always passed in:
//! nothing in this crate reads a clock.

pub mod calendar;
mod day;
mod measure;

pub use day::{Age, DairyClock, DairyDay};
pub use measure::{Celsius, Grams, Litres, OutOfRange, Percent, Ph, Ppm};
