//! Who may do what here: people with badge and PIN, the devices that are stations, and who
//! is signed in. Kept in one file of the gateway's data folder, never in the facts, so that
//! a person and their PIN's hash can be erased.

mod account;
mod device;
mod pin;
pub mod proof;
mod register;
mod secret;
mod session;

pub use account::{Account, Hand, TemperatureUnit, Theme, WeightUnit, Wishes};
pub use authority::Role;
pub use device::Device;
pub use pin::{BadPin, Pin};
pub use register::Register;
pub(crate) use secret::{hash, secret};
pub use session::{IDLE, LONGEST, Moment, Session, SignIn, Signed};
