//! Weights from scales: what a line says, when a weight has settled, exact units.
//!
//! A scale sends bytes, each model in its own words. [`LineCutter`] cuts them into lines.
//! The site file describes a line once with a [`LineFormat`]; [`LineFormat::read`] turns
//! each line into a [`Frame`], and [`StableWeight`] turns a stream of frames into one weight
//! a wheel. When lines cannot be read, [`Suspicion::of`] guesses which setting is wrong.
//! [`Plate`] holds what a scale may weigh and how wrong it may be, [`HoopTypes`] what hoops
//! weigh.

mod cut;
mod format;
mod line;
mod plate;
mod stable;
mod suspect;
mod tare;
mod weight;

pub use cut::LineCutter;
pub use format::{BadFormat, LineFormat};
pub use line::{Frame, FrameError, shown};
pub use plate::{BadClass, BadPlate, Class, Plate};
pub use stable::{Refusal, Settled, Settling, StableWeight, Verdict};
pub use suspect::{Parity, Suspected, Suspicion};
pub use tare::{HoopType, HoopTypes, TwoTypes};
pub use weight::{BadWeight, Unit, Weight};
