//! How far each label has come: the printer's own memory across crashes, and what follows
//! from it.

use bus::{Note, Outbox};
use serde::{Deserialize, Serialize};

/// How often a printer may give one label up before a person is asked.
const MOST_ATTEMPTS: u32 = 3;

/// How far a label has come, as written down before each step that cannot be undone.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Noted {
    /// It may have been handed to the printer, for the `attempt`-th time.
    Started {
        /// Counts from 1. Each attempt has a job name of its own.
        attempt: u32,
        /// The newest job that the printer remembered just before: as long as it still
        /// does, it also remembers whether ours came.
        before: Option<String>,
    },
    /// The last attempt has certainly not come out: the next may begin.
    Free {
        /// The last attempt.
        attempt: u32,
    },
    /// Nobody but a person can tell whether it came out, and one has been asked.
    Aside {
        /// The attempt in doubt.
        attempt: u32,
    },
    /// It is on paper.
    Printed,
    /// What became of it is in the outbox.
    Done,
}

/// What the printer says of one attempt, asked by its job name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    /// Not asked yet, or the answer never came.
    NotAsked,
    /// The printer never had it.
    Absent,
    /// The printer does not remember it, and may have forgotten it.
    Unknown,
    /// The printer has it, under this job number, and is not done.
    Working(i32),
    /// The printer gave it up before anything came out.
    GaveUp,
    /// The printer gave it up when something had come out, or someone cancelled it there.
    Broken,
    /// It is on paper.
    Printed,
}

/// What to do next about one label.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Step {
    /// Ask the printer what it knows of the label.
    Ask,
    /// Write down that an attempt begins.
    Begin(u32),
    /// Write down how far it has come.
    Note(Noted),
    /// Hand the label to the printer.
    Send,
    /// Wait for the printer to finish this job.
    Watch(i32),
    /// Ask a person whether it came out, and go on with the others.
    SetAside(u32),
    /// Put the fact into the outbox.
    Record,
    /// Nothing is left to do here.
    Finish,
}

/// The next step, from nothing but what is written down and what the printer says: so a
/// worker that starts again after a crash goes on where the last one fell.
///
/// Invariant: an attempt is sent only after it is written down, and only when the printer
/// certainly does not have it. Where neither can tell, a person is asked.
#[must_use]
pub fn next(noted: Option<&Noted>, seen: Seen) -> Step {
    match (noted, seen) {
        (Some(Noted::Done | Noted::Aside { .. }), _) => Step::Finish,
        (Some(Noted::Printed), _) => Step::Record,
        (_, Seen::NotAsked) => Step::Ask,
        // Our disk may have been lost: the printer may know the first attempt by name.
        (None, Seen::Printed) => Step::Note(Noted::Printed),
        (None, _) => Step::Begin(1),
        (Some(Noted::Free { attempt }), _) => Step::Begin(attempt + 1),
        (Some(Noted::Started { attempt, .. }), seen) => match seen {
            Seen::NotAsked => Step::Ask,
            Seen::Absent => Step::Send,
            Seen::Working(job) => Step::Watch(job),
            Seen::Printed => Step::Note(Noted::Printed),
            Seen::GaveUp if *attempt < MOST_ATTEMPTS => {
                Step::Note(Noted::Free { attempt: *attempt })
            }
            Seen::GaveUp | Seen::Broken | Seen::Unknown => Step::SetAside(*attempt),
        },
    }
}

/// The notes, kept in the outbox, so that a fact and the note of it are one write.
#[derive(Debug, Clone)]
pub struct Journal(Outbox);

impl Journal {
    /// Notes kept in this outbox.
    #[must_use]
    pub const fn new(outbox: Outbox) -> Self {
        Self(outbox)
    }

    /// How far the print job of this name has come; nothing if it is new.
    ///
    /// # Errors
    /// When our own disk cannot be read.
    pub fn noted(&self, job: &str) -> anyhow::Result<Option<Noted>> {
        let note = self.0.note(&key(job))?;
        Ok(note.map(|note| serde_json::from_slice(&note)).transpose()?)
    }

    /// The note, for a batch that also records a fact of it.
    ///
    /// # Errors
    /// None that can happen: a note is always JSON.
    pub fn entry(job: &str, noted: &Noted) -> anyhow::Result<Note> {
        Ok((key(job), Some(serde_json::to_vec(noted)?)))
    }
}

fn key(job: &str) -> Vec<u8> {
    format!("label/{job}").into_bytes()
}
