//! Which wheels are in a scope, by every fact that brings one into it: what it was made of,
//! where it was, what touched it.
//!
//! The trace asks here where wheels were; door, floor and desk ask whether a hold lies over
//! one. So a wheel is kept from the fact on that brings it into the scope, and not only once the
//! records say so.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;

use chrono::{DateTime, Utc};
use facts::{
    BatchId, Carrier, Event, LotId, RoomId, Scope, StillageId, ToolId, WheelId, Window, stored_enum,
};

use crate::{Birth, Moment};

/// What a fact says of where its wheels are, or of what touched them.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Into a hoop, off any stillage.
    Hooped,
    /// Onto a stillage.
    Loaded(StillageId),
    /// Into a room; with a stillage as a whole, if one was scanned: whatever stood on it went
    /// along, whoever was named.
    Moved(RoomId, Option<StillageId>),
    /// A tool went into the cheese.
    Touched(ToolId),
    /// Some of a lot was put on.
    Used(LotId),
    /// Away from every place: left, came back, or was thrown away.
    Away,
}

// A number stands for its variant for ever: what is new gets a new one.
stored_enum!(Step {
    0 = Hooped,
    1 = Loaded(stillage),
    2 = Moved(room, stillage),
    3 = Touched(tool),
    4 = Used(lot),
    5 = Away,
});

impl Step {
    /// What a fact says of each of its wheels; `None` when it names no place and no thing.
    #[must_use]
    pub fn of(event: &Event) -> Option<Self> {
        Some(match event {
            Event::WheelHooped(_) => Self::Hooped,
            Event::WheelLoaded(e) => Self::Loaded(e.stillage),
            Event::WheelMoved(e) => Self::Moved(
                e.room,
                match e.via {
                    Some(Carrier::Stillage(stillage)) => Some(stillage),
                    _ => None,
                },
            ),
            Event::WheelPierced(e) => Self::Touched(e.machine),
            Event::WheelIroned(e) => Self::Touched(e.iron?),
            Event::LotUsed(e) => Self::Used(e.lot),
            Event::WheelDispatched(_) | Event::WheelReturned(_) | Event::WheelDiscarded(_) => {
                Self::Away
            }
            _ => return None,
        })
    }
}

/// What went into a batch.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Source {
    /// A lot of milk, culture, rennet or salt.
    Lot(LotId),
    /// Curd of another batch.
    Batch(BatchId),
}

/// What somebody knows of wheels, stillages and batches: only facts that count.
pub trait Known: fmt::Debug {
    /// Where a wheel was and what touched it, in order.
    fn steps(&self, wheel: WheelId) -> Vec<(Moment, Step)>;
    /// The moves of a stillage as a whole, in order.
    fn moves(&self, stillage: StillageId) -> Vec<(Moment, RoomId)>;
    /// What went into a batch.
    fn sources(&self, batch: BatchId) -> Vec<(Moment, Source)>;
}

/// Where a wheel can be for a while, and share it with others.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Spot {
    /// A room.
    Room(RoomId),
    /// A stillage.
    Stillage(StillageId),
}

/// A wheel's time at one spot. The end is not part of it; `None`: it is still there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Stay {
    /// Where.
    pub spot: Spot,
    /// From when.
    pub from: DateTime<Utc>,
    /// To when.
    pub to: Option<DateTime<Utc>>,
}

impl Stay {
    /// Whether it shares an instant with a time.
    #[must_use]
    pub fn overlaps(&self, window: &Window) -> bool {
        window.to.is_none_or(|to| self.from < to) && self.to.is_none_or(|to| to > window.from)
    }
}

/// A wheel's steps with the moves of the stillages that it stood on: it went where they went,
/// whether or not it was named.
#[must_use]
pub fn with_moves_of_stillages(
    own: &[(Moment, Step)],
    moves: impl Fn(StillageId) -> Vec<(Moment, RoomId)>,
) -> Vec<(Moment, Step)> {
    let mut told: BTreeMap<Moment, Step> = BTreeMap::new();
    let ends = |step: &Step| matches!(step, Step::Loaded(_) | Step::Hooped | Step::Away);
    for (n, (since, step)) in own.iter().enumerate() {
        let Step::Loaded(stillage) = *step else {
            continue;
        };
        let until = own[n + 1..].iter().find(|(_, step)| ends(step));
        let between = moves(stillage)
            .into_iter()
            .filter(|(at, _)| at >= since && until.is_none_or(|(until, _)| at < until));
        told.extend(between.map(|(at, room)| (at, Step::Moved(room, Some(stillage)))));
    }
    // Its own facts named most of these moves too.
    told.extend(own.iter().copied());
    told.into_iter().collect()
}

