//! Whether there is what a recall or a hold is about: nothing is ever said to be unaffected
//! because its code was mistyped.

use std::fmt;

use chrono::{DateTime, Utc};
use facts::{BatchId, LotId, OrderId, RoomId, Scope, StillageId, ToolId, WheelId};
use names::{Kind, Known, UnknownName};

use crate::family::Node;
use crate::{Recall, Settings, Trace};

/// Why a recall is not told.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum NoRecall {
    /// There is no such thing.
    Unknown(UnknownName),
    /// The time asked about begins after the time that facts are known to.
    NotBegun {
        /// When it begins.
        from: DateTime<Utc>,
        /// Until when facts are known.
        known_to: DateTime<Utc>,
    },
}

impl fmt::Display for NoRecall {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let minute = |at: &DateTime<Utc>| at.format("%Y-%m-%d %H:%M UTC").to_string();
        match self {
            Self::Unknown(name) => name.fmt(f),
            Self::NotBegun { from, known_to } => write!(
                f,
                "the time asked about begins at {}, and what is known reaches to {}: nothing has happened in it yet, so nothing can be said of it. Ask about a time that has begun",
                minute(from),
                minute(known_to)
            ),
        }
    }
}

impl std::error::Error for NoRecall {}

impl From<UnknownName> for NoRecall {
    fn from(name: UnknownName) -> Self {
        Self::Unknown(name)
    }
}

impl Trace<'_> {
    /// A recall of something that there is: see [`Trace::recall`] and [`Trace::known`].
    ///
    /// # Errors
    /// There is no such thing, or the time asked about has not begun.
    pub fn recall_of(
        &self,
        about: &Scope,
        also: &Known,
        settings: &Settings,
        now: DateTime<Utc>,
    ) -> Result<Recall, NoRecall> {
        let about = self.known(about, also)?;
        if let Some(window) = about.window()
            && window.from > now
        {
            return Err(NoRecall::NotBegun {
                from: window.from,
                known_to: now,
            });
        }
        Ok(self.recall(&about, settings, now))
    }

    /// What a scope names, as it was first written down. `also`: rooms and tools that are known
    /// from elsewhere, whether or not a fact speaks of them.
    ///
    /// # Errors
    /// There is no such thing.
    pub fn known(&self, scope: &Scope, also: &Known) -> Result<Scope, UnknownName> {
        Ok(match scope {
            Scope::Lot(lot) => Scope::Lot(self.lot(*lot)?),
            Scope::Batch(batch) => Scope::Batch(self.batch(*batch)?),
            Scope::Wheels(wheels) => {
                let known = wheels.iter().map(|wheel| self.wheel(*wheel));
                Scope::Wheels(known.collect::<Result<_, _>>()?)
            }
            Scope::Room { room, .. } => {
                self.place(Kind::Room, room, also)?;
                scope.clone()
            }
            Scope::Stillage { stillage, .. } => {
                self.place(Kind::Stillage, stillage, also)?;
                scope.clone()
            }
            Scope::Tool { tool, .. } => {
                self.place(Kind::Tool, tool, also)?;
                scope.clone()
            }
            Scope::Made(_) => scope.clone(),
        })
    }

    /// How many wheels are in a scope.
    #[must_use]
    pub fn wheels_in(&self, scope: &Scope) -> usize {
        self.index.within(scope).reasons.len()
    }

    /// A lot, as it was first written down.
    ///
    /// # Errors
    /// No fact speaks of it.
    pub fn lot(&self, lot: LotId) -> Result<LotId, UnknownName> {
        let known = |lot: &LotId| self.index.speaks_of(Node::Lot(*lot));
        let all = || self.index.names().into_iter().filter(known);
        let found = self.index.named(lot).filter(known);
        found.ok_or_else(|| unknown(Kind::Lot, lot, all()))
    }

    /// A batch, as it was first written down.
    ///
    /// # Errors
    /// No fact speaks of it.
    pub fn batch(&self, batch: BatchId) -> Result<BatchId, UnknownName> {
        let known = |batch: &BatchId| self.index.speaks_of(Node::Batch(*batch));
        let all = || self.index.names().into_iter().filter(known);
        let found = self.index.named(batch).filter(known);
        found.ok_or_else(|| unknown(Kind::Batch, batch, all()))
    }

    /// A wheel, as it was first written down.
    ///
    /// # Errors
    /// No fact speaks of it.
    pub fn wheel(&self, wheel: WheelId) -> Result<WheelId, UnknownName> {
        let known = |wheel: &WheelId| self.index.speaks_of(Node::Wheel(*wheel));
        let found = self.index.wheel(wheel).name.filter(known);
        // Whether each of all wheels counts is not looked at: only codes are offered.
        found.ok_or_else(|| unknown(Kind::Wheel, wheel, self.index.wheels().into_iter()))
    }

    /// An order that some wheel or person spoke of.
    ///
    /// # Errors
    /// No fact speaks of it.
    pub fn order(&self, order: OrderId) -> Result<OrderId, UnknownName> {
        let all = || self.index.names().into_iter();
        let found = self.index.named(order);
        found.ok_or_else(|| unknown(Kind::Order, order, all()))
    }

    fn place(
        &self,
        kind: Kind,
        code: impl std::fmt::Display,
        also: &Known,
    ) -> Result<(), UnknownName> {
        let known = Known::default().with(kind, also.of(kind));
        let index = self.index;
        let known = match kind {
            Kind::Room => known.with(kind, index.names::<RoomId>()),
            Kind::Stillage => known.with(kind, index.names::<StillageId>()),
            _ => known.with(kind, index.names::<ToolId>()),
        };
        known.find(kind, code).map(drop)
    }
}

fn unknown<C: std::fmt::Display>(
    kind: Kind,
    asked: C,
    known: impl Iterator<Item = C>,
) -> UnknownName {
    UnknownName::among(kind, asked, known.map(|code| code.to_string()))
}
