//! The fact itself: who saw what, when.

use std::fmt;
use std::str::FromStr;

use chrono::{DateTime, Utc};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use uuid::{ContextV7, Timestamp, Uuid};

use crate::{Event, PersonId, SiteId, StationId};

/// A fact's name: a UUIDv7 (RFC 9562), also its de-duplication key on the broker.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema)]
#[serde(transparent)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct FactId(
    #[cfg_attr(
        feature = "testing",
        proptest(
            strategy = "proptest::strategy::Strategy::prop_map(proptest::prelude::any::<u128>(), Uuid::from_u128)"
        )
    )]
    Uuid,
);

impl FactId {
    /// Takes any UUID. Facts made here are version 7; facts imported from elsewhere
    /// may carry another version, which costs their order, and only a correction takes them
    /// back.
    #[must_use]
    pub const fn from_uuid(uuid: Uuid) -> Self {
        Self(uuid)
    }

    /// The UUID.
    #[must_use]
    pub const fn uuid(self) -> Uuid {
        self.0
    }

    /// When the fact was received and written down, to the millisecond, as the name itself says;
    /// none where it is not of version 7.
    #[must_use]
    pub fn received(self) -> Option<DateTime<Utc>> {
        let millis = i64::try_from(self.0.as_u128() >> 80).ok()?;
        let version = self.0.get_version_num();
        (version == 7).then_some(DateTime::from_timestamp_millis(millis))?
    }
}

impl FromStr for FactId {
    type Err = uuid::Error;
    fn from_str(text: &str) -> Result<Self, uuid::Error> {
        Uuid::from_str(text).map(Self)
    }
}

impl fmt::Display for FactId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl fmt::Debug for FactId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

/// Makes fact ids that rise in the order they are asked for, even within one
/// millisecond (RFC 9562 section 6.2, fixed-length dedicated counter).
#[derive(Debug, Default)]
pub struct FactIdSource(ContextV7);

impl FactIdSource {
    /// The next id, stamped with `now`.
    pub fn next(&self, now: DateTime<Utc>) -> FactId {
        let seconds = u64::try_from(now.timestamp()).unwrap_or(0);
        let stamp = Timestamp::from_unix(&self.0, seconds, now.timestamp_subsec_nanos());
        FactId(Uuid::new_v7(stamp))
    }
}

/// Something that happened on the floor, as one station saw it.
#[derive(Debug, Clone, PartialEq)]
pub struct Fact {
    /// The fact's own name.
    pub id: FactId,
    /// The dairy site.
    pub site: SiteId,
    /// The station that states the fact.
    pub station: StationId,
    /// The station's own number for it, from 1 without gaps: a missing number is a lost fact.
    pub station_seq: u64,
    /// Who did it, where a badge was scanned.
    pub person: Option<PersonId>,
    /// When it happened: the time that orders it. What the device claimed, where that can be
    /// true and something shows it; else the time of receipt.
    pub occurred_at: DateTime<Utc>,
    /// What the device claimed, where it is not what orders: kept, and never relied on.
    pub claimed_at: Option<DateTime<Utc>>,
    /// When the edge received it and wrote it down: later than `occurred_at` for scans kept
    /// in a handheld and sent in afterwards; never earlier.
    pub recorded_at: DateTime<Utc>,
    /// What happened.
    pub event: Event,
}

impl Fact {
    /// The order in which facts are folded, whatever order they arrive in.
    #[must_use]
    pub fn order(&self) -> (DateTime<Utc>, FactId) {
        (self.occurred_at, self.id)
    }

    /// When it happened, by the device that stated it.
    #[must_use]
    pub fn claimed(&self) -> DateTime<Utc> {
        self.claimed_at.unwrap_or(self.occurred_at)
    }
}

/// The time that orders a fact, and the claim where it differs: a device cannot have seen
/// what had not happened yet when its word was received. The one place that decides.
#[must_use]
pub fn ordered(
    claimed: DateTime<Utc>,
    received: DateTime<Utc>,
) -> (DateTime<Utc>, Option<DateTime<Utc>>) {
    if claimed > received {
        (received, Some(claimed))
    } else {
        (claimed, None)
    }
}

/// A fact before a station has numbered and stamped it.
#[derive(Debug, Clone, PartialEq)]
pub struct Draft {
    /// When it happened, as far as whoever states it is believed.
    pub occurred_at: DateTime<Utc>,
    /// What the device claimed, where it was not believed.
    pub claimed_at: Option<DateTime<Utc>>,
    /// Who did it, where a badge was scanned.
    pub person: Option<PersonId>,
    /// What happened.
    pub event: Event,
}

impl Draft {
    /// The time that orders what comes of it, and the claim where it differs.
    #[must_use]
    pub fn ordered(&self, received: DateTime<Utc>) -> (DateTime<Utc>, Option<DateTime<Utc>>) {
        let (occurred_at, ahead) = ordered(self.occurred_at, received);
        let claimed = self.claimed_at.filter(|claimed| *claimed != occurred_at);
        (occurred_at, claimed.or(ahead))
    }
}

/// A fact was wrong: it must count as if it had never happened.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[cfg_attr(feature = "testing", derive(proptest_derive::Arbitrary))]
pub struct Voided {
    /// The fact that was wrong.
    pub fact: FactId,
    /// Why, in a person's words.
    pub reason: String,
}
