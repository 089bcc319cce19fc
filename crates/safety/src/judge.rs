//! The verdict on a sample, and what is held by it.
//!
//! Reg. (EC) 2073/2005, annex I, "Interpretation of the test results": satisfactory when
//! every unit is at most m; acceptable when at most c units of n lie between m and M and the
//! others are at most m; unsatisfactory when one is above M or more than c lie between.

use facts::{Fact, HoldId, HoldPlaced, LabResulted, LabSampled, Scope, Verdict};

use crate::count::Found;
use crate::plan::{Limits, Sampling};

/// A verdict, with what it rests on.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Judged {
    /// The verdict.
    pub verdict: Verdict,
    /// Units between m and M.
    pub between: usize,
    /// Units above M, or with something detected.
    pub above: usize,
    /// In words.
    pub words: String,
}

/// Why there is no verdict. Without one, nothing is satisfactory.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Unjudged {
    /// A value that cannot be read.
    #[error("unit {unit}: {reason}")]
    Value {
        /// Which, from 1.
        unit: usize,
        /// What is wrong.
        reason: String,
    },
    /// A value that the limits cannot be held against.
    #[error("unit {unit}, {found}: {why}")]
    Unlike {
        /// Which, from 1.
        unit: usize,
        /// What was found.
        found: String,
        /// Why not.
        why: String,
    },
    /// Too few units.
    #[error("{found} of {n} units: the verdict needs them all")]
    TooFew {
        /// Units there are.
        found: usize,
        /// Units that the plan wants.
        n: u16,
    },
}

/// How one unit stands to the limits.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Stands {
    Within,
    Between,
    Above,
}

/// Judges the units of a sample by its plan. A sample that is unsatisfactory is so however
/// many units are still missing or cannot be read.
///
/// # Errors
/// [`Unjudged`] says which unit is in the way.
pub fn judge(plan: &Sampling, units: &[String]) -> Result<Judged, Unjudged> {
    let mut stands = Vec::new();
    let mut refused = None;
    for (n, text) in units.iter().enumerate() {
        match unit(plan, n + 1, text) {
            Ok(unit) => stands.push(unit),
            Err(error) => {
                refused.get_or_insert(error);
            }
        }
    }
    let count = |of: Stands| stands.iter().filter(|unit| **unit == of).count();
    let (between, above) = (count(Stands::Between), count(Stands::Above));
    let bad = above > 0 || between > usize::from(plan.c);
    let judged = |verdict, words: String| Judged {
        verdict,
        between,
        above,
        words,
    };
    let Sampling { test, n, c, .. } = plan;
    if bad {
        let words = format!(
            "{test}: {above} of {} units above the upper limit, {between} between (at most {c}): unsatisfactory",
            units.len()
        );
        return Ok(judged(Verdict::Unsatisfactory, words));
    }
    if let Some(refused) = refused {
        return Err(refused);
    }
    if stands.len() < usize::from(*n) {
        return Err(Unjudged::TooFew {
            found: stands.len(),
            n: *n,
        });
    }
    if between > 0 {
        let words =
            format!("{test}: {between} of {n} units between the limits (at most {c}): acceptable");
        return Ok(judged(Verdict::Acceptable, words));
    }
    let words = format!(
        "{test}: all {} units within the limit: satisfactory",
        units.len()
    );
    Ok(judged(Verdict::Satisfactory, words))
}

fn unit(plan: &Sampling, unit: usize, text: &str) -> Result<Stands, Unjudged> {
    let found: Found = text
        .parse()
        .map_err(|reason: crate::BadCount| Unjudged::Value {
            unit,
            reason: reason.to_string(),
        })?;
    let unlike = |why: String| Unjudged::Unlike {
        unit,
        found: found.to_string(),
        why,
    };
    match (plan.limits, found) {
        (Limits::NotDetected { in_g }, Found::NotDetected { in_g: Some(looked) }) => {
            if looked >= in_g {
                Ok(Stands::Within)
            } else {
                Err(unlike(format!(
                    "the plan wants nothing in {in_g} g, and fewer were looked at"
                )))
            }
        }
        (Limits::NotDetected { in_g }, Found::NotDetected { in_g: None }) => Err(unlike(format!(
            "the plan wants nothing in {in_g} g: write how many grams were looked at"
        ))),
        // More grams than the plan wants may have had it where the plan's would not: still found.
        (Limits::NotDetected { .. }, Found::Detected { .. }) => Ok(Stands::Above),
        (Limits::NotDetected { .. }, Found::Count(crate::Count::Below(_))) => Err(unlike(
            "the plan wants nothing at all: a count below a limit does not say so".to_owned(),
        )),
        (Limits::NotDetected { .. }, Found::Count(crate::Count::Exactly(0.0))) => Err(unlike(
            "the plan wants nothing in so many grams: a count of 0 in a gram does not say so"
                .to_owned(),
        )),
        (Limits::NotDetected { .. }, Found::Count(_)) => Ok(Stands::Above),
        (Limits::Counts { m, .. }, Found::NotDetected { in_g }) => {
            // Nothing in g grams is fewer than 1/g in a gram.
            if in_g.is_some_and(|g| g > 0.0 && 1.0 / g <= m) {
                Ok(Stands::Within)
            } else {
                Err(unlike(format!(
                    "the plan counts up to {m} cfu/g: ask for a count"
                )))
            }
        }
        (Limits::Counts { m, .. }, Found::Detected { .. }) => Err(unlike(format!(
            "the plan counts up to {m} cfu/g: ask for a count"
        ))),
        (Limits::Counts { m, big_m }, Found::Count(count)) => {
            match (count.at_most(m), count.at_most(big_m)) {
                (Some(true), _) => Ok(Stands::Within),
                (_, Some(false)) => Ok(Stands::Above),
                (Some(false), Some(true)) => Ok(Stands::Between),
                _ => Err(unlike(format!(
                    "it cannot be told from {m} and {big_m} cfu/g: ask for another dilution"
                ))),
            }
        }
    }
}

/// The hold that a result asks for: over what the sample stands for, unless the result is
/// satisfactory or acceptable both as written down and by its plan. What the sample stands
/// for when it was a swab, a trace has to say (`swabbed`).
#[must_use]
pub fn hold_for(
    result: &Fact,
    resulted: &LabResulted,
    sampled: Option<&LabSampled>,
    swabbed: Option<Scope>,
    plan: Option<&Sampling>,
) -> Option<HoldPlaced> {
    let written = resulted.verdict == Verdict::Unsatisfactory;
    let by_plan = plan.map(|plan| judge(plan, &resulted.units));
    let why = match &by_plan {
        Some(Ok(judged)) if judged.verdict == Verdict::Unsatisfactory => judged.words.clone(),
        Some(Err(unjudged)) => format!("{}: no verdict yet, {unjudged}", resulted.test),
        _ if written => format!("{}: {}, unsatisfactory", resulted.test, resulted.value),
        _ => return None,
    };
    let scope = swabbed.or_else(|| {
        let sampled = sampled?;
        let batch = sampled.batch.map(Scope::Batch);
        let wheels = (!sampled.wheels.is_empty()).then(|| Scope::Wheels(sampled.wheels.clone()));
        sampled.scope.clone().or(batch).or(wheels)
    })?;
    // A hold's code has 20 characters at most.
    let code: String = format!("LAB-{}", resulted.sample)
        .chars()
        .take(20)
        .collect();
    Some(HoldPlaced {
        hold: HoldId::new(&code).ok()?,
        scope,
        reason: format!("sample {}, {why}", resulted.sample),
        cause: Some(result.id),
    })
}
