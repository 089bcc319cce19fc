//! Alerts of workers that keep no floor: each step of each is told once, across restarts.

use std::collections::BTreeSet;
use std::io::Write as _;
use std::path::{Path, PathBuf};

use facts::SiteId;
use serde::Serialize;

use crate::Bus;

/// One thing that people have to hear of.
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
pub struct Telling {
    /// Its own name: the same whenever it is made, and from raised to cleared.
    pub alert: String,
    /// Where it stands in its life.
    pub step: &'static str,
    /// How bad.
    pub severity: &'static str,
    /// One sentence for a chat.
    pub text: String,
}

/// The names of what was told, in a file.
#[derive(Debug)]
pub struct Told {
    topic: &'static str,
    path: PathBuf,
    names: BTreeSet<String>,
}

/// The file of what was told cannot be used.
#[derive(Debug, thiserror::Error)]
#[error("{} cannot be used: {source}. Make room there, or give this worker the right to write it", .path.display())]
pub struct ToldError {
    path: PathBuf,
    source: std::io::Error,
}

impl Telling {
    /// Someone should act.
    #[must_use]
    pub const fn alarm(alert: String, text: String) -> Self {
        Self::step("raised", "alarm", alert, text)
    }

    /// Someone should look.
    #[must_use]
    pub const fn warning(alert: String, text: String) -> Self {
        Self::step("raised", "warning", alert, text)
    }

    /// It is over.
    #[must_use]
    pub const fn cleared(alert: String, text: String) -> Self {
        Self::step("cleared", "notice", alert, text)
    }

    const fn step(step: &'static str, severity: &'static str, alert: String, text: String) -> Self {
        Self {
            alert,
            step,
            severity,
            text,
        }
    }

    fn name(&self) -> String {
        match self.step {
            "raised" => self.alert.clone(),
            step => format!("{}-{step}", self.alert),
        }
    }
}

impl Told {
    /// Opens the file; none is an empty one. `topic`: under which what is told is published,
    /// `alert.` and a word.
    ///
    /// # Errors
    /// [`ToldError`].
    pub fn open(path: &Path, topic: &'static str) -> Result<Self, ToldError> {
        let text = match std::fs::read_to_string(path) {
            Ok(text) => text,
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => String::new(),
            Err(source) => {
                let path = path.to_owned();
                return Err(ToldError { path, source });
            }
        };
        Ok(Self {
            topic,
            path: path.to_owned(),
            names: text.lines().map(str::to_owned).collect(),
        })
    }

    /// Alerts that were raised under names that begin so, and not cleared since.
    pub fn open_under<'a>(&'a self, beginning: &'a str) -> impl Iterator<Item = &'a str> {
        let names = self.names.iter().map(String::as_str);
        names.filter(move |name| {
            name.starts_with(beginning)
                && !name.ends_with("-cleared")
                && !self.names.contains(&format!("{name}-cleared"))
        })
    }

    /// Tells whoever delivers alerts, each once, and takes what was told from the list. What
    /// stays on it could not be told, the broker being away: try again.
    ///
    /// # Errors
    /// [`ToldError`]; then it is told again under the same name, which whoever delivers it
    /// recognises.
    pub async fn tell(
        &mut self,
        bus: &Bus,
        site: &SiteId,
        owed: &mut Vec<Telling>,
    ) -> Result<(), ToldError> {
        owed.retain(|telling| !self.names.contains(&telling.name()));
        while let Some(telling) = owed.first() {
            let name = telling.name();
            // Four strings always encode.
            let body = serde_json::to_vec(telling).unwrap_or_default();
            if let Err(error) = bus.publish_derived(site, self.topic, &name, &body).await {
                tracing::debug!(%error, alert = name, "not told yet");
                return Ok(());
            }
            tracing::warn!("{}", telling.text);
            self.add(name)?;
            owed.remove(0);
        }
        Ok(())
    }

    fn add(&mut self, name: String) -> Result<(), ToldError> {
        let wrong = |source| ToldError {
            path: self.path.clone(),
            source,
        };
        let file = std::fs::OpenOptions::new()
            .create(true)
            .append(true)
            .open(&self.path);
        writeln!(file.map_err(wrong)?, "{name}").map_err(wrong)?;
        self.names.insert(name);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_told_is_known_after_a_restart_and_what_is_over_is_not_open() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("told.txt");
        let mut told = Told::open(&path, "alert.test").unwrap();
        for name in ["drying-B1", "drying-B2", "drying-B1-cleared", "yield-B1"] {
            told.add(name.to_owned()).unwrap();
        }
        let told = Told::open(&path, "alert.test").unwrap();
        let open: Vec<_> = told.open_under("drying-").collect();
        assert_eq!(open, ["drying-B2"]);
    }

    #[test]
    fn a_file_that_cannot_be_used_is_named() {
        let folder = tempfile::tempdir().unwrap();
        let error = Told::open(folder.path(), "alert.test").unwrap_err();
        assert!(error.to_string().contains("Make room there"), "{error}");
    }
}
