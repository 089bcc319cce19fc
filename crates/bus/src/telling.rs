//! Alerts of workers that keep no floor: each step of each is told once, across restarts.

use std::collections::BTreeMap;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use async_nats::jetstream::consumer::pull::{Ordered, OrderedConfig};
use bytes::Bytes;
use chrono::{DateTime, Utc};
use facts::SiteId;
use futures::StreamExt as _;
use rand::Rng as _;
use serde::{Deserialize, Serialize};

use crate::kept::{self, KeptError};
use crate::streams::DERIVED;
use crate::{Bus, BusError};

/// Where such alerts are published, behind `derived.<site>.`.
pub const TOPIC: &str = "alert.told";

/// Where an alert stands in its life.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Step {
    /// People have to hear of it.
    Raised,
    /// Nobody saw to it, or it became worse.
    Escalated,
    /// It is over.
    Cleared,
}

/// How bad it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Good to know.
    Notice,
    /// Someone should look.
    Warning,
    /// Someone should act.
    Alarm,
}

/// One thing that people have to hear of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Telling {
    /// Its own name: the same whenever it is made, and from raised to cleared.
    pub alert: String,
    /// Where it stands in its life.
    pub step: Step,
    /// How bad.
    pub severity: Severity,
    /// One sentence for a chat.
    pub text: String,
}

/// A telling as it is published.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Message {
    /// What.
    #[serde(flatten)]
    pub telling: Telling,
    /// When it was told.
    pub since: DateTime<Utc>,
}

/// What was told, in a file.
#[derive(Debug)]
pub struct Told {
    path: PathBuf,
    alerts: BTreeMap<String, Raised>,
    /// There was no file: it is new, or lost.
    without_file: bool,
}

/// How often an alert was raised, and whether it is over.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Raised {
    times: u32,
    open: bool,
}

/// The file of what was told cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum ToldError {
    /// It is damaged, and stays where it is.
    #[error(transparent)]
    Damaged(#[from] KeptError),
    /// It cannot be written.
    #[error("{} cannot be used: {source}. Make room there, or give this worker the right to write it", .path.display())]
    Write {
        /// The file.
        path: PathBuf,
        /// What the machine said.
        source: std::io::Error,
    },
}

impl Telling {
    /// Someone should act.
    #[must_use]
    pub const fn alarm(alert: String, text: String) -> Self {
        Self::step(Step::Raised, Severity::Alarm, alert, text)
    }

    /// Someone should look.
    #[must_use]
    pub const fn warning(alert: String, text: String) -> Self {
        Self::step(Step::Raised, Severity::Warning, alert, text)
    }

    /// It is over.
    #[must_use]
    pub const fn cleared(alert: String, text: String) -> Self {
        Self::step(Step::Cleared, Severity::Notice, alert, text)
    }

    const fn step(step: Step, severity: Severity, alert: String, text: String) -> Self {
        Self {
            alert,
            step,
            severity,
            text,
        }
    }
}

impl Told {
    /// Opens the file; none is an empty one. Of a damaged one, which is put aside, the lines that
    /// read still count until [`Told::recall`] says what was told.
    ///
    /// # Errors
    /// [`ToldError`].
    pub fn open(path: &Path) -> Result<Self, ToldError> {
        let mut readable = String::new();
        let text = kept::read(path, |bytes| {
            let text = String::from_utf8_lossy(&bytes);
            let whole = text.split_inclusive('\n').filter(|line| reads(line));
            readable = whole.collect();
            if readable == text {
                Ok(())
            } else {
                Err("it has lines that are no alert's name, or half of one".to_owned())
            }
        })?;
        let mut told = Self {
            path: path.to_owned(),
            alerts: BTreeMap::new(),
            without_file: text.is_none(),
        };
        for line in readable.lines() {
            match line.strip_suffix(CLEARED) {
                Some(alert) => told.note(alert, Step::Cleared),
                None => told.note(line, Step::Raised),
            }
        }
        if text.is_none() && !told.alerts.is_empty() {
            told.write()?;
        }
        Ok(told)
    }

    /// Where there was no file, or a damaged one, reads back from the broker what was told: a
    /// worker whose disk was lost tells nobody anything a second time.
    ///
    /// # Errors
    /// [`ToldError`] when it cannot be written down. When the broker does not say, people may
    /// be told again.
    pub async fn recall(&mut self, bus: &Bus, site: &SiteId) -> Result<(), ToldError> {
        if !std::mem::take(&mut self.without_file) {
            return Ok(());
        }
        let told = match bus.derived(site, TOPIC).await {
            Ok(told) => told,
            Err(error) => {
                tracing::warn!(%error, "what was told before is not known: people may be told again");
                return Ok(());
            }
        };
        for body in told {
            if let Ok(message) = serde_json::from_slice::<Message>(&body) {
                let Telling { alert, step, .. } = message.telling;
                // The name of a later time: `drying-B1#2`.
                let again = alert.rsplit_once('#');
                let again = again.and_then(|(plain, times)| Some((plain, times.parse().ok()?)));
                let (plain, times) = again.unwrap_or((&alert, 1));
                let open = step != Step::Cleared;
                self.alerts.insert(plain.to_owned(), Raised { times, open });
            }
        }
        self.write()
    }

