//! What people ask of the floor, and the answers: plain data, the same for a running
//! floor and for a replayed file. Times are instants; `*_local` is the same as people
//! on the floor say it.

mod batch;
mod due;
mod floor;
mod known;
mod wheel;

pub use batch::{BatchPicture, batch};
pub use due::{Due, DueLine, DueQuery, due};
pub use floor::{ActionLine, AlertLine, FloorPicture, PlaceLine, floor};
pub use known::{batch_named, room_named, wheel_named};
pub use wheel::{
    Face, LifeLine, MarketLine, NextLine, WheelLife, WheelRow, carrier, census, census_after, wheel,
};
