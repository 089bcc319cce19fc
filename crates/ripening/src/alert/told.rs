//! What people have been told, and under which names.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::stored::instant;
use facts::stored_struct;

use super::{Alert, Key, Level, Situation, Step, Subject};

/// What an alert's name is made of: a situation that comes back as it stood before, with
/// others of its kind in between, must not go by a name that people have heard.
pub(super) type Name = (Key, DateTime<Utc>);

/// What people have been told and not yet been told is over. Stored with the state, so
/// that a restart neither repeats nor forgets a message; a rebuild reads it back from what
/// was told ([`recall`]).
#[derive(Debug, Clone, PartialEq)]
pub struct Open {
    /// The kind of trouble and where.
    pub key: (Situation, Subject),
    /// How bad people were told it is.
    pub level: Level,
    /// Since when the situation stands.
    pub since: DateTime<Utc>,
    /// How often this very situation was raised: more than once when it was over by mistake,
    /// and a correction brought it back.
    pub times: u32,
}

/// A situation that was over: if the very same comes back, people are told again, under
/// another name.
#[derive(Debug, Clone, PartialEq)]
pub struct Over {
    /// The kind of trouble and where.
    pub key: (Situation, Subject),
    /// Since when it stood.
    pub since: DateTime<Utc>,
    /// How often it was raised.
    pub times: u32,
    /// Still remembered on this day, counted from 1970; none where that is not known yet.
    pub until: Option<i64>,
}

impl Open {
    /// The situation's own name: the same as in every message about it.
    #[must_use]
    pub fn name(&self) -> String {
        name(self.key, self.since, self.times)
    }
}

/// What people have been told, read back from every message in the order in which they were
/// published.
#[must_use]
pub fn recall<'a>(told: impl IntoIterator<Item = &'a Alert>) -> (Vec<Open>, Vec<Over>) {
    let mut open: BTreeMap<Key, Open> = BTreeMap::new();
    let mut over: BTreeMap<Name, Over> = BTreeMap::new();
    for alert in told {
        let (key, since) = ((alert.situation, alert.subject), alert.since);
        let plain = name(key, since, 1);
        let rest = alert.alert.strip_prefix(&plain);
        let again = rest.and_then(|rest| rest.strip_prefix(AGAIN));
        let times = again.and_then(|times| times.parse().ok()).unwrap_or(1);
        let level = match alert.step {
            Step::Raised => Level::Raised,
            Step::Escalated => Level::Escalated,
            Step::Cleared => {
                open.remove(&key);
                let until = None;
                over.insert(
                    (key, since),
                    Over {
                        key,
                        since,
                        times,
                        until,
                    },
                );
                continue;
            }
        };
        open.insert(
            key,
            Open {
                key,
                level,
                since,
                times,
            },
        );
    }
    (open.into_values().collect(), over.into_values().collect())
}

/// Between a situation's name and how often it was raised, if more than once.
const AGAIN: &str = "-again-";

/// `NotTurned-stillage-S07-1772517600`: fit for a header and a subject token. The same
/// facts, looked at whenever and by whomever, give the same name.
pub(super) fn name((situation, subject): Key, since: DateTime<Utc>, times: u32) -> String {
    let kind = format!("{situation:?}");
    let place = subject.to_string().replace(' ', "-");
    let plain = format!("{kind}-{place}-{}", since.timestamp());
    match times {
        0 | 1 => plain,
        times => format!("{plain}{AGAIN}{times}"),
    }
}

stored_struct!(Open { key, level, since via instant, times });
stored_struct!(Over { key, since via instant, times, until });
