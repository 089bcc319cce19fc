//! The keys of alerts that were delivered.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};

use chrono::{DateTime, TimeDelta, Utc};

/// Longer than the stream keeps a job, so that no job outlives the memory of it.
const KEPT: TimeDelta = TimeDelta::days(40);

/// Bytes that must be free before an alert is sent: more than the memory writes at a time.
const ROOM: usize = 1 << 20;

/// Remembers what was delivered, on disk.
#[derive(Debug)]
pub struct Sent {
    /// Key to the second it was delivered, big-endian.
    keys: sled::Db,
    dir: PathBuf,
}

/// The memory cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SentError {
    /// No room. sled fails ever after: only a new start helps.
    #[error(
        "the disk under {} is full: no alert is sent whose delivery cannot be remembered. Free some space; alerts wait, and go on when this worker is started again, which `wheelward up` does by itself", .0.display()
    )]
    DiskFull(PathBuf),
    /// Anything else.
    #[error("the memory of delivered alerts {} cannot be used: {reason}", .dir.display())]
    Folder {
        /// Its folder.
        dir: PathBuf,
        /// What the system said.
        reason: String,
    },
}

impl Sent {
    /// Opens the memory in its own folder and drops what is too old to matter.
    ///
    /// # Errors
    /// [`SentError`].
    pub fn open(dir: &Path, now: DateTime<Utc>) -> Result<Self, SentError> {
        let wrong = |error| failed(dir, error);
        let keys = sled::open(dir).map_err(wrong)?;
        let oldest = (now - KEPT).timestamp();
        for entry in keys.iter() {
            let (key, at) = entry.map_err(wrong)?;
            let at = at.as_ref().try_into().map_or(i64::MIN, i64::from_be_bytes);
            if at < oldest {
                keys.remove(key).map_err(wrong)?;
            }
        }
        let dir = dir.to_owned();
        Ok(Self { keys, dir })
    }

    /// Whether this key was delivered.
    ///
    /// # Errors
    /// [`SentError`].
    pub fn has(&self, key: &str) -> Result<bool, SentError> {
        self.keys
            .contains_key(key)
            .map_err(|error| failed(&self.dir, error))
    }

    /// Whether a delivery could be remembered: asked before it is made, or every new start
    /// would make it again.
    ///
    /// # Errors
    /// [`SentError::DiskFull`].
    pub fn check_room(&self) -> Result<(), SentError> {
        let probe = self.dir.join("is-there-room");
        let written = std::fs::write(&probe, vec![1; ROOM]);
        // What was begun must go, or it takes the room itself.
        let removed = std::fs::remove_file(&probe);
        written
            .and(removed)
            .map_err(|error| failed(&self.dir, error.into()))
    }

    /// Remembers a key, and returns when that would outlive the process.
    ///
    /// # Errors
    /// [`SentError`].
    pub fn add(&self, key: &str, now: DateTime<Utc>) -> Result<(), SentError> {
        self.keys
            .insert(key, &now.timestamp().to_be_bytes())
            .and_then(|_| self.keys.flush())
            .map(|_| ())
            .map_err(|error| failed(&self.dir, error))
    }
}

fn failed(dir: &Path, error: sled::Error) -> SentError {
    let dir = dir.to_owned();
    match error {
        sled::Error::Io(error)
            if matches!(
                error.kind(),
                ErrorKind::StorageFull | ErrorKind::QuotaExceeded
            ) =>
        {
            SentError::DiskFull(dir)
        }
        other => SentError::Folder {
            dir,
            reason: other.to_string(),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_remembered_across_runs_until_its_job_is_long_gone() {
        let dir = tempfile::tempdir().unwrap();
        let now: DateTime<Utc> = "2026-03-03T06:00:00Z".parse().unwrap();
        Sent::open(dir.path(), now).unwrap().add("a", now).unwrap();
        let soon = now + TimeDelta::days(30);
        assert!(Sent::open(dir.path(), soon).unwrap().has("a").unwrap());
        let late = now + TimeDelta::days(41);
        assert!(!Sent::open(dir.path(), late).unwrap().has("a").unwrap());
    }
}
