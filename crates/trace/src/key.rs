//! Under which keys an index keeps what, so that what is read together lies together.

use chrono::{DateTime, TimeDelta, Utc};
use facts::stored::borsh;
use facts::{
    BatchId, CustomerId, FactId, HoldId, HoopId, LotId, MarketId, OrderId, PersonId, RoomId,
    SampleId, StackId, StillageId, ToolId, VatId, WheelId,
};

use crate::Place;

/// What a key is of: its first byte.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
#[repr(u8)]
pub(crate) enum Table {
    /// Counts of the whole index.
    Counts = 1,
    /// A kind of code, code: as it was first written.
    Name,
    /// Wheel: [`crate::index::Wheel`].
    Wheel,
    /// Hash of wheels, a number from 0: a group of wheels with that hash.
    GroupOf,
    /// Group: [`crate::index::Group`].
    Group,
    /// Month, group, moment: an entry, but for handling. What is written in the same weeks lies
    /// together, whichever wheels it is about.
    Act,
    /// Month, group, moment: an entry of handling.
    Handled,
    /// Fact: where it went.
    Slot,
    /// Fact: the fact itself.
    Kept,
    /// Batch, moment: kept facts. So are the next six.
    OfBatch,
    OfLot,
    OfPlace,
    OfOrder,
    OfSample,
    OfHold,
    /// Rework of wheels into later batches.
    ReworkOf,
    /// Wheel ever portioned from a batch, voided portionings among them: batch, wheel.
    Born,
    /// Portionings: moment, group.
    Births,
    /// Uses of a lot on wheels: lot, moment: group.
    UsedOn,
    /// Moves of a stillage as a whole: stillage, moment.
    Moves,
    /// Loadings of a stillage: stillage, moment: group.
    Loaded,
    /// Results: moment: sample.
    Results,
    /// Samples that stand for a batch: batch, sample.
    SampledOf,
    /// Holds placed because of a fact: that fact, the hold's.
    Caused,
    /// By which recipe a batch goes, and what went into it.
    Course,
    /// Facts about holds over scopes.
    Scope,
    /// Voidings.
    Voiding,
    /// Wheels whose story changed since it was told last.
    Dirty,
    /// Wheels that recipes or facts about them may hold.
    Held,
    /// Where a wheel stands in the two lists below.
    Stands,
    /// Place, how long at most, from, to.
    Stays,
    /// Tool, when.
    Touches,
}

/// A key under construction.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Key(Vec<u8>);

impl Key {
    pub(crate) fn of(table: Table) -> Self {
        let mut key = Vec::with_capacity(48);
        key.push(table as u8);
        Self(key)
    }

    pub(crate) fn bytes(&self) -> &[u8] {
        &self.0
    }

    pub(crate) fn byte(mut self, byte: u8) -> Self {
        self.0.push(byte);
        self
    }

    /// A code, in the form in which codes are compared, with an end that no code contains.
    pub(crate) fn code(mut self, code: &impl Code) -> Self {
        let start = self.0.len();
        code.write(&mut self.0);
        self.0[start..].make_ascii_uppercase();
        self.byte(0)
    }

    pub(crate) fn place(self, place: Place) -> Self {
        match place {
            Place::Vat(id) => self.named(&id),
            Place::Hoop(id) => self.named(&id),
            Place::Stack(id) => self.named(&id),
            Place::Stillage(id) => self.named(&id),
            Place::Room(id) => self.named(&id),
            Place::Tool(id) => self.named(&id),
            Place::Case(id) => self.named(&id),
        }
    }

    /// A code after its kind.
    pub(crate) fn named<C: Code>(self, code: &C) -> Self {
        self.byte(C::KIND).code(code)
    }

    pub(crate) fn number(mut self, number: u32) -> Self {
        self.0.extend(number.to_be_bytes());
        self
    }

    pub(crate) fn hash(mut self, hash: u64) -> Self {
        self.0.extend(hash.to_be_bytes());
        self
    }

    /// An instant, to the nanosecond, in order.
    pub(crate) fn at(mut self, at: DateTime<Utc>) -> Self {
        let seconds = at.timestamp().cast_unsigned() ^ (1 << 63);
        self.0.extend(seconds.to_be_bytes());
        self.number(at.timestamp_subsec_nanos())
    }

