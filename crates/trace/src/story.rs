//! One wheel's story: where it was, what touched it, where it is now.

use chrono::{DateTime, Utc};
use facts::{
    BatchId, CustomerId, Event, LotId, MarketId, OrderId, RoomId, StillageId, ToolId, WheelId,
};
use holds::{Known, Ledger, Moment, Source, Spot, Step, stays, with_moves_of_stillages};
use serde::{Deserialize, Serialize};

use crate::Place;
use crate::act::{Act, Entry};
use crate::hold::write;
use crate::index::Index;
use crate::key::{Key, Table};
use crate::stay::OPEN;
use crate::taking::Move;

/// Where a wheel is.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Default, Serialize, Deserialize,
)]
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
    pub(crate) batch: BatchId,
    pub(crate) grams: u32,
    pub(crate) at: DateTime<Utc>,
}

/// What is known of one wheel.
#[derive(Debug, Default)]
pub(crate) struct Story {
    pub(crate) births: Vec<Birth>,
    pub(crate) stays: Vec<(Place, DateTime<Utc>, DateTime<Utc>)>,
    pub(crate) touches: Vec<(ToolId, DateTime<Utc>)>,
    pub(crate) lots: Vec<(LotId, DateTime<Utc>)>,
    /// Latest weight.
    pub(crate) grams: Option<u32>,
    /// Its part of what laboratories took.
    pub(crate) sampled_g: u32,
    /// What of it went into later batches.
    pub(crate) reworked_g: u32,
    pub(crate) whereabouts: Whereabouts,
    pub(crate) order: Option<OrderId>,
    pub(crate) market: Option<MarketId>,
    pub(crate) customer: Option<CustomerId>,
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

    pub(crate) fn batch(&self) -> Option<BatchId> {
        self.births.first().map(|birth| birth.batch)
    }

    /// Where it stands now, of the places of one kind.
    pub(crate) fn stands_in(&self, kind: impl Fn(&Place) -> bool) -> Option<Place> {
        let open = self.stays.iter().rev().filter(|(_, _, to)| *to == OPEN);
        open.map(|(place, _, _)| *place).find(kind)
    }

    /// What of it is still whole: its latest weight less what was taken off.
    pub(crate) fn left_g(&self) -> u32 {
        let whole = self.grams.unwrap_or(0);
        whole
            .saturating_sub(self.sampled_g)
            .saturating_sub(self.reworked_g)
    }
}

/// The places a wheel is at while its story is told, at most one of a kind. Rooms and stillages:
/// [`holds::stays`].
#[derive(Default)]
struct Now {
    hoop: Option<(Place, DateTime<Utc>)>,
    stack: Option<(Place, DateTime<Utc>)>,
    case: Option<(Place, DateTime<Utc>)>,
}

type Stayed = Vec<(Place, DateTime<Utc>, DateTime<Utc>)>;

/// Ends one stay and begins another; staying where it is changes nothing.
fn go(
    at_now: &mut Option<(Place, DateTime<Utc>)>,
    to: Option<Place>,
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
        for place in [&mut self.hoop, &mut self.stack] {
            go(place, None, at, stays);
        }
    }

    fn close(self, stays: &mut Stayed) {
        let all = [self.hoop, self.stack, self.case];
        for (place, since) in all.into_iter().flatten() {
            stays.push((place, since, OPEN));
        }
    }
}

impl Index {
    /// What happened to a wheel and counts, in order; handling left out.
    pub(crate) fn life(&self, wheel: WheelId) -> Vec<Entry> {
        let mut life = self.said(wheel, &[Table::Act]);
        life.sort_by_key(Entry::order);
        life
    }

    /// Who had a wheel in their hands, and when.
    pub(crate) fn hands(&self, wheel: WheelId) -> Vec<Entry> {
        self.said(wheel, &[Table::Act, Table::Handled])
    }

    /// Whether anybody ever had a wheel in their hands.
    pub(crate) fn was_in_hands(&self, wheel: WheelId) -> bool {
        let tables = [Table::Act, Table::Handled].iter();
        let any = |table: &Table| !self.said(wheel, &[*table]).is_empty();
        tables.into_iter().any(any)
    }

