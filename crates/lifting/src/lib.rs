//! How heavy a lift may be: the revised NIOSH lifting equation.
//!
//! Source: Waters, Putz-Anderson, Garg, *Applications Manual for the Revised NIOSH
//! Lifting Equation*, DHHS (NIOSH) publication 94-110, revised September 2021
//! (doi 10.26616/NIOSHPUB94110revised092021). The multipliers are computed from the
//! formulas; the manual's printed tables are rounded (and two of their cells misprinted),
//! so its worked figures differ from ours in the third digit.
//!
//! The equation is for two-handed, smooth lifts by one person standing on firm ground.
//! It knows nothing of pushing, carrying, wet floors or cold rooms. What it says is
//! advice: the law, the dairy's own risk assessment and the person's doctor decide.

mod advice;
mod equation;
mod frequency;

pub use advice::{Advice, Caution, Remedy, advise};
pub use equation::{Coupling, Lift, LiftError, Limit, Why};
pub use frequency::{Duration, frequency_multiplier};
