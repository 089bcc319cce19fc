//! Someone's being signed in.

use chrono::{DateTime, TimeDelta, Utc};
use facts::{PersonId, StationId};
use serde::{Deserialize, Serialize};

use super::Account;

/// Longest time that someone stays signed in: a long shift.
pub(super) const LONGEST: TimeDelta = TimeDelta::hours(12);

/// Signed out after doing nothing for so long.
const IDLE: TimeDelta = TimeDelta::hours(4);

/// Someone's being signed in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Session {
    /// Who.
    pub badge: PersonId,
    /// At which station, if at one.
    pub station: Option<StationId>,
    /// What forms and calls must carry, so that no other page can make them.
    pub token: String,
    /// From.
    pub began: DateTime<Utc>,
    /// Last used.
    pub used: DateTime<Utc>,
    /// Signed out.
    pub ended: Option<DateTime<Utc>>,
}

impl Session {
    /// When it ends by itself.
    #[must_use]
    pub fn ends(&self) -> DateTime<Utc> {
        let own = (self.began + LONGEST).min(self.used + IDLE);
        self.ended.map_or(own, |ended| ended.min(own))
    }
}

/// Someone who is signed in.
#[derive(Debug, Clone)]
pub struct Signed {
    /// Who.
    pub account: Account,
    /// Their session.
    pub session: Session,
    /// The session's key in the register.
    pub(super) key: String,
}

/// What signing in gives.
#[derive(Debug)]
pub struct SignIn {
    /// For the cookie.
    pub key: String,
    /// Who.
    pub account: Account,
    /// The session.
    pub session: Session,
}
