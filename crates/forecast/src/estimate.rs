//! A batch's rind and blue, weighed.

use std::sync::Arc;

use crate::habit::Habit;
use crate::history::Batch;
use crate::lattice::{FINE, Lattice, Link};
use crate::observed::{Flag, Observed, Oddity};
use crate::posterior::Posterior;

/// What was seen of a batch, and what that says.
#[derive(Debug, Clone)]
pub(crate) struct Estimate {
    pub(crate) rind: Posterior,
    pub(crate) blue: Posterior,
}

/// Looks farther from the rest than this many standard deviations are told.
const FAR: f64 = 4.0;

/// A habit's grids.
#[derive(Debug, Clone)]
pub(crate) struct Grids {
    pub(crate) rind: Arc<Lattice>,
    pub(crate) link: Link,
}

impl Grids {
    pub(crate) fn of(habit: &Habit) -> Self {
        let blue = Arc::new(Lattice::new(habit.blue, FINE));
        Self {
            rind: Arc::new(Lattice::new(habit.rind, FINE)),
            link: Link::new(&blue, habit.link),
        }
    }
}

impl Estimate {
    pub(crate) fn of(observed: &Observed, grids: &Grids) -> Self {
        let mut rind = Posterior::before(&grids.rind);
        if !observed.rind.is_empty() {
            rind.look(&observed.rind);
        }
        let mut blue = Posterior::after(&rind, &grids.link);
        if !observed.irons.is_empty() {
            blue.iron_each(observed.irons.iter().map(|wheel| wheel.looks.as_slice()));
        }
        Self { rind, blue }
    }

    /// Looks that lie far from what all of them together say.
    pub(crate) fn far_off(&self, observed: &Observed, batch: &Batch) -> Vec<Flag> {
        let mut flags = Vec::new();
        for (look, fact) in observed.rind.iter().zip(&observed.rind_facts) {
            if let Some(expected) = far(&self.rind, look) {
                flags.push(Flag {
                    oddity: Oddity::FarOff,
                    wheel: None,
                    fact: Some(*fact),
                    words: format!(
                        "{:.0} % rind cover where all the rest says about {expected:.0} %: it \
                         counts for little; look again",
                        look.seen.share_pct()
                    ),
                });
            }
        }
        for wheel in &observed.irons {
            let id = batch.wheels.get(wheel.place).map(|wheel| wheel.id);
            for (look, fact) in wheel.looks.iter().zip(&wheel.facts) {
                if let Some((expected, id)) = far(&self.blue, look).zip(id) {
                    flags.push(Flag {
                        oddity: Oddity::FarOff,
                        wheel: Some(id),
                        fact: Some(*fact),
                        words: format!(
                            "{id} showed {:.0} % blue where its batch says about {expected:.0} \
                             %: it counts for little; iron another wheel",
                            look.seen.share_pct()
                        ),
                    });
                }
            }
        }
        flags
    }
}

/// What was to be expected of a look that is far from it.
fn far(posterior: &Posterior, look: &crate::lattice::Look) -> Option<f64> {
    let growth = posterior.growth();
    let expected = posterior.share_pct(look.effective_days);
    let (_, unsure) = posterior.pace();
    // A wheel off its batch's pace shows a different share: by the slope of the curve.
    let off = |scale: f64| posterior.share_pct(look.effective_days * scale);
    let slope = (off(1.05) - off(0.95)).abs() / 0.1;
    let deviation = growth
        .noise_pct
        .hypot(slope * growth.wheel_spread.hypot(unsure));
    ((look.seen.share_pct() - expected).abs() > FAR * deviation).then_some(expected)
}
