//! What to say about a lift, and what would make it lighter.

use serde::{Deserialize, Serialize};

use crate::{Coupling, Lift, LiftError, Limit};

/// How much care a lift asks for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Caution {
    /// Lifting index up to 1: nearly everyone may do it.
    None,
    /// Above 1: some people are at risk.
    Caution,
    /// Above 3, or no weight at all is recommended: many people are at risk.
    Strong,
}

/// One change, and the lifting index it leads to.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Remedy {
    /// What to change.
    pub words: String,
    /// The index then.
    pub index: f64,
}

/// What the equation says about a load lifted in a certain way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Advice {
    /// The load, kg.
    pub load_kg: f64,
    /// The limit with its multipliers.
    pub limit: Limit,
    /// The lifting index; `None` when no weight at all is recommended.
    pub index: Option<f64>,
    /// How much care it asks for.
    pub caution: Caution,
    /// Single changes that lower the index, best first; empty when none is asked for.
    pub remedies: Vec<Remedy>,
}

/// Judges a lift of `load_kg` and, above an index of 1, tries single changes.
///
/// # Errors
/// [`LiftError`] names the figure that no lift can have.
pub fn advise(lift: &Lift, load_kg: f64) -> Result<Advice, LiftError> {
    let limit = lift.limit()?;
    let index = limit.index(load_kg);
    let caution = match index {
        Some(index) if index <= 1.0 => Caution::None,
        Some(index) if index <= 3.0 => Caution::Caution,
        _ => Caution::Strong,
    };
    let mut remedies = Vec::new();
    if caution > Caution::None {
        for (words, changed, load) in changes(lift, load_kg) {
            let new = changed.limit()?.index(load);
            if let Some(new) = new
                && index.is_none_or(|old| new < old - 0.005)
            {
                remedies.push(Remedy { words, index: new });
            }
        }
        remedies.sort_by(|a, b| a.index.total_cmp(&b.index));
    }
    Ok(Advice {
        load_kg,
        limit,
        index,
        caution,
        remedies,
    })
}

/// Single changes that a floor can make.
fn changes(lift: &Lift, load_kg: f64) -> Vec<(String, Lift, f64)> {
    let mut changes = vec![(
        "lift with two people".to_owned(),
        *lift,
        // The manual has no two-person equation; half the load is the hopeful end.
        load_kg / 2.0,
    )];
    if let Some(duration) = lift.duration.shorter() {
        changes.push((
            format!(
                "rotate people so that each lifts {} and then rests from lifting",
                duration.words()
            ),
            Lift { duration, ..*lift },
            load_kg,
        ));
    }
    if lift.reach_cm > 30.0 {
        let words = "bring the wheel close to the body (30 cm) before lifting";
        let nearer = Lift {
            reach_cm: 30.0,
            ..*lift
        };
        changes.push((words.to_owned(), nearer, load_kg));
    }
    if (lift.height_cm - 75.0).abs() > 15.0 {
        let words = if lift.height_cm < 75.0 {
            "use the shelves at knuckle height (75 cm) first, or raise the stillage"
        } else {
            "use a lower shelf first, near knuckle height (75 cm), or a step"
        };
        let level = Lift {
            height_cm: 75.0,
            ..*lift
        };
        changes.push((words.to_owned(), level, load_kg));
    }
    if lift.twist_deg > 0.0 {
        let straight = Lift {
            twist_deg: 0.0,
            ..*lift
        };
        changes.push(("turn the feet, not the back".to_owned(), straight, load_kg));
    }
    if lift.lifts_per_minute > 1.0 {
        let slower = Lift {
            lifts_per_minute: lift.lifts_per_minute / 2.0,
            ..*lift
        };
        changes.push((
            format!(
                "work at half the pace ({:.1} lifts a minute)",
                slower.lifts_per_minute
            ),
            slower,
            load_kg,
        ));
    }
    if lift.coupling == Coupling::Poor {
        let held = Lift {
            coupling: Coupling::Good,
            ..*lift
        };
        let words = "use a board or tray with handles";
        changes.push((words.to_owned(), held, load_kg));
    }
    changes
}
