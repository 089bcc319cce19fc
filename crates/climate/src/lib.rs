//! Room air: what it is, whether its sensors can be believed, and what the wheels felt.
//!
//! A [`Gathering`] turns what sensors publish into facts. [`air`] has the formulas of moist air. [`inspect`] looks for readings that cannot be
//! right; what is left becomes a [`RoomAir`], hour by hour. [`Whereabouts`] says who stood
//! in which room and [`excursions`] when a room was out of its range; together they tell
//! what each wheel has [`felt`]. [`gas`] warns people of carbon dioxide and ammonia.

pub mod air;
mod excursion;
mod felt;
pub mod gas;
mod probe;
mod readings;
mod room_air;
mod sensor;
mod whereabouts;

pub use excursion::{Excursion, Kind, Ranges, excursions};
pub use felt::{Felt, Suffered, felt, suffered};
pub use probe::{Gathering, Probe, Says, Signal, Unusable};
pub use readings::{Reading, Source, readings};
pub use room_air::{Hour, Mean, RoomAir};
pub use sensor::{Doubt, Finding, Inspected, Limits, Offset, inspect};
pub use whereabouts::{Path, Stay, Whereabouts};
