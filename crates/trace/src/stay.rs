//! Who was where from when to when: a list of stays for every place.

use chrono::{DateTime, TimeDelta, Utc};
use facts::WheelId;

use crate::Place;
use crate::number::{Number, Table};
use crate::story::Story;

/// A wheel at a place. The end is not part of it; a wheel that is still there has none.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Stay {
    pub(crate) from: DateTime<Utc>,
    pub(crate) to: DateTime<Utc>,
    pub(crate) wheel: Number<WheelId>,
}

/// The end of a stay that has not ended.
pub(crate) const OPEN: DateTime<Utc> = DateTime::<Utc>::MAX_UTC;

/// The stays at one place.
#[derive(Debug, Default)]
pub(crate) struct Stays {
    /// Those that ended, by their start.
    ended: Vec<Stay>,
    /// Those that have not, by their start.
    open: Vec<Stay>,
    /// No stay that ended was longer.
    longest: TimeDelta,
    changed: bool,
}

impl Stays {
    fn add(&mut self, stay: Stay) {
        self.changed = true;
        if stay.to == OPEN {
            self.open.push(stay);
        } else {
            self.longest = self.longest.max(stay.to - stay.from);
            self.ended.push(stay);
        }
    }

    /// The stays that share an instant with `[from, to)`, by their start.
    pub(crate) fn overlapping(
        &self,
        from: DateTime<Utc>,
        to: DateTime<Utc>,
    ) -> impl Iterator<Item = Stay> {
        // A stay that began earlier than this had ended before.
        let earliest = from
            .checked_sub_signed(self.longest)
            .unwrap_or(DateTime::<Utc>::MIN_UTC);
        let first = self.ended.partition_point(|stay| stay.from < earliest);
        let ended = self.ended[first..]
            .iter()
            .take_while(move |stay| stay.from < to);
        let open = self.open.iter().take_while(move |stay| stay.from < to);
        ended
            .filter(move |stay| stay.to > from)
            .chain(open)
            .copied()
    }

    /// The stays that begin first after an instant: more than one only if they begin together.
    pub(crate) fn next_after(&self, at: DateTime<Utc>) -> Vec<Stay> {
        let after = |stays: &'_ [Stay]| {
            let place = stays.partition_point(|stay| stay.from <= at);
            stays[place..]
                .iter()
                .take_while({
                    let first = stays.get(place).map(|stay| stay.from);
                    move |stay| Some(stay.from) == first
                })
                .copied()
                .collect::<Vec<_>>()
        };
        let mut next = [after(&self.ended), after(&self.open)].concat();
        let first = next.iter().map(|stay| stay.from).min();
        next.retain(|stay| Some(stay.from) == first);
        next
    }
}

/// One touch of a wheel by a tool.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) struct Touch {
    pub(crate) at: DateTime<Utc>,
    pub(crate) wheel: Number<WheelId>,
}

/// What all wheels share.
#[derive(Debug, Default)]
pub(crate) struct Sharing {
    stays: Table<Place, Stays>,
    touches: Table<Place, Vec<Touch>>,
    /// The places in whose lists a wheel stands.
    stood_at: Table<WheelId, Box<[Number<Place>]>>,
    changed: Vec<Number<Place>>,
}

impl Sharing {
    pub(crate) fn at(&self, place: Number<Place>) -> Option<&Stays> {
        self.stays.get(place)
    }

    /// Touches by a tool, in order.
    pub(crate) fn touches(&self, tool: Number<Place>) -> &[Touch] {
        self.touches.list(tool)
    }

    /// Takes wheels, in the order of their numbers, out of every list.
    pub(crate) fn forget(&mut self, wheels: &[Number<WheelId>]) {
        let mut places: Vec<Number<Place>> = Vec::new();
        for wheel in wheels {
            places.extend(std::mem::take(self.stood_at.entry(*wheel)));
        }
        places.sort_unstable();
        places.dedup();
        let stays = |wheel: &Number<WheelId>| wheels.binary_search(wheel).is_err();
        for place in places {
            let list = self.stays.entry(place);
            list.ended.retain(|stay| stays(&stay.wheel));
            list.open.retain(|stay| stays(&stay.wheel));
            self.touches
                .entry(place)
                .retain(|touch| stays(&touch.wheel));
        }
    }

    /// Puts a wheel where its story says it was. [`Sharing::order`] must follow.
    pub(crate) fn add(&mut self, wheel: Number<WheelId>, story: &Story) {
        let mut places: Vec<Number<Place>> = Vec::new();
        for &(place, from, to) in &story.stays {
            self.stays.entry(place).add(Stay { from, to, wheel });
            places.push(place);
        }
        for &(tool, at) in &story.touches {
            self.touches.entry(tool).push(Touch { at, wheel });
            places.push(tool);
        }
        places.sort_unstable();
        places.dedup();
        self.changed.extend(&places);
        *self.stood_at.entry(wheel) = places.into();
    }

    pub(crate) fn order(&mut self) {
        let mut changed = std::mem::take(&mut self.changed);
        changed.sort_unstable();
        changed.dedup();
        for place in changed {
            let list = self.stays.entry(place);
            if std::mem::take(&mut list.changed) {
                list.ended.sort();
                list.open.sort();
            }
            self.touches.entry(place).sort();
        }
    }
}
