//! What people ask of the floor, and the answers: plain data, the same for a running
//! floor and for a replayed file. Times are instants; `*_local` is the same as people
//! on the floor say it.

mod batch;
mod corrections;
mod due;
mod find;
mod floor;
mod known;
mod stand;
mod wheel;

pub use batch::{BatchPicture, Portioned, batch, portioned};
pub use corrections::{About, Correction, Corrections, ToldIn, corrections, latest_corrected};
pub use due::{Due, DueLine, DueQuery, due};
pub use find::{Found, bare, date, find};
pub use floor::{ActionLine, AlertLine, FloorPicture, PlaceLine, floor};
pub use known::{batch_named, room_named, wheel_named};
pub use stand::{Place, Places, StandRow, days_ago, places, stand, stands_on};
pub use wheel::{
    Face, Happened, LifeLine, MarketLine, NextLine, WheelLife, WheelRow, carrier, census,
    census_after, happened, wheel,
};
