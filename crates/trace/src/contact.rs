//! Sideways: which wheels shared a surface or the air with suspect ones.
//!
//! One step only: wheels that touched wheels that touched a suspect one are not followed.
//! When a laboratory confirms one of those found here, it is asked for next.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use chrono::{DateTime, TimeDelta, Utc};
use facts::{
    BatchId, Event, Fact, RoomId, StillageId, ToolId, VatId, VatStarted, WheelId, Window, calendar,
};
use serde::Serialize;

use crate::index::Index;
use crate::key::{Key, Table, moment_of};
use crate::stay::OPEN;
use crate::{Level, Place};

/// How long one run of a tool lasts: what it touches within is touched by the same surface.
pub const RUN: TimeDelta = TimeDelta::hours(24);

/// What two wheels had in common.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum How {
    /// The same tool went into it within the same run, not sanitised in between.
    ToolAfter,
    /// It stood in the same stack of hoops at the same time: whey drips.
    Stack,
    /// It lay on the same stillage at the same time.
    Stillage,
    /// It lay in the same case at the same time.
    Case,
    /// The same tool went into it later, and no sanitising is recorded in between.
    ToolLater,
    /// The same tool went into it before, not sanitised in between.
    ToolBefore,
    /// It was the next in the same hoop, and no cleaning is recorded in between.
    HoopAfter,
    /// It is of the next batch from the same vat, and no cleaning is recorded in between.
    VatAfter,
    /// It was in the same room at the same time.
    Room,
}

impl How {
    /// How likely it is that the wheel is affected.
    #[must_use]
    pub const fn level(self) -> Level {
        match self {
            Self::ToolAfter | Self::Stack | Self::Stillage | Self::Case => Level::Probable,
            Self::ToolLater | Self::ToolBefore | Self::HoopAfter | Self::VatAfter | Self::Room => {
                Level::Possible
            }
        }
    }
}

/// One thing that a wheel had in common with a suspect one.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Contact {
    /// What.
    pub how: How,
    /// Which.
    pub place: Place,
    /// The suspect wheel, one of those with which it was.
    pub with: WheelId,
    /// From when.
    pub from: DateTime<Utc>,
    /// To when; the same instant for a touch. `None`: still.
    pub to: Option<DateTime<Utc>>,
}

impl Contact {
    /// In words, as a reason to be in a recall.
    #[must_use]
    pub fn words(&self) -> String {
        let Self { place, with, .. } = self;
        let from = minute(self.from);
        match self.how {
            How::Stack | How::Stillage | How::Case | How::Room => {
                let to = self.to.map_or_else(|| "now".to_owned(), minute);
                let preposition = if self.how == How::Stillage {
                    "on"
                } else {
                    "in"
                };
                format!("{preposition} {place} with {with} from {from} to {to}")
            }
            How::ToolAfter => format!(
                "{place} went into it at {from} in the same run after {with}, not sanitised in between"
            ),
            How::ToolLater => format!(
                "{place} went into it at {from} after {with}: no sanitising is recorded in between"
            ),
            How::ToolBefore => {
                format!("{place} went into it at {from} before {with}, not sanitised in between")
            }
            How::HoopAfter => format!(
                "next in {place} after {with}, from {from}: no cleaning is recorded in between"
            ),
            How::VatAfter => format!(
                "of the batch begun in {place} at {from}, next after that of {with}: no cleaning is recorded in between"
            ),
        }
    }
}

fn minute(at: DateTime<Utc>) -> String {
    at.format("%Y-%m-%d %H:%M UTC").to_string()
}

/// What contact was found, and where cleaning is not recorded at all.
#[derive(Debug, Default)]
pub(crate) struct Contacts {
    pub(crate) of: BTreeMap<WheelId, BTreeSet<Contact>>,
    /// Places whose cleaning no fact ever tells of.
    pub(crate) never_cleaned: BTreeSet<Place>,
}

/// The suspect wheels' times at one place, each with one of the wheels it stands for: those of
/// a stillage came and went together.
type Spans = BTreeMap<(DateTime<Utc>, DateTime<Utc>), WheelId>;

/// What was found so far: the most telling contact for each wheel, place and way.
type Found = HashMap<(WheelId, Place, How), (Contact, TimeDelta)>;

