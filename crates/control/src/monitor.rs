//! Portions judged one by one, as they are weighed.

use std::collections::BTreeMap;

use facts::BatchId;

use crate::judge::{CALM, is_calm, look, turned};
use crate::nelson::LONGEST;
use crate::{Finding, Portion, Rules, Sample, mean_and_range};

/// Looks on while portions are weighed. What it says is what [`crate::judge`] says of the
/// same portions when all are there; it only keeps what is still needed for that.
#[derive(Debug, Clone)]
pub struct Monitor {
    rules: Rules,
    /// Portions of samples that are not complete.
    begun: BTreeMap<BatchId, Vec<Portion>>,
    /// Portions since the tests began.
    seen: Vec<Portion>,
    /// The latest samples since then.
    run: Vec<Sample>,
    /// What stands, and the samples since it was raised that are on the aim, in a row.
    standing: Option<(Finding, usize)>,
}

impl Monitor {
    /// Nothing was weighed yet.
    #[must_use]
    pub const fn new(rules: Rules) -> Self {
        Self {
            rules,
            begun: BTreeMap::new(),
            seen: Vec::new(),
            run: Vec::new(),
            standing: None,
        }
    }

    /// By what it judges.
    #[must_use]
    pub const fn rules(&self) -> &Rules {
        &self.rules
    }

    /// What is wrong and not yet over.
    #[must_use]
    pub fn standing(&self) -> Option<&Finding> {
        self.standing.as_ref().map(|(finding, _)| finding)
    }

    /// Takes the next portion, in order of time. A finding is told once, when it is raised;
    /// [`Self::standing`] says whether it is over.
    pub fn push(&mut self, portion: Portion) -> Option<Finding> {
        self.seen.push(portion);
        let begun = self.begun.entry(portion.batch).or_default();
        begun.push(portion);
        if begun.len() < self.rules.size.get() {
            return None;
        }
        let whole = std::mem::take(begun);
        let weights: Vec<f64> = whole.iter().map(Portion::grams).collect();
        let (mean_g, range_g) = mean_and_range(&weights)?;
        let sample = Sample {
            batch: portion.batch,
            from: whole.first()?.at,
            to: portion.at,
            mean_g,
            range_g,
            first: 0,
            last: 0,
        };
        self.run.push(sample);
        if self.run.len() > LONGEST {
            self.run.remove(0);
        }
        let found = look(&self.rules, &self.run, &self.seen);
        match (&mut self.standing, found) {
            (Some((standing, _)), Some(finding)) if turned(standing, &finding) => {
                self.standing = Some((finding, 0));
                Some(finding)
            }
            (Some((_, calm)), _) => {
                *calm = match is_calm(&self.rules, &sample) {
                    true => *calm + 1,
                    false => 0,
                };
                if *calm == CALM {
                    self.standing = None;
                    self.run.clear();
                    self.seen.clear();
                }
                None
            }
            (None, Some(finding)) => {
                self.standing = Some((finding, 0));
                Some(finding)
            }
            (None, None) => None,
        }
    }
}
