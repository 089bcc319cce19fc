//! The `[safety]` section: where the dairy's safety and papers files lie, and who may end a
//! hold.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};

use facts::{PersonId, ToolId};
use recipe::Origin;
use safety::{Plan, Reads};
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
    /// Tools that the safety file has checks for: stations take no other.
    pub tools: Tools,
}

/// Tools that a dairy lists. Of what it lists none, any is taken.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Tools {
    /// Piercing machines.
    pub machines: BTreeSet<ToolId>,
    /// Cheese irons.
    pub irons: BTreeSet<ToolId>,
}

impl Tools {
    fn of(plan: &Plan) -> Self {
        let mut tools = Self::default();
        for control in &plan.controls {
            match control.reads {
                Reads::Needles(machine) => tools.machines.insert(machine),
                Reads::Iron(iron) => tools.irons.insert(iron),
                _ => continue,
            };
        }
        tools
    }
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
        let plan = Plan::parse(&Origin {
            file: &file,
            text: &text,
        })?;
        Ok(Safety {
            file: path,
            papers: self.papers.as_ref().map(|papers| folder.join(papers)),
            tools: Tools::of(&plan),
            may_release: plan.may_release,
        })
    }
}
