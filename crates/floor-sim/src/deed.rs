//! What the ledger is made of: records and troubles.

use chrono::{DateTime, NaiveDate, Utc};

/// A wheel's place in the ledger's list, from 0 in the order of portioning.
pub type WheelNo = usize;

/// What a record says happened.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// A vat was filled.
    VatStarted {
        /// The batch begun.
        batch: String,
        /// Milk, litres.
        litres: i64,
    },
    /// Curd was weighed and put into a hoop.
    Portioned {
        /// Weight, grams.
        grams: u32,
        /// The hoop.
        hoop: String,
        /// The stack.
        stack: String,
    },
    /// Turned.
    Turned,
    /// Taken out of the hoop.
    Unhooped,
    /// Rubbed up.
    RubbedUp,
    /// Put on a stillage.
    Loaded {
        /// The stillage.
        stillage: String,
    },
    /// Brought to a room.
    Moved {
        /// The room.
        room: &'static str,
        /// The place in it.
        position: Option<String>,
    },
    /// The rind was looked at.
    RindSeen {
        /// Cover, %.
        cover: i64,
    },
    /// A machine's needles were counted.
    NeedlesCounted {
        /// How many there should be.
        expected: u32,
        /// How many there were.
        counted: u32,
    },
    /// Pierced.
    Pierced,
    /// Weighed again.
    Weighed {
        /// Weight, grams.
        grams: u32,
    },
    /// A core was drawn.
    Ironed {
        /// Blue coverage, %.
        blue: i64,
    },
    /// Graded.
    Graded {
        /// `A`, `B`, `C` or `REJECT`.
        grade: &'static str,
    },
    /// Kept from leaving.
    Held {
        /// The hold.
        hold: String,
    },
    /// No longer kept by this hold.
    Released {
        /// The hold.
        hold: String,
    },
    /// Left the dairy.
    Dispatched {
        /// The order.
        order: String,
    },
    /// Came back.
    Returned,
    /// Thrown away.
    Discarded,
}

/// The name of an [`Act`] alone, for counting.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
#[allow(missing_docs)] // each is its act's name
pub enum Kind {
    VatStarted,
    Portioned,
    Turned,
    Unhooped,
    RubbedUp,
    Loaded,
    Moved,
    RindSeen,
    NeedlesCounted,
    Pierced,
    Weighed,
    Ironed,
    Graded,
    Held,
    Released,
    Dispatched,
    Returned,
    Discarded,
}

impl Act {
    /// The act's name.
    #[must_use]
    pub const fn kind(&self) -> Kind {
        match self {
            Self::VatStarted { .. } => Kind::VatStarted,
            Self::Portioned { .. } => Kind::Portioned,
            Self::Turned => Kind::Turned,
            Self::Unhooped => Kind::Unhooped,
            Self::RubbedUp => Kind::RubbedUp,
            Self::Loaded { .. } => Kind::Loaded,
            Self::Moved { .. } => Kind::Moved,
            Self::RindSeen { .. } => Kind::RindSeen,
            Self::NeedlesCounted { .. } => Kind::NeedlesCounted,
            Self::Pierced => Kind::Pierced,
            Self::Weighed { .. } => Kind::Weighed,
            Self::Ironed { .. } => Kind::Ironed,
            Self::Graded { .. } => Kind::Graded,
            Self::Held { .. } => Kind::Held,
            Self::Released { .. } => Kind::Released,
            Self::Dispatched { .. } => Kind::Dispatched,
            Self::Returned => Kind::Returned,
            Self::Discarded => Kind::Discarded,
        }
    }
}

/// Whether a deed is out of the ordinary.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// It is not.
    Plain,
    /// The same barcode a second time within seconds.
    Double,
    /// It cannot be right: the wheel had left.
    Contradiction,
}

/// One record made at a station.
#[derive(Debug, Clone, PartialEq)]
pub struct Deed {
    /// The dairy day it belongs to.
    pub day: NaiveDate,
    /// When it was done.
    pub at: DateTime<Utc>,
    /// When it reaches the system.
    pub arrives_at: DateTime<Utc>,
    /// The station.
    pub station: &'static str,
    /// The badge scanned.
    pub person: &'static str,
    /// What was done.
    pub act: Act,
    /// The wheels it was done to.
    pub wheels: Vec<WheelNo>,
    /// Whether it is out of the ordinary.
    pub mark: Mark,
    /// Set when it was undone.
    pub voided: Option<Void>,
}

/// When a deed was undone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Void {
    /// When it was undone.
    pub at: DateTime<Utc>,
    /// When that reaches the system.
    pub arrives_at: DateTime<Utc>,
}

/// A carrier that was passed over on a turning round.
#[derive(Debug, Clone, PartialEq)]
pub struct MissedTurn {
    /// The dairy day.
    pub day: NaiveDate,
    /// The stillage or stack.
    pub carrier: String,
    /// The wheels then on it.
    pub wheels: Vec<WheelNo>,
}

/// A record about a wheel that was never made here. No count includes it.
#[derive(Debug, Clone, PartialEq)]
pub struct Stranger {
    /// The dairy day.
    pub day: NaiveDate,
    /// When it was scanned as turned.
    pub at: DateTime<Utc>,
    /// The wheel's code as read.
    pub wheel: String,
}

/// Something that the people of the dairy would talk about.
#[derive(Debug, Clone, PartialEq)]
pub struct Incident {
    /// The dairy day.
    pub day: NaiveDate,
    /// When it began.
    pub at: DateTime<Utc>,
    /// What happened, in a sentence.
    pub words: String,
}