/// Where a wheel was, from when to when, by its steps as [`with_moves_of_stillages`] gives them.
#[must_use]
pub fn stays(
    told: &[(Moment, Step)],
    moves: impl Fn(StillageId) -> Vec<(Moment, RoomId)>,
) -> Vec<Stay> {
    const STILLAGE: usize = 0;
    const ROOM: usize = 1;
    let mut stays = Vec::new();
    let mut now: [Option<(Spot, DateTime<Utc>)>; 2] = [None, None];
    let mut go = |place: usize, to: Option<Spot>, at: DateTime<Utc>| {
        let here = &mut now[place];
        if here.map(|(spot, _)| spot) == to {
            return;
        }
        if let Some((spot, from)) = *here
            && from < at
        {
            let to = Some(at);
            stays.push(Stay { spot, from, to });
        }
        *here = to.map(|spot| (spot, at));
    };
    for &(moment, step) in told {
        let at = moment.at;
        match step {
            Step::Hooped => go(STILLAGE, None, at),
            Step::Loaded(stillage) => {
                go(STILLAGE, Some(Spot::Stillage(stillage)), at);
                // It is where the stillage was moved to last.
                let before = moves(stillage);
                let before = before.iter().rev().find(|(moved, _)| *moved < moment);
                if let Some((_, room)) = before {
                    go(ROOM, Some(Spot::Room(*room)), at);
                }
            }
            Step::Moved(room, _) => go(ROOM, Some(Spot::Room(room)), at),
            Step::Away => {
                go(STILLAGE, None, at);
                go(ROOM, None, at);
            }
            Step::Touched(_) | Step::Used(_) => {}
        }
    }
    let open = now.into_iter().flatten();
    stays.extend(open.map(|(spot, from)| Stay {
        spot,
        from,
        to: None,
    }));
    stays
}

/// A wheel, and what is known of it.
pub(crate) struct Subject<'a> {
    pub(crate) wheel: WheelId,
    pub(crate) births: &'a [Birth],
    pub(crate) known: &'a dyn Known,
}

impl Subject<'_> {
    /// Whether the wheel is in a scope by what was said by then. `lots`: the lot that the scope
    /// names, and those pooled from it. `released`: only what brought it in since counts.
    ///
    /// Rework of a single wheel into a later batch is followed by whoever keeps the records.
    pub(crate) fn is_within(
        &self,
        scope: &Scope,
        lots: &[LotId],
        by_then: &dyn Fn(Moment) -> bool,
        released: Option<Moment>,
    ) -> bool {
        let within = |window: &Window, at: DateTime<Utc>| {
            at >= window.from && window.to.is_none_or(|to| at < to)
        };
        let since = |moment: Moment| released.is_none_or(|released| moment > released);
        let steps = || {
            let mut steps = self.known.steps(self.wheel);
            steps.retain(|(moment, _)| by_then(*moment));
            steps
        };
        let is_of = |of: &dyn Fn(&Source) -> bool| {
            let now = self.made_of(by_then);
            let before =
                |released: Moment| self.made_of(&|moment| by_then(moment) && moment <= released);
            now.iter().any(of) && !released.is_some_and(|at| before(at).iter().any(of))
        };
        match scope {
            Scope::Wheels(wheels) => released.is_none() && wheels.contains(&self.wheel),
            Scope::Batch(batch) => is_of(&|source| *source == Source::Batch(*batch)),
            Scope::Made(window) => {
                let mut births = self.births.iter();
                births.any(|birth| within(window, birth.moment.at) && since(birth.moment))
            }
            Scope::Lot(_) => {
                let on_it = |(at, step): (Moment, Step)| {
                    matches!(step, Step::Used(lot) if lots.contains(&lot)) && since(at)
                };
                steps().into_iter().any(on_it)
                    || is_of(&|source| matches!(source, Source::Lot(lot) if lots.contains(lot)))
            }
            Scope::Tool { tool, window } => steps().into_iter().any(|(moment, step)| {
                step == Step::Touched(*tool) && within(window, moment.at) && since(moment)
            }),
            Scope::Room { room, window } => {
                self.was_at(Spot::Room(*room), window, &steps(), by_then, released)
            }
            Scope::Stillage { stillage, window } => self.was_at(
                Spot::Stillage(*stillage),
                window,
                &steps(),
                by_then,
                released,
            ),
        }
    }

    fn was_at(
        &self,
        spot: Spot,
        window: &Window,
        steps: &[(Moment, Step)],
        by_then: &dyn Fn(Moment) -> bool,
        released: Option<Moment>,
    ) -> bool {
        let moves = |stillage| {
            let mut moves = self.known.moves(stillage);
            moves.retain(|(moment, _)| by_then(*moment));
            moves
        };
        let told = with_moves_of_stillages(steps, moves);
        let mut stays = stays(&told, moves).into_iter();
        // What came there in the same instant counts as after: rather kept than not.
        let since = |stay: &Stay| released.is_none_or(|released| stay.from >= released.at);
        stays.any(|stay| stay.spot == spot && stay.overlaps(window) && since(&stay))
    }

    /// The batches that the wheel is of, by itself and by rework, and the lots in them.
    fn made_of(&self, by_then: &dyn Fn(Moment) -> bool) -> BTreeSet<Source> {
        let births = self.births.iter().filter(|birth| by_then(birth.moment));
        let mut next: Vec<BatchId> = births.map(|birth| birth.batch).collect();
        let mut found: BTreeSet<Source> = next.iter().copied().map(Source::Batch).collect();
        while let Some(batch) = next.pop() {
            for (moment, source) in self.known.sources(batch) {
                if by_then(moment)
                    && found.insert(source)
                    && let Source::Batch(batch) = source
                {
                    next.push(batch);
                }
            }
        }
        found
    }
}
