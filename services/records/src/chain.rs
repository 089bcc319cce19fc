//! What people have to hear of the ledger and its chain of seals.

use bus::telling::Telling;
use chrono::{DateTime, TimeDelta, Utc};
use seal::{Seal, Statement};

use crate::keeper::Keeper;

/// What the alert is called that the ledger is not what was written down.
pub(crate) const DIFFERS: &str = "ledger-differs";

impl Keeper {
    /// What must be said of the chain that begins or goes on here: `sealed` are the seals that
    /// were published of this log, by whatever box.
    #[must_use]
    pub fn of_the_chain(&self, sealed: &[Seal], now: DateTime<Utc>) -> Vec<Telling> {
        let ours = self.folder.public_key();
        let mut told = Vec::new();
        let restore = "Stop this worker, put the records folder of that box back from its backup (deploy/README says what to back up), and start again; keep this folder as well, and show both to whoever checks the records";
        let other = sealed.iter().rev().find(|seal| seal.statement.key != ours);
        if let Some(seal) = other {
            let Statement { day, last, key, .. } = &seal.statement;
            told.push(Telling::alarm(
                format!("chain-{}-{last}", short(&key.to_string())),
                format!("this log was sealed up to {day} ({last} records) with another key, {key}: a second chain of seals has begun here. {restore}"),
            ));
        }
        let own = sealed.iter().rev().find(|seal| seal.statement.key == ours);
        let newer = own.filter(|seal| {
            let here = self
                .folder
                .last_seal()
                .map_or(0, |seal| seal.statement.last);
            seal.statement.last > here
        });
        if let Some(seal) = newer {
            let Statement { day, last, .. } = &seal.statement;
            told.push(Telling::alarm(
                format!("chain-older-{last}"),
                format!("the records folder is older than its last seal, of {day} over {last} records, which is not in it. {restore}"),
            ));
        }
        let young = self.found.filter(|first| now - *first > TimeDelta::days(1));
        if let (Some(first), true) = (young, told.is_empty()) {
            told.push(Telling::warning(
                format!("chain-young-{}", first.timestamp()),
                format!("the ledger begins today, and the log goes back to {}: what was written before today is vouched for from today on only. If records were kept before, {}{}", first.format("%Y-%m-%d"), restore[..1].to_lowercase(), &restore[1..]),
            ));
        }
        told.extend(self.differs());
        told.extend(self.aside.clone());
        told
    }

    /// That the ledger is not what was written down, if it is not.
    #[must_use]
    pub fn differs(&self) -> Option<Telling> {
        let wrong = self.wrong();
        let first = wrong.first()?;
        Some(Telling::alarm(
            DIFFERS.to_owned(),
            format!(
                "the ledger is not what was written down: {first}. {} such findings are known. Keep this folder as it is, run `wheelward verify`, and show both to whoever checks the records",
                wrong.len()
            ),
        ))
    }
}

/// The beginning of a key: enough for a name.
fn short(key: &str) -> &str {
    key.get(..8).unwrap_or(key)
}