impl Index {
    /// The wheels that had something in common with these, which are not among the answers.
    pub(crate) fn contacts(
        &self,
        suspects: &BTreeSet<WheelId>,
        batches: &BTreeSet<BatchId>,
    ) -> Contacts {
        let mut found = Found::new();
        let mut never_cleaned = BTreeSet::new();
        let mut spans: BTreeMap<Place, Spans> = BTreeMap::new();
        let mut touched: BTreeMap<ToolId, BTreeMap<DateTime<Utc>, WheelId>> = BTreeMap::new();
        for wheel in suspects {
            let story = self.story(*wheel);
            for (place, from, to) in story.stays {
                spans
                    .entry(place)
                    .or_default()
                    .entry((from, to))
                    .or_insert(*wheel);
            }
            for (tool, at) in story.touches {
                touched.entry(tool).or_default().entry(at).or_insert(*wheel);
            }
        }
        let mut note = |wheel: WheelId, contact: Contact, lasted: TimeDelta| {
            if suspects.contains(&wheel) {
                return;
            }
            let best = found
                .entry((wheel, contact.place, contact.how))
                .or_insert((contact, lasted));
            // The longest tells most; of equal ones the first, so that order cannot matter.
            if (lasted, std::cmp::Reverse(contact)) > (best.1, std::cmp::Reverse(best.0)) {
                *best = (contact, lasted);
            }
        };
        for (place, spans) in &spans {
            let how = match place {
                Place::Stack(_) => How::Stack,
                Place::Stillage(_) => How::Stillage,
                Place::Case(_) => How::Case,
                Place::Room(_) => How::Room,
                Place::Hoop(_) => {
                    self.next_in_hoop(*place, spans, &mut never_cleaned, &mut note);
                    continue;
                }
                Place::Vat(_) | Place::Tool(_) => continue,
            };
            for (&(from, to), &with) in spans {
                for stay in self.overlapping(*place, from, to) {
                    let (from, to) = (from.max(stay.from), to.min(stay.to));
                    let contact = Contact {
                        how,
                        place: *place,
                        with,
                        from,
                        to: (to != OPEN).then_some(to),
                    };
                    for wheel in stay.wheels {
                        note(wheel, contact, to - from);
                    }
                }
            }
        }
        for (tool, touched) in &touched {
            self.touched_by(*tool, touched, &mut never_cleaned, &mut note);
        }
        for batch in batches {
            self.next_in_vat(*batch, batches, suspects, &mut never_cleaned, &mut note);
        }
        let mut of: BTreeMap<WheelId, BTreeSet<Contact>> = BTreeMap::new();
        for ((wheel, _, _), (contact, _)) in found {
            of.entry(wheel).or_default().insert(contact);
        }
        Contacts { of, never_cleaned }
    }

    fn next_in_hoop(
        &self,
        place: Place,
        spans: &Spans,
        never_cleaned: &mut BTreeSet<Place>,
        note: &mut impl FnMut(WheelId, Contact, TimeDelta),
    ) {
        let cleaned = self.cleaned(place);
        for (&(from, _), &with) in spans {
            for next in self.next_after(place, from) {
                match until_cleaned(&cleaned, from) {
                    Some(until) if next.from >= until => {}
                    None if next.from - from > RUN => {
                        never_cleaned.insert(place);
                    }
                    _ => {
                        let contact = Contact {
                            how: How::HoopAfter,
                            place,
                            with,
                            from: next.from,
                            to: Some(next.from),
                        };
                        for wheel in next.wheels {
                            note(wheel, contact, TimeDelta::zero());
                        }
                    }
                }
            }
        }
    }

    fn touched_by(
        &self,
        tool: ToolId,
        suspects: &BTreeMap<DateTime<Utc>, WheelId>,
        never_cleaned: &mut BTreeSet<Place>,
        note: &mut impl FnMut(WheelId, Contact, TimeDelta),
    ) {
        let place = Place::Tool(tool);
        let cleaned = self.cleaned(place);
        if cleaned.is_empty() {
            never_cleaned.insert(place);
        }
        for (&at, &with) in suspects {
            // Where sanitising is never recorded, only the run itself counts; the report says so.
            let until = until_cleaned(&cleaned, at).unwrap_or(calendar::later(at, RUN));
            let since = cleaned[..cleaned.partition_point(|c| *c <= at)]
                .last()
                .copied();
            let since = since.unwrap_or(DateTime::<Utc>::MIN_UTC);
            let since = since.max(calendar::earlier(at, RUN));
            for touch in self.touches(tool, since, until) {
                // One pass of a machine with many needles goes into a whole group at once.
                let how = if touch.from < at {
                    How::ToolBefore
                } else if touch.from - at <= RUN {
                    How::ToolAfter
                } else {
                    How::ToolLater
                };
                let contact = Contact {
                    how,
                    place,
                    with,
                    from: touch.from,
                    to: Some(touch.from),
                };
                // The nearer in time, the more telling.
                for wheel in touch.wheels {
                    note(wheel, contact, -(touch.from - at).abs());
                }
            }
        }
    }

