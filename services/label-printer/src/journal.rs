//! What has been printed: the printer's own memory across crashes.

use facts::FactId;

/// How far a label has come, as written down before each step that cannot be undone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Noted {
    /// It may have been handed to the printer.
    Started,
    /// It is on paper.
    Printed,
    /// The fact that it is on paper is in the outbox.
    Recorded,
}

/// What the printer says of a label, asked by its job name.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    /// Not asked yet, or the answer never came.
    NotAsked,
    /// The printer has no such job, now or among those it remembers.
    Unknown,
    /// The printer has it, under this job number, and is not done.
    Working(i32),
    /// The printer gave it up, or someone cancelled it there.
    Failed,
    /// It is on paper.
    Printed,
}

/// What to do next about one label.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Step {
    /// Ask the printer whether it has the label already.
    Ask,
    /// Write down how far it has come.
    Note(Noted),
    /// Hand the label to the printer.
    Send,
    /// Wait for the printer to finish this job.
    Watch(i32),
    /// Put the fact into the outbox.
    Record,
    /// All is done and written down.
    Finish,
}

/// The next step, from nothing but what is written down and what the printer says: so a
/// worker that starts again after a crash goes on where the last one fell.
///
/// Invariant: a label is sent only when the printer has just said that it does not have
/// it, and only after `Started` is written down.
#[must_use]
pub const fn next(noted: Option<Noted>, seen: Seen) -> Step {
    match (noted, seen) {
        (Some(Noted::Recorded), _) => Step::Finish,
        (Some(Noted::Printed), _) => Step::Record,
        (_, Seen::Printed) => Step::Note(Noted::Printed),
        (_, Seen::NotAsked) => Step::Ask,
        (_, Seen::Working(job)) => Step::Watch(job),
        (None, Seen::Unknown | Seen::Failed) => Step::Note(Noted::Started),
        (Some(Noted::Started), Seen::Unknown | Seen::Failed) => Step::Send,
    }
}

/// The notes, in one sled tree: cause of the label to how far it has come.
#[derive(Debug, Clone)]
pub struct Journal(sled::Tree);

impl Journal {
    /// Notes kept in this tree.
    #[must_use]
    pub const fn new(tree: sled::Tree) -> Self {
        Self(tree)
    }

    /// How far the label of this cause has come; nothing if it is new.
    ///
    /// # Errors
    /// Storage errors of sled.
    pub fn noted(&self, cause: FactId) -> sled::Result<Option<Noted>> {
        let note = self.0.get(cause.uuid().as_bytes())?;
        Ok(note.and_then(|byte| match byte.first()? {
            b's' => Some(Noted::Started),
            b'p' => Some(Noted::Printed),
            b'r' => Some(Noted::Recorded),
            _ => None,
        }))
    }

    /// Writes down how far it has come, and returns when that would outlive the process.
    ///
    /// # Errors
    /// Storage errors of sled.
    pub fn note(&self, cause: FactId, noted: Noted) -> sled::Result<()> {
        let byte = match noted {
            Noted::Started => b"s",
            Noted::Printed => b"p",
            Noted::Recorded => b"r",
        };
        self.0.insert(cause.uuid().as_bytes(), byte)?;
        self.0.flush()?;
        Ok(())
    }
}
