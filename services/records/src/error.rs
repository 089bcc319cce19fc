//! What can go wrong with a folder of records.

use std::path::{Path, PathBuf};

/// Why records could not be kept or read.
#[derive(Debug, thiserror::Error)]
pub enum RecordsError {
    /// A file could not be read or written.
    #[error("{path}: {reason}. See that the disk works, has room, and that the folder is ours")]
    File {
        /// The file.
        path: PathBuf,
        /// What the machine said.
        reason: std::io::Error,
    },
    /// A key file that holds no key.
    #[error(
        "{path} holds no key: {reason}. Restore it from its copy; a new key would have to be made known to everyone who verifies"
    )]
    Key {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        reason: String,
    },
    /// A seal that cannot be read.
    #[error("{path}: {reason}. Keep it as it is, and show it to whoever checks the records")]
    Seal {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        reason: seal::BadSeal,
    },
    /// A ledger that cannot be gone on with.
    #[error(
        "{path}: {reason}. Keep it as it is: run `wheelward verify`, and show the result to whoever checks the records"
    )]
    Ledger {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        reason: seal::BadLedger,
    },
    /// Another seal lies where a copy should.
    #[error(
        "{0} lies there and is another seal than the one in the records folder: one of the two was rewritten. Keep both as they are, run `wheelward verify --seals` with that folder, and show the result to whoever checks the records"
    )]
    OtherSeal(PathBuf),
    /// The folder is of another site.
    #[error("{path} is of site {found}, not of {wanted}: give each site its own folder")]
    OtherSite {
        /// The folder.
        path: PathBuf,
        /// The site it is of.
        found: String,
        /// The site wanted.
        wanted: String,
    },
    /// Somebody else writes there.
    #[error(
        "{path} is in use by {holder}: two who write one ledger would fork its chain. A running floor's records worker seals every dairy day by itself; to seal in between, stop it first (`wheelward up` starts it again)"
    )]
    InUse {
        /// The folder.
        path: PathBuf,
        /// Who.
        holder: String,
    },
    /// What is derived could not be stored or read.
    #[error(transparent)]
    Store(#[from] projection::StoreError),
    /// A stored part of the index did not read.
    #[error("a part of the index did not read ({0}): it is made anew from the log")]
    Unread(String),
    /// Nothing to seal with.
    #[error(
        "the ledger does not chain up to its last seal: run `wheelward verify` before anything else is sealed"
    )]
    NotAsSealed,
}

pub(crate) fn file(path: &Path) -> impl FnOnce(std::io::Error) -> RecordsError + '_ {
    move |reason| RecordsError::File {
        path: path.to_owned(),
        reason,
    }
}
