//! What can go wrong, as sentences for the person who has to put it right.

use std::path::PathBuf;

use chrono::{DateTime, Utc};

use crate::Position;

/// An error on the way to the broker or back.
#[derive(Debug, thiserror::Error)]
pub enum BusError {
    /// The broker's address cannot be used.
    #[error(
        "{url:?} is not a broker's address ({reason}): write nats://host:4222, several with commas between"
    )]
    Address {
        /// The address as given.
        url: String,
        /// What is wrong with it.
        reason: String,
    },
    /// A certificate or key file cannot be used.
    #[error("cannot use {file} to sign in at the broker: {reason}", file = .file.display())]
    Access {
        /// The file.
        file: PathBuf,
        /// What is wrong with it.
        reason: String,
    },
    /// The broker is away, or its answer is, and something was to be done.
    #[error(
        "the broker did not answer in time while {doing}: whether it was done is unknown, so do it again with the same id"
    )]
    Unanswered {
        /// What was being done.
        doing: String,
    },
    /// The broker is away, or its answer is, and nothing was to be changed.
    #[error(
        "the broker did not answer in time while {doing}: nothing was changed. Ask again in a moment"
    )]
    Unread {
        /// What was being read.
        doing: String,
    },
    /// The broker runs without its log.
    #[error(
        "the broker has JetStream switched off: start it with the configuration in deploy/nats"
    )]
    JetStreamOff,
    /// A stream cannot be made or looked up.
    #[error("the broker's stream {name} cannot be used: {reason}")]
    Stream {
        /// The stream.
        name: &'static str,
        /// What the broker said.
        reason: String,
    },
    /// A stream exists with settings under which facts could be lost.
    #[error(
        "the broker's stream {name} is set up so that facts could be lost: {what}. Correct it with the broker's own tool, then start again"
    )]
    StreamMisfit {
        /// The stream.
        name: &'static str,
        /// The setting that does not fit.
        what: String,
    },
    /// The log is not the one that was read before.
    #[error(
        "the floor's log was made anew on {found}: the one read before, up to number {}, was of {}. Restore the broker's folder from its backup, or rebuild from the log as it is and let the stations send again", .position.seq, .position.created
    )]
    FloorRecreated {
        /// Where reading had stopped, in the old log.
        position: Position,
        /// When the present log was made.
        found: String,
    },
    /// The log is shorter than what was read from it.
    #[error(
        "the broker has lost the end of the floor's log: it ends at number {end}, but number {} had been read. Restore the broker's folder from its backup, or let the stations send again", .position.seq
    )]
    FloorTailLost {
        /// Where reading had stopped.
        position: Position,
        /// The last number the log has now.
        end: u64,
    },
    /// The log lost its end, and its numbers were given again to other messages.
    #[error(
        "the broker had lost the end of the floor's log, and has given its numbers again: number {} was stored at {found}, and is not the message that had been read. What is read from it has to be read again from the beginning", .position.seq
    )]
    FloorRewritten {
        /// Where reading had stopped.
        position: Position,
        /// When the message of that number was stored that the log has now.
        found: DateTime<Utc>,
    },
    /// The log no longer has what comes next.
    #[error(
        "the broker has lost the beginning of the floor's log: it starts at number {first}, but number {next} is needed. Restore the broker's folder from its backup"
    )]
    FloorHeadLost {
        /// The number that would come next.
        next: u64,
        /// The first number the log has now.
        first: u64,
    },
    /// A message was refused.
    #[error(
        "the broker refused a message on {subject}: {reason}. If its disk is full, make room there and start it again; what waits in an outbox is kept"
    )]
    Publish {
        /// The subject.
        subject: String,
        /// What the broker said.
        reason: String,
    },
    /// A message does not fit.
    #[error(
        "a message on {subject} has {size} bytes, more than the {most} that may be sent: split it or ask for less"
    )]
    TooLarge {
        /// The subject.
        subject: String,
        /// Its size in bytes.
        size: usize,
        /// The most that fits.
        most: usize,
    },
    /// A subject could not be made of the text given.
    #[error(
        "{0:?} cannot be a part of a subject: use letters, digits, '-' and '_', with dots between"
    )]
    Subject(String),
    /// Nobody listens for this question.
    #[error(
        "nobody answers {question:?} at site {site}: is the scheduler, or whichever worker answers it, running?"
    )]
    NobodyAnswers {
        /// The question's name.
        question: String,
        /// The site asked.
        site: facts::SiteId,
    },
    /// The one who answers has not read the whole log yet, or does not know the time yet.
    #[error(
        "still reading, {percent} % of the log: {question:?} is answered when all of it is read. Ask again in a moment; nothing has to be done"
    )]
    StillReading {
        /// The question's name.
        question: String,
        /// How much of the log has been read.
        percent: u8,
    },
    /// The one who answers said no; the text is theirs.
    #[error("{0}")]
    Refused(String),
    /// There is no such thing, the one who answers says.
    #[error(transparent)]
    Unknown(#[from] names::UnknownName),
    /// JSON could not be written or read.
    #[error("{what} is not the JSON expected: {reason}")]
    Json {
        /// What was written or read.
        what: String,
        /// What the JSON reader said.
        reason: serde_json::Error,
    },
}

