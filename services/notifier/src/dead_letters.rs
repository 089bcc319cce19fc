//! Alerts that the webhook refused: a file for people.

use std::fs::{File, OpenOptions};
use std::io::{self, Write as _};
use std::path::{Path, PathBuf};

use chrono::{DateTime, Utc};
use serde_json::{Value, json};

/// `undelivered-alerts.ndjson`: one JSON object a line, each with `at`, `key`, `why` and
/// `alert`.
#[derive(Debug)]
pub struct DeadLetters {
    path: PathBuf,
}

impl DeadLetters {
    /// The file in this folder; made with the first letter.
    #[must_use]
    pub fn new(dir: &Path) -> Self {
        Self {
            path: dir.join("undelivered-alerts.ndjson"),
        }
    }

    /// Where the letters are kept.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Keeps an alert. When it returns, it is on the disk.
    ///
    /// # Errors
    /// When the disk cannot be written.
    pub fn keep(&self, at: DateTime<Utc>, key: &str, why: &str, alert: &Value) -> io::Result<()> {
        let line = json!({ "at": at, "key": key, "why": why, "alert": alert });
        let mut file: File = OpenOptions::new()
            .create(true)
            .append(true)
            .open(&self.path)?;
        file.write_all(format!("{line}\n").as_bytes())?;
        file.sync_data()
    }
}
