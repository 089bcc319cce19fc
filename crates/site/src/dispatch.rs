//! The `[dispatch]` section: who buys.

use std::path::{Path, PathBuf};

use serde::Deserialize;

/// The dispatch desk. What is in its file is read by whoever needs it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Dispatch {
    /// The customers file: who ships, markets, lanes, customers.
    pub customers: PathBuf,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct DispatchTable {
    customers: PathBuf,
}

impl DispatchTable {
    pub(crate) fn read(&self, folder: &Path) -> Dispatch {
        Dispatch {
            customers: folder.join(&self.customers),
        }
    }
}
