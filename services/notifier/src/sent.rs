//! The keys of alerts that were delivered.

use std::path::Path;

use chrono::{DateTime, TimeDelta, Utc};

/// Longer than the stream keeps a job, so that no job outlives the memory of it.
const KEPT: TimeDelta = TimeDelta::days(40);

/// Remembers what was delivered, on disk.
#[derive(Debug)]
pub struct Sent {
    /// Key to the second it was delivered, big-endian.
    keys: sled::Db,
}

impl Sent {
    /// Opens the memory in its own folder and drops what is too old to matter.
    ///
    /// # Errors
    /// Storage errors of sled.
    pub fn open(dir: &Path, now: DateTime<Utc>) -> sled::Result<Self> {
        let keys = sled::open(dir)?;
        let oldest = (now - KEPT).timestamp();
        for entry in keys.iter() {
            let (key, at) = entry?;
            let at = at.as_ref().try_into().map_or(i64::MIN, i64::from_be_bytes);
            if at < oldest {
                keys.remove(key)?;
            }
        }
        Ok(Self { keys })
    }

    /// Whether this key was delivered.
    ///
    /// # Errors
    /// Storage errors of sled.
    pub fn has(&self, key: &str) -> sled::Result<bool> {
        self.keys.contains_key(key)
    }

    /// Remembers a key, and returns when that would outlive the process.
    ///
    /// # Errors
    /// Storage errors of sled.
    pub fn add(&self, key: &str, now: DateTime<Utc>) -> sled::Result<()> {
        self.keys.insert(key, &now.timestamp().to_be_bytes())?;
        self.keys.flush()?;
        Ok(())
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
