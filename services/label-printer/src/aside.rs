//! Labels of which nobody knows whether they came out: kept until a person says.

use anyhow::Context as _;
use bus::{Note, Outbox};
use chrono::{DateTime, Utc};
use labels::LabelJob;
use serde::{Deserialize, Serialize};

const ASIDE: &[u8] = b"aside/";

/// A label set aside.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SetAside {
    /// The label.
    pub job: LabelJob,
    /// The printer it was sent to.
    pub printer: String,
    /// Since when.
    pub since: DateTime<Utc>,
    /// A person has said that it did not come out: it is printed again.
    pub again: bool,
}

/// Everything set aside, kept in the outbox.
#[derive(Debug, Clone)]
pub struct Aside(Outbox);

impl Aside {
    /// Kept in this outbox.
    #[must_use]
    pub const fn new(outbox: Outbox) -> Self {
        Self(outbox)
    }

    /// Everything set aside, in the order of the facts that asked for the labels.
    ///
    /// # Errors
    /// When our own disk cannot be read.
    pub fn all(&self) -> anyhow::Result<Vec<SetAside>> {
        let mut all = Vec::new();
        for entry in self.0.notes(ASIDE) {
            let (_, value) = entry?;
            all.push(serde_json::from_slice(&value).context("reading a label set aside")?);
        }
        all.reverse();
        Ok(all)
    }

    /// The note that keeps one, for a batch.
    ///
    /// # Errors
    /// None that can happen: a label is always JSON.
    pub fn entry(set_aside: &SetAside) -> anyhow::Result<Note> {
        let value = serde_json::to_vec(set_aside)?;
        Ok((key(&set_aside.job.name()), Some(value)))
    }

    /// The note that forgets one, for a batch.
    #[must_use]
    pub fn forgotten(job: &str) -> Note {
        (key(job), None)
    }
}

fn key(job: &str) -> Vec<u8> {
    [ASIDE, job.as_bytes()].concat()
}