    /// Writes down all of it, whole or not at all: half of it would pass for everything.
    fn write(&self) -> Result<(), ToldError> {
        let mut text = String::new();
        for (alert, raised) in &self.alerts {
            for time in 1..=raised.times {
                text += &format!("{alert}\n");
                if time < raised.times || !raised.open {
                    text += &format!("{alert}{CLEARED}\n");
                }
            }
        }
        crate::write_whole(&self.path, text.as_bytes()).map_err(|source| self.unusable(source))
    }

    fn unusable(&self, source: std::io::Error) -> ToldError {
        ToldError::Write {
            path: self.path.clone(),
            source,
        }
    }

    /// Those raised under names that begin so which `still` names no longer: they are over.
    /// `words` says so of what follows the beginning of the name.
    pub fn over(
        &self,
        beginning: &str,
        still: &[Telling],
        words: impl Fn(&str) -> String,
    ) -> Vec<Telling> {
        let open = self.alerts.iter().filter(|(_, raised)| raised.open);
        let over = open.filter_map(|(alert, _)| {
            let what = alert.strip_prefix(beginning)?;
            let goes_on = still.iter().any(|telling| telling.alert == *alert);
            (!goes_on).then(|| Telling::cleared(alert.clone(), words(what)))
        });
        over.collect()
    }

    /// Tells whoever delivers alerts, each once until it is over, and takes what was told from
    /// the list. What stays on it could not be told, the broker being away: try again.
    ///
    /// # Errors
    /// [`ToldError`]; then it is told again under the same name, which whoever delivers it
    /// recognises.
    pub async fn tell(
        &mut self,
        bus: &Bus,
        site: &SiteId,
        now: DateTime<Utc>,
        owed: &mut Vec<Telling>,
    ) -> Result<(), ToldError> {
        owed.retain(|telling| self.is_news(telling));
        while let Some(telling) = owed.first() {
            let (alert, step) = (telling.alert.clone(), telling.step);
            let name = self.name(telling);
            let id = match step {
                Step::Cleared => format!("{name}{CLEARED}"),
                _ => name.clone(),
            };
            let named = Telling {
                alert: name,
                ..telling.clone()
            };
            let message = Message {
                telling: named,
                since: now,
            };
            // Strings and a time always encode.
            let body = serde_json::to_vec(&message).unwrap_or_default();
            if let Err(error) = bus.publish_derived(site, TOPIC, &id, &body).await {
                tracing::debug!(%error, alert = id, "not told yet");
                return Ok(());
            }
            tracing::warn!("{}", message.telling.text);
            self.keep(&alert, step)?;
            owed.remove(0);
        }
        Ok(())
    }

    fn is_news(&self, telling: &Telling) -> bool {
        let open = self
            .alerts
            .get(&telling.alert)
            .is_some_and(|raised| raised.open);
        open == (telling.step == Step::Cleared)
    }

    /// What it is known by: another name each time it is raised again, so that it is told
    /// again and what people said of the last time does not count for this one.
    fn name(&self, telling: &Telling) -> String {
        let raised = self.alerts.get(&telling.alert);
        let before = raised.map_or(0, |raised| raised.times);
        let times = before + u32::from(telling.step != Step::Cleared);
        match times {
            0 | 1 => telling.alert.clone(),
            times => format!("{}#{times}", telling.alert),
        }
    }

    fn note(&mut self, alert: &str, step: Step) {
        let never = Raised {
            times: 0,
            open: false,
        };
        let raised = self.alerts.entry(alert.to_owned()).or_insert(never);
        raised.open = step != Step::Cleared;
        raised.times += u32::from(raised.open);
    }

    fn keep(&mut self, alert: &str, step: Step) -> Result<(), ToldError> {
        let end = if step == Step::Cleared { CLEARED } else { "" };
        let file = std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(&self.path);
        // In one go, so that no crash of ours leaves half a line.
        file.and_then(|mut file| file.write_all(format!("{alert}{end}\n").as_bytes()))
            .map_err(|source| self.unusable(source))?;
        self.note(alert, step);
        Ok(())
    }

    /// Notes that it was told, without telling it.
    #[cfg(test)]
    pub(crate) fn was_told(&mut self, telling: &Telling) -> Result<(), ToldError> {
        self.keep(&telling.alert, telling.step)
    }
}

/// Whether a line of the file, its end included, is one that we wrote.
fn reads(line: &str) -> bool {
    let alert = line.strip_suffix('\n').unwrap_or_default();
    !alert.is_empty()
        && !alert.contains(|c: char| c.is_control() || c == char::REPLACEMENT_CHARACTER)
}

/// What a line of the file ends with when the alert is over.
const CLEARED: &str = "-cleared";