    fn next_in_vat(
        &self,
        batch: BatchId,
        suspect_batches: &BTreeSet<BatchId>,
        suspects: &BTreeSet<WheelId>,
        never_cleaned: &mut BTreeSet<Place>,
        note: &mut impl FnMut(WheelId, Contact, TimeDelta),
    ) {
        let born = self.born(batch).into_iter().map(|(wheel, _)| wheel);
        let Some(with) = born.filter(|wheel| suspects.contains(wheel)).min() else {
            return;
        };
        for fact in self.of_batch(batch) {
            let Event::VatStarted(start) = &fact.event else {
                continue;
            };
            let vat = Place::Vat(start.vat);
            let cleaned = self.cleaned(vat);
            let Some((next, start)) = self.next_start(start.vat, &fact, batch) else {
                continue;
            };
            match until_cleaned(&cleaned, fact.occurred_at) {
                Some(until) if next >= until => continue,
                None if next - fact.occurred_at > RUN => {
                    never_cleaned.insert(vat);
                    continue;
                }
                _ => {}
            }
            if suspect_batches.contains(&start.batch) {
                continue;
            }
            for (wheel, _) in self.born(start.batch) {
                let contact = Contact {
                    how: How::VatAfter,
                    place: vat,
                    with,
                    from: next,
                    to: Some(next),
                };
                note(wheel, contact, TimeDelta::zero());
            }
        }
    }

    /// The start of another batch that followed one in a vat.
    fn next_start(
        &self,
        vat: VatId,
        one: &Fact,
        batch: BatchId,
    ) -> Option<(DateTime<Utc>, VatStarted)> {
        let all = Key::of(Table::OfPlace).place(Place::Vat(vat));
        let later = all.clone().moment(one.occurred_at, one.id);
        let mut later = self
            .shelf
            .between(&later, &all.end(), |key, ()| moment_of(key));
        later.retain(|moment| *moment > one.order());
        later
            .into_iter()
            .find_map(|(at, fact)| match self.fact(fact)?.event {
                Event::VatStarted(start) if start.batch != batch => Some((at, start)),
                _ => None,
            })
    }

    /// When a surface was sanitised, in order. Hoops, stillages and vats are sanitised under
    /// the codes on their own cards.
    pub(crate) fn cleaned(&self, place: Place) -> Vec<DateTime<Utc>> {
        let code = match place {
            Place::Vat(id) => ToolId::new(id.as_str()),
            Place::Hoop(id) => ToolId::new(id.as_str()),
            Place::Stack(id) => ToolId::new(id.as_str()),
            Place::Stillage(id) => ToolId::new(id.as_str()),
            Place::Tool(id) => Ok(id),
            Place::Room(_) | Place::Case(_) => return Vec::new(),
        };
        let facts = code.map(|code| self.of_place(Place::Tool(code)));
        let facts = facts.unwrap_or_default();
        let sanitised = facts
            .into_iter()
            .filter(|fact| matches!(fact.event, Event::ToolSanitised(_)));
        sanitised.map(|fact| fact.occurred_at).collect()
    }

    /// Wheels that were in a room in a time.
    pub(crate) fn in_room(&self, room: RoomId, window: Window) -> BTreeSet<WheelId> {
        self.at_place(Place::Room(room), window)
    }

    /// Wheels that were on a stillage in a time.
    pub(crate) fn on_stillage(&self, stillage: StillageId, window: Window) -> BTreeSet<WheelId> {
        self.at_place(Place::Stillage(stillage), window)
    }

    /// Wheels that a tool went into in a time.
    pub(crate) fn by_tool(&self, tool: ToolId, window: Window) -> BTreeSet<WheelId> {
        let within = self.touches(tool, window.from, window.to.unwrap_or(OPEN));
        within.into_iter().flat_map(|touch| touch.wheels).collect()
    }

    fn at_place(&self, place: Place, window: Window) -> BTreeSet<WheelId> {
        let within = self.overlapping(place, window.from, window.to.unwrap_or(OPEN));
        within.into_iter().flat_map(|stay| stay.wheels).collect()
    }
}

/// The first sanitising after an instant; `None` when none is recorded at all, the end of
/// time when none is recorded since.
fn until_cleaned(cleaned: &[DateTime<Utc>], at: DateTime<Utc>) -> Option<DateTime<Utc>> {
    let next = cleaned.get(cleaned.partition_point(|c| *c <= at)).copied();
    (!cleaned.is_empty()).then(|| next.unwrap_or(OPEN))
}
