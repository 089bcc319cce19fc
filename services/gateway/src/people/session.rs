//! Someone's being signed in.

use chrono::{DateTime, TimeDelta, Utc};
use facts::{PersonId, StationId};
use serde::{Deserialize, Serialize};

use super::secret::secret;
use super::{Account, Role};

/// Longest time that someone stays signed in: a long shift.
pub const LONGEST: TimeDelta = TimeDelta::hours(12);

/// Signed out after doing nothing for so long.
pub const IDLE: TimeDelta = TimeDelta::hours(4);

/// Being used is written down as often as this.
const WORTH_WRITING: TimeDelta = TimeDelta::minutes(10);

/// A device knows our time to within a second or so.
const SLACK: TimeDelta = TimeDelta::seconds(2);

/// An instant on both clocks: sessions last by the machine's, scans are dated by the floor's.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Moment {
    /// What time it is on this machine.
    pub machine: DateTime<Utc>,
    /// What time it is on the floor.
    pub floor: DateTime<Utc>,
    /// Whether something else than this machine drives the floor's clock: then the two run at
    /// speeds of their own.
    pub driven: bool,
}

impl Moment {
    /// An instant of one clock that is both.
    #[must_use]
    pub const fn of(now: DateTime<Utc>) -> Self {
        Self {
            machine: now,
            floor: now,
            driven: false,
        }
    }
}

/// Someone's being signed in.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Session {
    /// What it is called where it may be read: it lets nobody in.
    #[serde(default)]
    pub id: String,
    /// Who.
    pub badge: PersonId,
    /// What they are for as long as it lasts: another role ends it.
    #[serde(default)]
    pub role: Option<Role>,
    /// At which station, if at one.
    pub station: Option<StationId>,
    /// What forms and calls must carry, so that no other page can make them.
    pub token: String,
    /// With this the device signs the scans made in it.
    #[serde(default)]
    pub scan_key: String,
    /// From.
    pub began: DateTime<Utc>,
    /// Last used.
    pub used: DateTime<Utc>,
    /// Last used, as the disk has it.
    #[serde(skip)]
    written: Option<DateTime<Utc>>,
    /// Signed out.
    pub ended: Option<DateTime<Utc>>,
    /// From, by the floor's clock.
    #[serde(default)]
    floor_began: Option<DateTime<Utc>>,
    /// Signed out, by the floor's clock.
    #[serde(default)]
    floor_ended: Option<DateTime<Utc>>,
}

impl Session {
    pub(super) fn begin(account: &Account, station: Option<StationId>, now: Moment) -> Self {
        Self {
            id: secret().chars().take(16).collect(),
            badge: account.badge,
            role: Some(account.role),
            station,
            token: secret(),
            scan_key: secret(),
            began: now.machine,
            used: now.machine,
            written: Some(now.machine),
            ended: None,
            floor_began: Some(now.floor),
            floor_ended: None,
        }
    }

    /// Ends it, unless it has ended already.
    pub(super) fn end(&mut self, now: Moment) {
        if self.ended.is_none() {
            self.ended = Some(now.machine);
            self.floor_ended = Some(now.floor);
        }
    }

    /// When it ends by itself.
    #[must_use]
    pub fn ends(&self) -> DateTime<Utc> {
        let own = (self.began + LONGEST).min(self.used + IDLE);
        self.ended.map_or(own, |ended| ended.min(own))
    }

    /// Whether its person was signed in at an instant of the floor's clock: from its beginning
    /// to its end, and never in the future.
    #[must_use]
    pub fn was_open(&self, at: DateTime<Utc>, now: Moment) -> bool {
        let began = self.since();
        let lasted = now.driven || at <= began + (self.ends() - self.began) + SLACK;
        self.had_begun(at) && at <= now.floor + SLACK && !self.was_ended(at) && lasted
    }

    /// Whether somebody had ended it before an instant of the floor's clock, and it did not lapse.
    #[must_use]
    pub fn was_ended(&self, at: DateTime<Utc>) -> bool {
        let ended = self.floor_ended.or(self.ended);
        ended.is_some_and(|ended| ended + SLACK < at)
    }

    /// Since when it lasts, by the floor's clock.
    #[must_use]
    pub fn since(&self) -> DateTime<Utc> {
        self.floor_began.unwrap_or(self.began)
    }

    /// Whether it had begun at an instant of the floor's clock.
    #[must_use]
    pub fn had_begun(&self, at: DateTime<Utc>) -> bool {
        self.since() - SLACK <= at
    }

    /// Whether the disk should know that it was used, as it is about to.
    pub(super) fn is_worth_writing(&mut self) -> bool {
        let since = self.written.map(|written| self.used - written);
        let worth = since.is_none_or(|since| since > WORTH_WRITING);
        if worth {
            self.written = Some(self.used);
        }
        worth
    }

    /// A scan that it signed was made in it: that was a use.
    pub(super) fn scanned(&mut self, at: DateTime<Utc>) {
        let began = self.since();
        let at = self.began + (at - began);
        if at <= self.ends() {
            self.used = self.used.max(at);
        }
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
    /// For the cookie by which this browser is known from now on, where it was not.
    pub browser: Option<String>,
    /// Who.
    pub account: Account,
    /// The session.
    pub session: Session,
}

#[cfg(test)]
mod tests {
    use super::*;

    fn at(minutes: i64) -> DateTime<Utc> {
        let start: DateTime<Utc> = "2026-03-03T06:00:00Z".parse().unwrap();
        start + TimeDelta::minutes(minutes)
    }

    fn session() -> Session {
        Session {
            id: "s".to_owned(),
            badge: PersonId::new("M1").unwrap(),
            role: Some(Role::Manager),
            station: None,
            token: String::new(),
            scan_key: String::new(),
            began: at(0),
            written: None,
            used: at(0),
            ended: None,
            floor_began: Some(at(0)),
            floor_ended: None,
        }
    }

    #[test]
    fn nobody_was_signed_in_before_the_beginning_after_the_end_or_in_the_future() {
        let now = Moment::of(at(60));
        let mut session = session();
        assert!(session.was_open(at(0), now) && session.was_open(at(60), now));
        assert!(!session.was_open(at(-1), now), "before");
        assert!(!session.was_open(at(61), now), "the future");
        assert!(
            !session.was_open(at(11 * 60), now),
            "eleven hours into the future"
        );
        session.end(Moment::of(at(30)));
        assert!(session.was_open(at(30), now));
        assert!(!session.was_open(at(31), now), "signed out");
        session.end(Moment::of(at(50)));
        assert!(!session.was_open(at(40), now), "it ends once");
    }

    #[test]
    fn scans_are_uses_and_no_session_is_longer_than_a_shift() {
        let now = Moment::of(at(20 * 60));
        let mut session = session();
        assert!(!session.was_open(at(241), now), "idle for four hours");
        for minute in [200, 400, 600, 700] {
            assert!(session.was_open(at(minute), now), "{minute}");
            session.scanned(at(minute));
        }
        assert!(!session.was_open(at(721), now), "longer than twelve hours");
        session.scanned(at(900));
        assert_eq!(session.used, at(700));
    }
}
