//! Portions that are all there, judged from first to last.
//!
//! A finding is raised at the sample that shows it and stands until two samples in a row
//! are on the aim (their means within one standard deviation, their ranges usual), or until
//! the portions are off to the other side. The tests begin anew after it.
//!
//! Only some of Nelson's tests tell the person at the scale: a far point (1), two of three
//! near a limit (5), a long run (2), and a range beyond its limit. All eight together would
//! cry wolf too often; the others are shown in a [`crate::Study`]. So judged, portions that
//! are right are told wrong about once in 95 samples, and a mean of 5 that has moved by 1.6
//! of its standard deviations is found after 5 or 6 samples (simulated; the test
//! `portions_that_are_right_are_seldom_told_wrong` repeats it).

use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};

use crate::nelson::Test;
use crate::{Finding, Lean, Portion, Rules, Sample, What, samples, since};

/// So many samples in a row on the aim end a finding.
pub(crate) const CALM: usize = 2;

/// Tests that tell the person at the scale.
const TELLING: [Test; 3] = [Test::Beyond, Test::TwoOfThree, Test::OneSide];

/// A finding, and when it was over.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Episode {
    /// The finding.
    #[serde(flatten)]
    pub finding: Finding,
    /// When it was over, if it was.
    pub over: Option<DateTime<Utc>>,
}

/// Judges portions, in order of time. Says the same as [`crate::Monitor`] does while they
/// are weighed.
#[must_use]
pub fn judge(rules: &Rules, portions: &[Portion]) -> Vec<Episode> {
    let samples = samples(portions, rules.size);
    let mut episodes: Vec<Episode> = Vec::new();
    // Where the tests begin: the first sample and portion after the last finding was over.
    let (mut begin, mut first) = (0, 0);
    let mut raised = 0;
    for (n, sample) in samples.iter().enumerate() {
        let found = look(rules, &samples[begin..=n], &portions[first..=sample.last]);
        let standing = episodes.last_mut().filter(|episode| episode.over.is_none());
        match (standing, found) {
            (Some(standing), Some(finding)) if turned(&standing.finding, &finding) => {
                standing.over = Some(sample.to);
                episodes.push(Episode::of(finding));
                raised = n;
            }
            (Some(standing), _) => {
                let since = &samples[raised + 1..=n];
                let latest = since.last_chunk::<CALM>();
                if latest.is_some_and(|l| l.iter().all(|s| is_calm(rules, s))) {
                    standing.over = Some(sample.to);
                    (begin, first) = (n + 1, sample.last + 1);
                }
            }
            (None, Some(finding)) => {
                episodes.push(Episode::of(finding));
                raised = n;
            }
            (None, None) => {}
        }
    }
    episodes
}

impl Episode {
    const fn of(finding: Finding) -> Self {
        Self {
            finding,
            over: None,
        }
    }
}

/// Whether a sample is on the aim.
pub(crate) fn is_calm(rules: &Rules, sample: &Sample) -> bool {
    rules.off(sample.mean_g).abs() <= 1.0 && sample.range_g <= rules.widest_g()
}

/// Whether the trouble is now on the other side.
pub(crate) fn turned(before: &Finding, now: &Finding) -> bool {
    let sides = (before.what.lean(), now.what.lean());
    matches!(sides, (Lean::High, Lean::Low) | (Lean::Low, Lean::High))
}

/// What the last of some samples shows. The range comes first: where portions lie too far
/// apart, their mean says little.
pub(crate) fn look(rules: &Rules, run: &[Sample], portions: &[Portion]) -> Option<Finding> {
    let last = run.last()?;
    let found = |what: What, from: usize| {
        let these = portions.get(from..).unwrap_or_default();
        let first = these.first()?;
        let same = these.iter().all(|p| p.person == first.person);
        Some(Finding {
            what,
            at: last.to,
            batch: last.batch,
            since: first.at,
            portions: these.len(),
            person: first.person.filter(|_| same),
        })
    };
    // The place of a sample's first portion; the first of all where it was weighed earlier.
    let from = |sample: &Sample| {
        let first = |p: &Portion| p.batch == sample.batch && p.at == sample.from;
        portions.iter().position(first).unwrap_or(0)
    };
    if last.range_g > rules.widest_g() {
        let what = What::Apart {
            range_g: last.range_g,
            usual_g: rules.widest_g(),
        };
        return found(what, from(last));
    }
    let off: Vec<f64> = run.iter().map(|s| rules.off(s.mean_g)).collect();
    let (test, lean) = TELLING
        .iter()
        .find_map(|test| Some((*test, test.holds(&off)?)))?;
    let aim = rules.aim.grams();
    let off: Vec<f64> = portions.iter().map(|p| p.grams() - aim).collect();
    // Between the portions of two vats the step may not show: then only the sample does.
    let alone = || (from(last), last.mean_g - aim);
    let (place, offset_g) = since(&off, lean).unwrap_or_else(alone);
    found(What::Off { offset_g, test }, place)
}
