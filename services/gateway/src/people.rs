//! Who may do what here: people with badge and PIN, the devices that are stations, and who
//! is signed in. Kept in one file of the gateway's data folder, never in the facts, so that
//! a person and their PIN's hash can be erased.

mod account;
mod pin;
mod register;

pub use account::{Account, Hand, Role, TemperatureUnit, Theme, WeightUnit, Wishes};
pub use pin::{BadPin, Pin};
pub use register::{Device, Register, Session, SignIn, Signed};
pub(crate) use register::{hash, secret};
