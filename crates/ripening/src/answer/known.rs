//! What is asked about, found; or what may have been meant.

use facts::{BatchId, RoomId, WheelId};
use names::{Kind, Known, UnknownName};

use crate::{Batch, Floor, Wheel};

/// A wheel and its code as it was first written.
///
/// # Errors
/// No fact speaks of it.
pub fn wheel_named(floor: &Floor, id: WheelId) -> Result<(WheelId, &Wheel), UnknownName> {
    floor.wheel_as_kept(id).ok_or_else(|| {
        let codes = floor.wheels().map(|(id, _)| id.as_str());
        UnknownName::among(Kind::Wheel, id, codes)
    })
}

/// A batch and its code as it was first written.
///
/// # Errors
/// No fact speaks of it.
pub fn batch_named(floor: &Floor, id: BatchId) -> Result<(BatchId, &Batch), UnknownName> {
    floor.batch_as_kept(id).ok_or_else(|| {
        let codes = floor.batches().map(|(id, _)| id.as_str());
        UnknownName::among(Kind::Batch, id, codes)
    })
}

/// Whether there is a room: one of the site's own, one that was measured, or one that a wheel
/// stands in.
///
/// # Errors
/// There is no such room.
pub fn room_named(floor: &Floor, own: &[RoomId], id: RoomId) -> Result<RoomId, UnknownName> {
    if let Some(own) = own.iter().find(|own| **own == id) {
        return Ok(*own);
    }
    let mut known = Known::default().with(Kind::Room, own);
    floor.rooms().for_each(|(id, _)| known.add(Kind::Room, id));
    let rooms = floor.wheels().filter_map(|(_, wheel)| wheel.state().room);
    rooms.for_each(|room| known.add(Kind::Room, room.value));
    known.find(Kind::Room, id).map(|_| id)
}
