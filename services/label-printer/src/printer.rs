//! What any label printer does for us, and what can be wrong with it.

use crate::journal::Seen;

/// A printer, or what stands in for one.
pub trait Printer {
    /// What people call it, for messages and for the fact.
    fn name(&self) -> &str;

    /// What the printer says of a job of this name.
    ///
    /// # Errors
    /// [`Trouble`] when it does not answer.
    fn find(&self, job_name: &str) -> impl Future<Output = Result<Seen, Trouble>> + Send;

    /// Hands over a label as PNG. After an error it may or may not have arrived.
    ///
    /// # Errors
    /// [`Trouble`] when it was refused or the answer did not come.
    fn send(
        &self,
        job_name: &str,
        png: Vec<u8>,
    ) -> impl Future<Output = Result<Seen, Trouble>> + Send;

    /// How a job that was handed over is doing.
    ///
    /// # Errors
    /// [`Trouble`] when the printer does not answer, or needs a person.
    fn watch(&self, job: i32) -> impl Future<Output = Result<Seen, Trouble>> + Send;
}

/// Why a label is not on paper yet. None of these loses it: it is tried again.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Trouble {
    /// No connection, or no answer in time.
    #[error("does not answer ({0}): check that it is switched on and on the network")]
    Silent(String),
    /// It is working on something else.
    #[error("is busy with another job")]
    Busy,
    /// It cannot go on without a person.
    #[error("has stopped ({0}): check labels, ribbon and cover")]
    Stopped(String),
    /// It does not take our labels.
    #[error("refuses the label ({0}): check that it is set up for PNG images of 100 x 60 mm")]
    Refused(String),
    /// It gave a label up, or someone cancelled it there.
    #[error("gave a label up before it was printed: it will be sent again")]
    GaveUp,
    /// The folder that stands in for a printer cannot be used.
    #[error("cannot be used ({0}): check that the folder exists and may be written to")]
    Folder(String),
}