    pub(crate) fn fact(mut self, fact: FactId) -> Self {
        self.0.extend(fact.uuid().as_bytes());
        self
    }

    /// When something happened, and the fact that says so: the end of many keys.
    pub(crate) fn moment(self, at: DateTime<Utc>, fact: FactId) -> Self {
        self.at(at).fact(fact)
    }

    /// The first key after all that begin so.
    pub(crate) fn end(&self) -> Self {
        let mut end = self.0.clone();
        while let Some(last) = end.pop() {
            if last < u8::MAX {
                end.push(last + 1);
                break;
            }
        }
        Self(end)
    }
}

/// The stretch of thirty days that an instant is in, from some day in the past on.
pub(crate) fn month_of(at: DateTime<Utc>) -> u32 {
    let month = at.timestamp().div_euclid(30 * 86_400);
    u32::try_from(month + (1 << 31)).unwrap_or(u32::MAX)
}

/// The moment at the end of a key.
pub(crate) fn moment_of(key: &[u8]) -> Option<(DateTime<Utc>, FactId)> {
    let (_, moment) = key.split_last_chunk::<28>()?;
    let (at, fact) = moment.split_first_chunk::<12>()?;
    let (seconds, nanos) = at.split_first_chunk::<8>()?;
    let seconds = (u64::from_be_bytes(*seconds) ^ (1 << 63)).cast_signed();
    let nanos = u32::from_be_bytes(nanos.try_into().ok()?);
    Some((
        DateTime::from_timestamp(seconds, nanos)?,
        borsh::from_slice(fact).ok()?,
    ))
}

/// The instant just after another.
pub(crate) fn after(at: DateTime<Utc>) -> DateTime<Utc> {
    let next = at.checked_add_signed(TimeDelta::nanoseconds(1));
    next.unwrap_or(DateTime::<Utc>::MAX_UTC)
}

/// The instant just before another.
pub(crate) fn before(at: DateTime<Utc>) -> DateTime<Utc> {
    let last = at.checked_sub_signed(TimeDelta::nanoseconds(1));
    last.unwrap_or(DateTime::<Utc>::MIN_UTC)
}

/// A code of some kind.
pub(crate) trait Code: Copy + Ord + borsh::BorshSerialize + borsh::BorshDeserialize {
    /// What kind of code it is.
    const KIND: u8;

    /// Appends its text.
    fn write(&self, to: &mut Vec<u8>);
}

macro_rules! codes {
    ($($kind:literal = $name:ty,)*) => {$(
        impl Code for $name {
            const KIND: u8 = $kind;

            fn write(&self, to: &mut Vec<u8>) {
                to.extend(self.as_str().as_bytes());
            }
        }
    )*};
}

codes! {
    1 = WheelId,
    2 = BatchId,
    3 = LotId,
    4 = PersonId,
    5 = OrderId,
    6 = MarketId,
    7 = CustomerId,
    8 = HoldId,
    9 = SampleId,
    10 = VatId,
    11 = HoopId,
    12 = StackId,
    13 = StillageId,
    14 = RoomId,
    15 = ToolId,
}

impl Code for facts::Sscc {
    const KIND: u8 = 16;

    fn write(&self, to: &mut Vec<u8>) {
        to.extend(self.to_string().into_bytes());
    }
}

/// An instant as it is stored here: to the nanosecond.
pub(crate) mod exact {
    use std::io::{Error, ErrorKind, Read, Result, Write};

    use chrono::{DateTime, Utc};
    use facts::stored::borsh::{BorshDeserialize as _, BorshSerialize as _};

    pub(crate) fn write<W: Write>(at: &DateTime<Utc>, to: &mut W) -> Result<()> {
        at.timestamp().serialize(to)?;
        at.timestamp_subsec_nanos().serialize(to)
    }

    pub(crate) fn read<R: Read>(from: &mut R) -> Result<DateTime<Utc>> {
        let seconds = i64::deserialize_reader(from)?;
        let nanos = u32::deserialize_reader(from)?;
        DateTime::from_timestamp(seconds, nanos)
            .ok_or_else(|| Error::new(ErrorKind::InvalidData, "no such instant"))
    }
}
