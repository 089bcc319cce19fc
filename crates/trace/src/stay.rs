//! Who was where from when to when, and what touched it: derived from the wheels' stories.

use std::collections::BTreeSet;

use chrono::{DateTime, TimeDelta, Utc};
use facts::{ToolId, WheelId, stored_struct};

use crate::index::Index;
use crate::key::{Key, Table, after, exact};
use crate::{Place, Whereabouts};

/// Wheels at a place, which came and went together. The end is not part of it; wheels that are
/// still there have none.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Stay {
    pub(crate) from: DateTime<Utc>,
    pub(crate) to: DateTime<Utc>,
    pub(crate) wheels: BTreeSet<WheelId>,
}

stored_struct!(Stay { from via exact, to via exact, wheels });

/// The end of a stay that has not ended.
pub(crate) const OPEN: DateTime<Utc> = DateTime::<Utc>::MAX_UTC;

/// Where a wheel stands in the lists of what wheels share.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct Stand {
    place: Place,
    from: DateTime<Utc>,
    /// `None`: it was touched there.
    to: Option<At>,
}

stored_struct!(Stand { place, from via exact, to });

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct At {
    at: DateTime<Utc>,
}

stored_struct!(At { at via exact });

/// Stays lie by how long they lasted: those of one class began at most so long before whatever
/// they share an instant with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Class(u8);

impl Class {
    /// Those that have not ended.
    const OPEN: Self = Self(u8::MAX);
    /// Each four times as long as the one before; the last is longer than the calendar.
    const ALL: u8 = 23;

    fn of(from: DateTime<Utc>, to: DateTime<Utc>) -> Self {
        if to == OPEN {
            return Self::OPEN;
        }
        let seconds = (to - from).num_seconds().max(0).cast_unsigned();
        let bits = u64::BITS - seconds.leading_zeros();
        Self(
            u8::try_from(bits.div_ceil(2))
                .unwrap_or(Self::ALL)
                .min(Self::ALL),
        )
    }

    fn all() -> impl Iterator<Item = Self> {
        (0..=Self::ALL).map(Self).chain([Self::OPEN])
    }

    /// When the earliest of the class began that had not ended at an instant.
    fn earliest(self, at: DateTime<Utc>) -> DateTime<Utc> {
        let longest = 1_i64.checked_shl(2 * u32::from(self.0));
        let longest = longest.and_then(TimeDelta::try_seconds);
        let earliest = longest.and_then(|longest| at.checked_sub_signed(longest));
        earliest.unwrap_or(DateTime::<Utc>::MIN_UTC)
    }
}

impl Index {
    /// The stays at a place that share an instant with `[from, to)`.
    pub(crate) fn overlapping(
        &self,
        place: Place,
        from: DateTime<Utc>,
        to: DateTime<Utc>,
    ) -> Vec<Stay> {
        let mut found = Vec::new();
        for class in Class::all() {
            let stays = Key::of(Table::Stays).place(place).byte(class.0);
            let first = stays.clone().at(class.earliest(from));
            let within = self
                .shelf
                .between(&first, &stays.at(to), |_, stay: Stay| Some(stay));
            found.extend(within.into_iter().filter(|stay| stay.to > from));
        }
        found
    }

    /// The stays that begin first after an instant: more than one only if they begin together.
    pub(crate) fn next_after(&self, place: Place, at: DateTime<Utc>) -> Vec<Stay> {
        let mut next: Vec<Stay> = Vec::new();
        for class in Class::all() {
            let stays = Key::of(Table::Stays).place(place).byte(class.0);
            let first = stays.clone().at(after(at));
            let mut from = None;
            let begun = self.shelf.between(&first, &stays.end(), |_, stay: Stay| {
                (*from.get_or_insert(stay.from) == stay.from).then_some(stay)
            });
            next.extend(begun);
        }
        let first = next.iter().map(|stay| stay.from).min();
        next.retain(|stay| Some(stay.from) == first);
        next
    }

