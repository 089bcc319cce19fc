//! What any label printer does for us, and what can be wrong with it.

use labels::Drawing;

use crate::journal::Seen;

/// What a printer knows of an attempt.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Found {
    /// Of the attempt itself.
    pub seen: Seen,
    /// The newest job it remembers, whoever sent it.
    pub newest: Option<String>,
}

/// A printer, or what stands in for one.
pub trait Printer {
    /// What the printer says of a job of this name. `before` is the newest job that it
    /// remembered before this one may have been sent: if it still does, a job that it does
    /// not know never came.
    ///
    /// # Errors
    /// [`Trouble`] when it does not answer.
    fn find(
        &self,
        job_name: &str,
        before: Option<&str>,
    ) -> impl Future<Output = Result<Found, Trouble>> + Send;

    /// Hands over a label in a form that the printer takes, if it can print it now.
    ///
    /// # Errors
    /// [`Trouble`]; unless [`Trouble::may_have_arrived`], it does not have the label.
    fn send(
        &self,
        job_name: &str,
        label: &Drawing,
    ) -> impl Future<Output = Result<Seen, Trouble>> + Send;

    /// How a job that was handed over is doing.
    ///
    /// # Errors
    /// [`Trouble`] when the printer does not answer, or needs a person.
    fn watch(&self, job: i32) -> impl Future<Output = Result<Seen, Trouble>> + Send;
}

/// Why a label is not on paper yet. None of these loses it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Trouble {
    /// No connection, or no answer in time.
    #[error("does not answer ({why}): check that it is switched on and on the network")]
    Silent {
        /// What the network said.
        why: String,
        /// The label had been sent, and may have arrived.
        sent: bool,
    },
    /// It is working on something else.
    #[error("is busy with another job: see whether one is stuck there")]
    Busy,
    /// It cannot go on without a person.
    #[error("has stopped ({0}): check labels, ribbon and cover")]
    Stopped(String),
    /// It does not take our labels.
    #[error("refuses the label ({0}): check its set-up, and that nobody paused it")]
    Refused(String),
    /// Other labels are in it.
    #[error("has {loaded} in it and needs {needed}: load the right labels")]
    WrongLabels {
        /// What is in it.
        loaded: String,
        /// What the label needs.
        needed: String,
    },
    /// It takes none of the forms that we can give a label.
    #[error(
        "takes {0}, none of which we write: it needs PWG Raster, PNG or PDF. Choose another \
         printer or set up a print queue that takes one of them"
    )]
    Forms(String),
    /// Its dots are not those of the site file.
    #[error(
        "prints {prints} dots an inch, and the site file says {says}: correct dpi there. \
         Symbols on a wrong grid are hard to read"
    )]
    Resolution {
        /// What it prints.
        prints: String,
        /// What the site file says.
        says: u32,
    },
    /// It gave a label up.
    #[error(
        "took a label and gave it up ({0}): the label is sent again. If it happens again, \
         look at the printer's own messages"
    )]
    GaveUp(String),
    /// The folder that stands in for a printer cannot be used.
    #[error("cannot be used ({0}): check that the folder exists and may be written to")]
    Folder(String),
}

impl Trouble {
    /// Whether the label may be in the printer all the same.
    #[must_use]
    pub const fn may_have_arrived(&self) -> bool {
        matches!(self, Self::Silent { sent: true, .. })
    }

    /// The kind of trouble: people are told once a kind.
    #[must_use]
    pub const fn kind(&self) -> &'static str {
        match self {
            Self::Silent { .. } => "silent",
            Self::Busy => "busy",
            Self::Stopped(_) => "stopped",
            Self::Refused(_) => "refused",
            Self::WrongLabels { .. } => "wrong-labels",
            Self::Forms(_) => "forms",
            Self::Resolution { .. } => "resolution",
            Self::GaveUp(_) => "gave-up",
            Self::Folder(_) => "folder",
        }
    }

    /// How often it must happen one after the other before a person hears of it: a network
    /// stutters, and a printer prints other things.
    #[must_use]
    pub const fn worth_telling_after(&self) -> u32 {
        match self {
            Self::Silent { .. } => 3,
            Self::Busy => 20,
            _ => 1,
        }
    }
}
