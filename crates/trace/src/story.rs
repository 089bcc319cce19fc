//! One wheel's story: where it was, what touched it, where it is now.

use chrono::{DateTime, Utc};
use facts::{BatchId, CustomerId, Event, LotId, MarketId, OrderId, WheelId};
use holds::Ledger;
use serde::Serialize;

use crate::Place;
use crate::act::{Act, Entry};
use crate::index::Index;
use crate::number::Number;
use crate::stay::OPEN;

/// Where a wheel is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Whereabouts {
    /// On the dairy's floor.
    #[default]
    InStock,
    /// On its way to a customer.
    InTransit,
    /// With a customer.
    Delivered,
    /// Refused by the customer and not back yet.
    Refused,
    /// Used up by sampling.
    Eaten,
    /// Gone into a later batch.
    Reworked,
    /// Thrown away.
    Discarded,
    /// No fact has seen it for longer than a wheel is ever left alone.
    NotSeen,
}

impl Whereabouts {
    /// Every one, in the order in which they are shown.
    pub const ALL: [Self; 8] = [
        Self::InStock,
        Self::InTransit,
        Self::Delivered,
        Self::Refused,
        Self::Eaten,
        Self::Reworked,
        Self::Discarded,
        Self::NotSeen,
    ];

    /// In words.
    #[must_use]
    pub const fn words(self) -> &'static str {
        match self {
            Self::InStock => "in stock",
            Self::InTransit => "on its way",
            Self::Delivered => "delivered",
            Self::Refused => "refused, on its way back",
            Self::Eaten => "eaten by sampling",
            Self::Reworked => "reworked",
            Self::Discarded => "thrown away",
            Self::NotSeen => "not seen for days",
        }
    }
}

/// One wheel's portioning.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Birth {
    pub(crate) batch: Number<BatchId>,
    pub(crate) grams: u32,
    pub(crate) at: DateTime<Utc>,
}

/// What is known of one wheel.
#[derive(Debug, Default)]
pub(crate) struct Story {
    pub(crate) births: Vec<Birth>,
    pub(crate) stays: Vec<(Number<Place>, DateTime<Utc>, DateTime<Utc>)>,
    pub(crate) touches: Vec<(Number<Place>, DateTime<Utc>)>,
    pub(crate) lots: Vec<(Number<LotId>, DateTime<Utc>)>,
    /// Latest weight.
    pub(crate) grams: Option<u32>,
    /// Its part of what laboratories took.
    pub(crate) sampled_g: u32,
    /// What of it went into later batches.
    pub(crate) reworked_g: u32,
    pub(crate) whereabouts: Whereabouts,
    pub(crate) order: Option<Number<OrderId>>,
    pub(crate) market: Option<Number<MarketId>>,
    pub(crate) customer: Option<Number<CustomerId>>,
    pub(crate) left_at: Option<DateTime<Utc>>,
    pub(crate) delivered_at: Option<DateTime<Utc>>,
    /// What facts say of its holds.
    pub(crate) holds: Ledger,
    pub(crate) first: Option<DateTime<Utc>>,
    pub(crate) last: Option<DateTime<Utc>>,
}

impl Story {
    pub(crate) fn portion_g(&self) -> u32 {
        self.births.first().map_or(0, |birth| birth.grams)
    }

    pub(crate) fn batch(&self) -> Option<Number<BatchId>> {
        self.births.first().map(|birth| birth.batch)
    }

    /// Where it stands now, of the places of one kind.
    pub(crate) fn stands_in<'a>(
        &'a self,
        index: &'a Index,
        kind: impl Fn(&Place) -> bool + 'a,
    ) -> Option<Place> {
        let open = self.stays.iter().rev().filter(|(_, _, to)| *to == OPEN);
        open.map(|(place, _, _)| index.names.places.name(*place))
            .find(kind)
    }

    /// What of it is still whole: its latest weight less what was taken off.
    pub(crate) fn left_g(&self) -> u32 {
        let whole = self.grams.unwrap_or(0);
        whole
            .saturating_sub(self.sampled_g)
            .saturating_sub(self.reworked_g)
    }
}

/// The places a wheel is at while its story is told, at most one of a kind.
#[derive(Default)]
struct Now {
    hoop: Option<(Number<Place>, DateTime<Utc>)>,
    stack: Option<(Number<Place>, DateTime<Utc>)>,
    stillage: Option<(Number<Place>, DateTime<Utc>)>,
    room: Option<(Number<Place>, DateTime<Utc>)>,
    case: Option<(Number<Place>, DateTime<Utc>)>,
}

