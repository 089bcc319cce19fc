//! Larkholm Dairy, simulated: what its people scan and weigh, day by day, and the truth
//! about it.
//!
//! **Larkholm Dairy, *Larkholm Blue*, its people, rooms and every figure here are
//! invented.** The figures are chosen so that the demonstration looks like a dairy;
//! they are no advice on how to make or ripen cheese.
//!
//! [`Dairy`] plays one dairy day at a time: [`Dairy::next_day`] gives the [`Doing`]s in
//! the order in which they reach the system, mistakes included. [`Dairy::ledger`] is what
//! truly happened, kept by the simulation itself. It shares no rule, no type and no clock
//! with the rest of the project, so that the folded state can be checked against it.
//!
//! The same seed, size and mistakes always give the same scans.

mod calendar;
mod chance;
mod cheese;
mod climate;
mod dairy;
mod deed;
mod dispatch;
mod doing;
mod drain;
mod floor;
mod hold;
mod iron;
mod ledger;
mod make;
mod mistakes;
mod nature;
mod pierce;
mod rooms;
mod state;
mod turn;
mod visit;

pub use dairy::{Dairy, Size};
pub use deed::{Act, Deed, Incident, Kind, Mark, MissedTurn, Stranger, Void, WheelNo};
pub use doing::{DayScript, Doing, Expected, Sale, What};
pub use ledger::{Ledger, Summary};
pub use mistakes::Mistakes;
pub use nature::{Nature, Ripeness};
pub use state::WheelState;

/// The site's code.
pub const SITE: &str = "larkholm";
/// The code of the one cheese made.
pub const RECIPE: &str = "larkholm-blue";
/// The stations that scan, in the order of the process. [`PORTION`] has the scale.
pub const STATIONS: [&str; 8] = [VAT, PORTION, DRAIN, RUB, ROOM, PIERCE, IRON, DISPATCH];
/// The make room's station.
pub const VAT: &str = "vat-1";
/// The station with the portion scale.
pub const PORTION: &str = "portion-1";
/// The draining room's handheld.
pub const DRAIN: &str = "drain-1";
/// The table where wheels leave their hoops and are rubbed up.
pub const RUB: &str = "rub-1";
/// The maturing rooms' handheld.
pub const ROOM: &str = "room-1";
/// The station at the piercing machine.
pub const PIERCE: &str = "pierce-1";
/// The ironers' and graders' station.
pub const IRON: &str = "iron-1";
/// The dispatch bay's station.
pub const DISPATCH: &str = "dispatch-1";
/// A manager's desk: who is signed in there with badge and PIN.
pub const OFFICE: &str = "office-2";
/// The source of the rooms' climate readings.
pub const AIR: &str = "air-1";
/// The rooms, in the order in which a wheel passes through them: draining, hastening
/// (warmest of the maturing rooms), second, third, cold store.
pub const ROOMS: [&str; 5] = ["R0", "R1", "R2", "R3", "R4"];
/// The weight that the portion scale is checked with every morning, grams.
pub const CHECK_WEIGHT_G: u32 = 5_000;
/// Most wheels on a stillage.
pub const STILLAGE_HOLDS: usize = 24;
/// Hoops in a full stack.
pub const STACK_HOLDS: usize = 6;
