//! The `[safety]` section: where the dairy's safety and papers files lie.

use std::path::{Path, PathBuf};

use serde::Deserialize;

/// Files beside the site file. What is in them is read by whoever needs it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Safety {
    /// The dairy's HACCP checks, sampling plans, and who may end a hold.
    pub file: PathBuf,
    /// What papers say and facts do not: addresses, product descriptions, keys.
    pub papers: Option<PathBuf>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SafetyTable {
    file: PathBuf,
    papers: Option<PathBuf>,
}

impl SafetyTable {
    pub(crate) fn read(&self, folder: &Path) -> Safety {
        Safety {
            file: folder.join(&self.file),
            papers: self.papers.as_ref().map(|papers| folder.join(papers)),
        }
    }
}