impl BusError {
    /// Whether trying again later can help without a person's doing anything.
    #[must_use]
    pub fn may_pass(&self) -> bool {
        matches!(
            self,
            Self::Unanswered { .. }
                | Self::Unread { .. }
                | Self::NobodyAnswers { .. }
                | Self::StillReading { .. }
        )
    }

    /// Whether the broker has no log at all, as one that was started on an empty folder.
    #[must_use]
    pub fn is_no_log(&self) -> bool {
        matches!(self, Self::Stream { name, .. } if *name == crate::FLOOR)
    }

    /// Whether the log is no longer the one that was read: what was made of it has to be made
    /// anew, from the log's beginning.
    #[must_use]
    pub const fn is_another_log(&self) -> bool {
        matches!(
            self,
            Self::FloorRecreated { .. } | Self::FloorTailLost { .. } | Self::FloorRewritten { .. }
        )
    }
}

/// An error of the outbox on this machine's disk.
#[derive(Debug, thiserror::Error)]
pub enum OutboxError {
    /// No room.
    #[error(
        "the disk under {} is full: nothing was recorded. Make room there, then repeat the last action", .0.display()
    )]
    DiskFull(PathBuf),
    /// Someone else has it open.
    #[error(
        "the outbox {} is in use by another process: stop that worker first, or give this one its own folder", .0.display()
    )]
    InUse(PathBuf),
    /// The folder cannot be used.
    #[error("the outbox {} cannot be used: {reason}. Nothing was recorded", .dir.display())]
    Folder {
        /// The outbox's folder.
        dir: PathBuf,
        /// What the system said.
        reason: String,
    },
    /// Damage.
    #[error(
        "the outbox {} is damaged: {reason}. See whether the disk works, and start this worker again: what still reads is kept", .dir.display()
    )]
    Damaged {
        /// The outbox's folder.
        dir: PathBuf,
        /// What was found.
        reason: String,
    },
    /// One fact is larger than may be sent.
    #[error(
        "this {ty} has {size} bytes, more than the {most} that may be sent: record fewer wheels at a time"
    )]
    TooLarge {
        /// The fact's type.
        ty: &'static str,
        /// Its size in bytes.
        size: usize,
        /// The most that fits.
        most: usize,
    },
    /// A fact could not be written as JSON.
    #[error("this fact cannot be written down: {0}")]
    Write(serde_json::Error),
    /// A fact says what nobody could read again, for example a time of a clock never set.
    #[error("this {ty} cannot be taken: {why}")]
    Unreadable {
        /// The fact's type.
        ty: &'static str,
        /// What a reader would say.
        why: facts::wire::Unreadable,
    },
}