impl Bus {
    /// Every derived message of a site on `derived.<site>.<tail>` that the broker still has,
    /// oldest first: what was told, for whoever has lost its own note of it.
    ///
    /// # Errors
    /// What the broker said; try again later.
    pub async fn derived(&self, site: &SiteId, tail: &str) -> Result<Vec<Bytes>, BusError> {
        let mut messages = self.follow_derived(site, tail).await?;
        let mut found = Vec::new();
        let Some(mut waiting) = messages.1 else {
            return Ok(found);
        };
        while waiting > 0 {
            let message = messages.0.next().await;
            let message = message
                .and_then(Result::ok)
                .ok_or_else(|| BusError::Unread {
                    doing: "reading what was told".to_owned(),
                })?;
            waiting = message.info().map_or(0, |info| info.pending);
            found.push(message.message.payload);
        }
        Ok(found)
    }

    /// Follows derived messages from the first; how many wait now, if any do.
    async fn follow_derived(
        &self,
        site: &SiteId,
        tail: &str,
    ) -> Result<(Ordered, Option<u64>), BusError> {
        let refused = |reason: String| BusError::Stream {
            name: DERIVED,
            reason,
        };
        let stream = self.jetstream().get_stream(DERIVED).await;
        let config = OrderedConfig {
            // With a name the filter stands in the call's subject, where permissions see it.
            name: Some(format!("told-{:016x}", rand::rng().random::<u64>())),
            filter_subject: format!("derived.{site}.{tail}"),
            ..OrderedConfig::default()
        };
        let stream = stream.map_err(|e| refused(e.to_string()))?;
        let consumer = stream.create_consumer(config).await;
        let consumer = consumer.map_err(|e| refused(e.to_string()))?;
        let waiting = Some(consumer.cached_info().num_pending).filter(|n| *n > 0);
        let messages = consumer.messages().await;
        Ok((messages.map_err(|e| refused(e.to_string()))?, waiting))
    }
}

/// What workers tell, as it is told, from the first that the broker still has.
pub struct Tellings(Ordered);

impl Bus {
    /// Follows what workers that keep no floor tell.
    ///
    /// # Errors
    /// What the broker said; try again later.
    pub async fn tellings(&self, site: &SiteId) -> Result<Tellings, BusError> {
        let (messages, _) = self.follow_derived(site, TOPIC).await?;
        Ok(Tellings(messages))
    }
}

impl Tellings {
    /// The next; nothing when the broker no longer gives any: follow them anew then.
    pub async fn next(&mut self) -> Option<Message> {
        loop {
            let message = self.0.next().await?.ok()?;
            if let Ok(told) = serde_json::from_slice(&message.payload) {
                return Some(told);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_told_is_known_after_a_restart_and_what_is_over_can_come_again() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("told.txt");
        let warning = |alert: &str| Telling::warning(alert.to_owned(), String::new());
        let mut told = Told::open(&path).unwrap();
        for (alert, step) in [
            ("drying-B1", Step::Raised),
            ("drying-B2", Step::Raised),
            ("drying-B3", Step::Raised),
            ("drying-B1", Step::Cleared),
            ("yield-B1", Step::Raised),
        ] {
            told.keep(alert, step).unwrap();
        }
        let mut told = Told::open(&path).unwrap();
        let over = told.over("drying-", &[warning("drying-B3")], |batch| {
            format!("{batch} is")
        });
        let cleared = Telling::cleared("drying-B2".to_owned(), "B2 is".to_owned());
        assert_eq!(over, [cleared]);
        assert!(!told.is_news(&warning("drying-B2")));
        assert!(told.is_news(&warning("drying-B1")));
        assert_eq!(told.name(&warning("drying-B1")), "drying-B1#2");
        told.keep("drying-B1", Step::Raised).unwrap();
        let cleared = Telling::cleared("drying-B1".to_owned(), String::new());
        assert!(told.is_news(&cleared));
        assert_eq!(told.name(&cleared), "drying-B1#2");
        assert_eq!(told.name(&warning("drying-B4")), "drying-B4");
    }

    #[test]
    fn of_a_damaged_file_the_lines_that_read_count_and_the_rest_is_put_aside() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("told.txt");
        let whole = "drying-B1\ndrying-B1-cleared\ndrying-B1\nyield-B1\n";
        for (n, damage) in [(1, &b"drying-B"[..]), (2, &[0xff, b'\n']), (3, &[0; 40])] {
            let damaged = [whole.as_bytes(), damage].concat();
            std::fs::write(&path, &damaged).unwrap();
            let told = Told::open(&path).unwrap();
            let aside = dir.path().join(format!("told.txt.damaged-{n}"));
            assert_eq!(std::fs::read(aside).unwrap(), damaged);
            assert!(told.without_file);
            let open = |alert: &str| told.alerts.get(alert).copied();
            let (times, is) = (2, true);
            assert_eq!(open("drying-B1"), Some(Raised { times, open: is }));
            assert_eq!(told.alerts.len(), 2);
            // What was written anew reads as the same.
            let again = Told::open(&path).unwrap();
            assert_eq!(again.alerts, told.alerts);
            assert!(!again.without_file);
        }
    }
}