    /// Touches by a tool in `[from, to)`, in order: each is a stay of no length.
    pub(crate) fn touches(
        &self,
        tool: ToolId,
        from: DateTime<Utc>,
        to: DateTime<Utc>,
    ) -> Vec<Stay> {
        let touches = Key::of(Table::Touches).place(Place::Tool(tool));
        let first = touches.clone().at(from);
        self.shelf
            .between(&first, &touches.at(to), |_, touch| Some(touch))
    }

    /// Puts a wheel where its story says it was, and nowhere else; and among those that may be
    /// held, if it is.
    pub(crate) fn settle_wheel(&mut self, wheel: WheelId) {
        let story = self.story(wheel);
        let stays = story.stays.iter().map(|&(place, from, to)| Stand {
            place,
            from,
            to: Some(At { at: to }),
        });
        let touches = story.touches.iter().map(|&(tool, at)| Stand {
            place: Place::Tool(tool),
            from: at,
            to: None,
        });
        let mut is: Vec<Stand> = stays.chain(touches).collect();
        is.sort_unstable();
        is.dedup();
        let key = Key::of(Table::Stands).code(&wheel);
        let was: Vec<Stand> = self.shelf.get(&key).unwrap_or_default();
        if was != is {
            for gone in was.iter().filter(|stand| !is.contains(stand)) {
                let (key, mut stay) = self.stood(gone);
                stay.wheels.remove(&wheel);
                if stay.wheels.is_empty() {
                    self.shelf.remove(&key);
                } else {
                    self.shelf.put(&key, &stay);
                }
            }
            for new in is.iter().filter(|stand| !was.contains(stand)) {
                let (key, mut stay) = self.stood(new);
                stay.wheels.insert(wheel);
                self.shelf.put(&key, &stay);
            }
            self.shelf.put(&key, &is);
        }
        let key = Key::of(Table::Held).code(&wheel);
        let may_be_held = story.whereabouts != Whereabouts::Discarded && {
            let course = self.course_of(&story.holds);
            let over = self.over(wheel, course.as_ref(), &[]);
            !story.holds.holds(over).is_empty()
        };
        if may_be_held != self.shelf.has(&key) {
            if may_be_held {
                self.shelf.put(&key, &wheel);
            } else {
                self.shelf.remove(&key);
            }
        }
    }

    /// The wheels that stood so, and where that is kept.
    fn stood(&self, stand: &Stand) -> (Key, Stay) {
        let from = stand.from;
        let (key, to) = match stand.to {
            Some(At { at: to }) => {
                let class = Class::of(from, to);
                let stays = Key::of(Table::Stays).place(stand.place).byte(class.0);
                (stays.at(from).at(to), to)
            }
            None => (Key::of(Table::Touches).place(stand.place).at(from), from),
        };
        let stay = self.shelf.get(&key).unwrap_or(Stay {
            from,
            to,
            wheels: BTreeSet::new(),
        });
        (key, stay)
    }

    /// Wheels that recipes or facts about them may hold: no others are held by either.
    pub(crate) fn may_be_held(&self) -> Vec<WheelId> {
        self.shelf.under(&Key::of(Table::Held), |_, wheel| wheel)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stay_is_found_from_whatever_shares_an_instant_with_it() {
        let start: DateTime<Utc> = DateTime::UNIX_EPOCH;
        for seconds in (0..40).flat_map(|n| [1_i64 << n, (1 << n) - 1]) {
            let end = start + TimeDelta::seconds(seconds) + TimeDelta::milliseconds(999);
            let class = Class::of(start, end);
            assert!(class.earliest(end) <= start, "{seconds} s");
        }
        assert_eq!(Class::of(start, OPEN), Class::OPEN);
        assert_eq!(Class::OPEN.earliest(start), DateTime::<Utc>::MIN_UTC);
    }
}
