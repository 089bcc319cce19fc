//! What led to no fact: kept for the office, scans in `rejected-scans.ndjson`.

use std::fs::{File, OpenOptions};
use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};

use anyhow::Context as _;
use chrono::{DateTime, Utc};
use facts::StationId;
use serde::Serialize;

/// A scanner gone mad fills two files of this size and no more.
const LARGEST: u64 = 16 << 20;

/// A file of what could not be used; one JSON object a line.
#[derive(Debug)]
pub struct Rejected {
    path: PathBuf,
    file: Mutex<File>,
}

#[derive(Serialize)]
struct Scan<'a> {
    at: DateTime<Utc>,
    station: StationId,
    line: &'a str,
    reason: &'a str,
}

impl Rejected {
    /// Opens the file in its folder, making it if need be.
    ///
    /// # Errors
    /// When it cannot be opened.
    pub fn open(dir: &Path, name: &str) -> anyhow::Result<Self> {
        let path = dir.join(name);
        let file = append(&path).with_context(|| format!("cannot open {}", path.display()))?;
        Ok(Self {
            path,
            file: Mutex::new(file),
        })
    }

    /// Keeps a line as it came. That it cannot be kept is no reason to stop the floor.
    pub fn keep(&self, at: DateTime<Utc>, station: StationId, line: &str, reason: &str) {
        let scan = Scan {
            at,
            station,
            line,
            reason,
        };
        if let Err(error) = self.write(&scan) {
            tracing::warn!(%error, file = %self.path.display(), line, "what could not be used could not be kept either");
        }
    }

    fn write(&self, scan: &Scan<'_>) -> anyhow::Result<()> {
        let mut text = serde_json::to_string(scan)?;
        text.push('\n');
        let mut file = self.file.lock().unwrap_or_else(PoisonError::into_inner);
        if file.metadata()?.len() > LARGEST {
            std::fs::rename(&self.path, self.path.with_extension("old.ndjson"))?;
            *file = append(&self.path)?;
        }
        Ok(file.write_all(text.as_bytes())?)
    }
}

fn append(path: &Path) -> std::io::Result<File> {
    OpenOptions::new().create(true).append(true).open(path)
}
