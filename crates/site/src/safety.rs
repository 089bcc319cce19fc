//! The `[safety]` section: where the dairy's safety and papers files lie, and who may end a
//! hold.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use facts::PersonId;
use recipe::Origin;
use serde::Deserialize;
use toml::Spanned;

use crate::SiteError;

/// Files beside the site file. What is in them is read by whoever needs it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Safety {
    /// The dairy's HACCP checks, sampling plans, and who may end a hold.
    pub file: PathBuf,
    /// What papers say and facts do not: addresses, product descriptions, keys.
    pub papers: Option<PathBuf>,
    /// Badges of those who may end a hold, as the safety file has them: every place that
    /// says what is held goes by the same.
    pub may_release: BTreeSet<PersonId>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct SafetyTable {
    file: Spanned<PathBuf>,
    papers: Option<PathBuf>,
}

impl SafetyTable {
    pub(crate) fn read(
        &self,
        origin: &Origin<'_>,
        folder: &Path,
        open: impl Fn(&Path) -> Result<String, String>,
    ) -> Result<Safety, SiteError> {
        let path = folder.join(self.file.get_ref());
        let file = path.display().to_string();
        let text = open(&path).map_err(|reason| SiteError::File {
            at: Box::new(origin.error(self.file.span(), "it says who may end a hold")),
            what: "safety file",
            path: file.clone(),
            reason,
        })?;
        let plan = safety::Plan::parse(&Origin {
            file: &file,
            text: &text,
        })?;
        Ok(Safety {
            file: path,
            papers: self.papers.as_ref().map(|papers| folder.join(papers)),
            may_release: plan.may_release,
        })
    }
}