type Stayed = Vec<(Number<Place>, DateTime<Utc>, DateTime<Utc>)>;

/// Ends one stay and begins another; staying where it is changes nothing.
fn go(
    at_now: &mut Option<(Number<Place>, DateTime<Utc>)>,
    to: Option<Number<Place>>,
    at: DateTime<Utc>,
    stays: &mut Stayed,
) {
    if at_now.map(|(place, _)| place) == to {
        return;
    }
    if let Some((place, since)) = *at_now
        && since < at
    {
        stays.push((place, since, at));
    }
    *at_now = to.map(|place| (place, at));
}

impl Now {
    fn leave(&mut self, at: DateTime<Utc>, stays: &mut Stayed) {
        for place in [
            &mut self.hoop,
            &mut self.stack,
            &mut self.stillage,
            &mut self.room,
        ] {
            go(place, None, at, stays);
        }
    }

    fn close(self, stays: &mut Stayed) {
        let all = [self.hoop, self.stack, self.stillage, self.room, self.case];
        for (place, since) in all.into_iter().flatten() {
            stays.push((place, since, OPEN));
        }
    }
}

impl Index {
    /// What happened to a wheel and counts, in order; handling left out.
    pub(crate) fn life(&self, wheel: Number<WheelId>) -> Vec<Entry> {
        let groups = self.groups_of.list(wheel).iter();
        let mut life: Vec<Entry> = groups
            .flat_map(|group| &self.groups[*group as usize].acts)
            .map(|entry| self.entries[*entry as usize])
            .filter(|entry| !entry.void)
            .collect();
        life.sort_by_key(Entry::order);
        life
    }

    /// Who handled a wheel, and when it was last in anyone's hands.
    pub(crate) fn hands(&self, wheel: Number<WheelId>) -> impl Iterator<Item = &Entry> {
        let groups = self
            .groups_of
            .list(wheel)
            .iter()
            .map(|group| &self.groups[*group as usize]);
        groups
            .flat_map(|group| group.acts.iter().chain(&group.handled))
            .map(|entry| &self.entries[*entry as usize])
            .filter(|entry| !entry.void)
    }

    /// Tells a wheel's story from its facts alone.
    pub(crate) fn story(&self, wheel: Number<WheelId>) -> Story {
        let own = self.life(wheel);
        let told = self.with_moves_of_its_stillages(own);
        let mut story = Story::default();
        let mut now = Now::default();
        for entry in &told {
            story.first.get_or_insert(entry.at);
            story.last = Some(entry.at);
            self.tell(&mut story, &mut now, entry, wheel);
        }
        now.close(&mut story.stays);
        let reworked = self.facts(self.rework_of.list(wheel));
        for fact in reworked {
            if let Event::VatReworked(e) = &fact.event {
                story.reworked_g = story.reworked_g.saturating_add(e.weight_g.get());
            }
        }
        if story.whereabouts == Whereabouts::InStock && story.grams.is_some_and(|g| g > 0) {
            if story.reworked_g > 0 && story.left_g() == 0 {
                story.whereabouts = Whereabouts::Reworked;
            } else if story.sampled_g > 0 && story.left_g() == 0 {
                story.whereabouts = Whereabouts::Eaten;
            }
        }
        story
    }

    fn tell(&self, story: &mut Story, now: &mut Now, entry: &Entry, wheel: Number<WheelId>) {
        let at = entry.at;
        self.write(&mut story.holds, entry);
        let stays = &mut story.stays;
        match entry.act {
            Act::Portioned { batch, grams } => {
                story.births.push(Birth { batch, grams, at });
                story.grams.get_or_insert(grams);
            }
            Act::Hooped { hoop, stack } => {
                go(&mut now.hoop, Some(hoop), at, stays);
                go(&mut now.stack, stack, at, stays);
                go(&mut now.stillage, None, at, stays);
            }
            Act::Unhooped => {
                go(&mut now.hoop, None, at, stays);
                go(&mut now.stack, None, at, stays);
            }
            Act::Loaded { stillage } => {
                go(&mut now.stack, None, at, stays);
                go(&mut now.stillage, Some(stillage), at, stays);
                if let Some(room) = self.room_of_stillage(stillage, entry) {
                    go(&mut now.room, Some(room), at, stays);
                }
            }
            Act::Moved { room, .. } => go(&mut now.room, Some(room), at, stays),
            Act::Touched { tool } => story.touches.push((tool, at)),
            Act::Weighed { grams } => story.grams = Some(grams),
            Act::Used { lot } => story.lots.push((lot, at)),
            Act::Sampled { grams } => {
                story.sampled_g = story
                    .sampled_g
                    .saturating_add(self.part(entry, grams, wheel));
            }
            Act::Held { .. } | Act::Released { .. } => {}
            Act::Packed { order, case } => {
                story.order = Some(order);
                go(&mut now.case, Some(case), at, stays);
            }
            Act::Dispatched {
                order,
                market,
                customer,
            } => {
                now.leave(at, stays);
                // Whoever took it without an order did not take what was packed for one.
                story.order = order.or(story.order.filter(|_| customer.is_none()));
                story.market = market;
                story.customer = customer;
                story.left_at = Some(at);
                story.whereabouts = Whereabouts::InTransit;
            }
            Act::Delivered => {
                story.delivered_at = Some(at);
                story.whereabouts = Whereabouts::Delivered;
            }
            Act::Refused => story.whereabouts = Whereabouts::Refused,
            Act::Returned => {
                now.leave(at, stays);
                go(&mut now.case, None, at, stays);
                (story.order, story.market, story.customer) = (None, None, None);
                (story.left_at, story.delivered_at) = (None, None);
                story.whereabouts = Whereabouts::InStock;
            }
            Act::Discarded => {
                now.leave(at, stays);
                go(&mut now.case, None, at, stays);
                story.whereabouts = Whereabouts::Discarded;
            }
            Act::Handled => {}
        }
    }

