//! Who stood in which room, and when.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use chrono::{DateTime, Utc};
use facts::{Event, Fact, RoomId, WheelId};

/// A wheel's time in one room.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub struct Stay {
    /// The room.
    pub room: RoomId,
    /// When it came.
    pub from: DateTime<Utc>,
    /// When it left; `None` while it is there.
    pub until: Option<DateTime<Utc>>,
}

/// A wheel's stays, oldest first. Wheels that went the same way share one.
pub type Path = Arc<[Stay]>;

/// Where every wheel has been.
#[derive(Debug, Clone, Default)]
pub struct Whereabouts {
    paths: BTreeMap<WheelId, Path>,
    nowhere: Path,
}

impl Whereabouts {
    /// From the facts that count, in order (`holds::counting`).
    #[must_use]
    pub fn of(facts: &[&Fact]) -> Self {
        let mut stays: BTreeMap<WheelId, Vec<Stay>> = BTreeMap::new();
        for fact in facts {
            let at = fact.occurred_at;
            match &fact.event {
                Event::WheelMoved(moved) => {
                    for wheel in &moved.wheels {
                        arrive(stays.entry(*wheel).or_default(), moved.room, at);
                    }
                }
                Event::WheelDispatched(_) | Event::WheelDiscarded(_) => {
                    for wheel in fact.event.wheels() {
                        if let Some(stays) = stays.get_mut(wheel) {
                            leave(stays, at);
                        }
                    }
                }
                _ => {}
            }
        }
        let mut known: HashMap<Vec<Stay>, Path> = HashMap::new();
        let paths = stays.into_iter().map(|(wheel, stays)| {
            let path = known
                .entry(stays)
                .or_insert_with_key(|stays| Arc::from(stays.as_slice()));
            (wheel, path.clone())
        });
        Self {
            paths: paths.collect(),
            nowhere: Arc::from([]),
        }
    }

    /// Where a wheel has been; empty when nobody ever said.
    #[must_use]
    pub fn path(&self, wheel: WheelId) -> &Path {
        self.paths.get(&wheel).unwrap_or(&self.nowhere)
    }

    /// Every wheel with its way, in the order of serials.
    pub fn iter(&self) -> impl Iterator<Item = (WheelId, &Path)> {
        self.paths.iter().map(|(wheel, path)| (*wheel, path))
    }
}

fn arrive(stays: &mut Vec<Stay>, room: RoomId, at: DateTime<Utc>) {
    if let Some(last) = stays.last()
        && last.until.is_none()
    {
        if last.room == room {
            return; // another place in the same room
        }
        leave(stays, at);
    }
    stays.push(Stay {
        room,
        from: at,
        until: None,
    });
}

fn leave(stays: &mut [Stay], at: DateTime<Utc>) {
    if let Some(last) = stays.last_mut() {
        last.until.get_or_insert(at);
    }
}
