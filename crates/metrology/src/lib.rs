//! Weights from scales: what a line says, when a weight has settled, exact units.
//!
//! A scale sends text lines, each model in its own words. The site file describes
//! a line once with a [`LineFormat`]; [`LineFormat::read`] turns each line into a
//! [`Frame`], and [`StableWeight`] turns a stream of frames into one weight a wheel.

mod format;
mod line;
mod stable;
mod weight;

pub use format::{BadFormat, LineFormat};
pub use line::{Frame, FrameError};
pub use stable::{Refusal, Settling, StableWeight, Verdict};
pub use weight::{Unit, Weight};