    /// A wheel's part of what was taken of a whole group: equal parts, the first wheels
    /// bearing the grams left over, so that the parts add up.
    fn part(&self, entry: &Entry, grams: u32, wheel: Number<WheelId>) -> u32 {
        let groups = self
            .groups_of
            .list(wheel)
            .iter()
            .map(|group| &self.groups[*group as usize]);
        let mut sampled = groups.filter(|group| {
            let same = |number: &u32| self.entries[*number as usize].id == entry.id;
            group.acts.iter().any(same)
        });
        let Some(group) = sampled.next() else {
            return 0;
        };
        let mut wheels: Vec<WheelId> = group
            .wheels
            .iter()
            .map(|w| self.names.wheels.name(*w))
            .collect();
        wheels.sort_unstable();
        let name = self.names.wheels.name(wheel);
        let place = wheels.iter().position(|w| *w == name).unwrap_or(0);
        let count = u32::try_from(wheels.len()).unwrap_or(u32::MAX).max(1);
        grams / count + u32::from((place as u64) < u64::from(grams % count))
    }

    /// Where a stillage stood when something was put on it, by its own last move.
    fn room_of_stillage(&self, stillage: Number<Place>, at: &Entry) -> Option<Number<Place>> {
        let moves = self.moves_of.list(stillage);
        let until = moves.partition_point(|n| self.entries[*n as usize].order() < at.order());
        let mut before = moves[..until]
            .iter()
            .rev()
            .map(|n| &self.entries[*n as usize]);
        match before.find(|entry| !entry.void)?.act {
            Act::Moved { room, .. } => Some(room),
            _ => None,
        }
    }

    /// A wheel on a stillage goes where the stillage goes, whether or not it was named.
    fn with_moves_of_its_stillages(&self, own: Vec<Entry>) -> Vec<Entry> {
        let mut told: Vec<Entry> = Vec::new();
        let mut on: Option<(Number<Place>, &Entry)> = None;
        for entry in &own {
            let next = match entry.act {
                Act::Loaded { stillage } => Some((stillage, entry)),
                Act::Hooped { .. } | Act::Dispatched { .. } | Act::Returned | Act::Discarded => {
                    None
                }
                _ => continue,
            };
            if let Some((stillage, since)) = on {
                told.extend(self.moves_between(stillage, since, Some(entry)));
            }
            on = next;
        }
        if let Some((stillage, since)) = on {
            told.extend(self.moves_between(stillage, since, None));
        }
        if told.is_empty() {
            return own;
        }
        told.extend(own);
        told.sort_by_key(Entry::order);
        // Its own facts named most of these moves too. One fact does one thing to a wheel.
        told.dedup_by_key(|entry| entry.id);
        told
    }

    /// A stillage's own moves from one entry to another.
    fn moves_between<'a>(
        &'a self,
        stillage: Number<Place>,
        since: &Entry,
        until: Option<&'a Entry>,
    ) -> impl Iterator<Item = Entry> + 'a {
        let moves = self.moves_of.list(stillage);
        let first = moves.partition_point(|n| self.entries[*n as usize].order() < since.order());
        let moves = moves[first..].iter().map(|n| self.entries[*n as usize]);
        moves
            .take_while(move |entry| until.is_none_or(|until| entry.order() < until.order()))
            .filter(|entry| !entry.void)
    }
}