    /// A wheel's portionings, in order.
    pub(crate) fn births(&self, wheel: WheelId) -> Vec<Birth> {
        let life = self.life(wheel).into_iter();
        let births = life.filter_map(|entry| match entry.said.act {
            Act::Portioned { batch, grams } => Some(Birth {
                batch,
                grams,
                at: entry.at,
            }),
            _ => None,
        });
        births.collect()
    }

    /// Tells a wheel's story from its facts alone.
    pub(crate) fn story(&self, wheel: WheelId) -> Story {
        let own = self.life(wheel);
        let mut story = Story::default();
        let mut now = Now::default();
        for entry in &own {
            story.first.get_or_insert(entry.at);
            story.last = Some(entry.at);
            self.tell(&mut story, &mut now, entry, wheel);
        }
        now.close(&mut story.stays);
        let moves = |stillage| self.moves(stillage);
        let told = with_moves_of_stillages(&steps_of(&own), moves);
        let moved = told.last().map(|(moment, _)| moment.at);
        story.last = story.last.max(moved);
        for stay in stays(&told, moves) {
            let place = match stay.spot {
                Spot::Room(room) => Place::Room(room),
                Spot::Stillage(stillage) => Place::Stillage(stillage),
            };
            let to = stay.to.unwrap_or(OPEN);
            story.stays.push((place, stay.from, to));
        }
        for fact in self.rework_of(wheel) {
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

    fn tell(&self, story: &mut Story, now: &mut Now, entry: &Entry, wheel: WheelId) {
        let at = entry.at;
        write(&mut story.holds, entry);
        let stays = &mut story.stays;
        match entry.said.act {
            Act::Portioned { batch, grams } => {
                story.births.push(Birth { batch, grams, at });
                story.grams.get_or_insert(grams);
            }
            Act::Hooped { hoop, stack } => {
                go(&mut now.hoop, Some(hoop), at, stays);
                go(&mut now.stack, stack, at, stays);
            }
            Act::Unhooped => {
                go(&mut now.hoop, None, at, stays);
                go(&mut now.stack, None, at, stays);
            }
            Act::Loaded { .. } => go(&mut now.stack, None, at, stays),
            Act::Moved { .. } => {}
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
    fn part(&self, entry: &Entry, grams: u32, wheel: WheelId) -> u32 {
        let mut groups = self.wheel(wheel).groups.into_iter();
        let Some(group) = groups.find(|group| self.counting(*group, entry.order()).is_some())
        else {
            return 0;
        };
        let wheels = self.wheels_of(group);
        let place = wheels.iter().position(|w| *w == wheel).unwrap_or(0);
        let count = u32::try_from(wheels.len()).unwrap_or(u32::MAX).max(1);
        grams / count + u32::from((place as u64) < u64::from(grams % count))
    }
}

/// Where a wheel was and what touched it, by what happened to it.
fn steps_of(life: &[Entry]) -> Vec<(Moment, Step)> {
    let step = |entry: &Entry| {
        Some(match entry.said.act {
            Act::Hooped { .. } => Step::Hooped,
            Act::Loaded { stillage } => Step::Loaded(stillage),
            Act::Moved { room, with } => Step::Moved(room, with),
            Act::Touched { tool } => Step::Touched(tool),
            Act::Used { lot } => Step::Used(lot),
            Act::Dispatched { .. } | Act::Returned | Act::Discarded => Step::Away,
            _ => return None,
        })
    };
    let steps = life.iter();
    steps
        .filter_map(|entry| Some((Moment::new(entry.at, entry.id), step(entry)?)))
        .collect()
}

impl Known for Index {
    fn steps(&self, wheel: WheelId) -> Vec<(Moment, Step)> {
        steps_of(&self.life(wheel))
    }

    fn moves(&self, stillage: StillageId) -> Vec<(Moment, RoomId)> {
        let moves = Key::of(Table::Moves).code(&stillage);
        let moves = self.moments::<Move>(&moves).into_iter();
        let counts = moves.filter(|(_, _, moved)| !moved.void);
        counts
            .map(|(at, fact, moved)| (Moment::new(at, fact), moved.room))
            .collect()
    }

    fn sources(&self, batch: BatchId) -> Vec<(Moment, Source)> {
        let course = self.course(batch);
        course.map_or_else(Vec::new, |course| course.sources(&self.voids).collect())
    }
}
