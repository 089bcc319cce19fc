//! Finished weights against what the recipe leads to expect, and the wheels that stand out.

use facts::{BatchId, WheelId};
use ripening::Floor;
use serde::{Deserialize, Serialize};

/// A wheel's latest weighing after its portioning.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Finished {
    /// The wheel.
    pub wheel: WheelId,
    /// Its age then, in dairy days.
    pub age_days: i64,
    /// What it was portioned at, in grams.
    pub portion_g: f64,
    /// What it weighed, in grams.
    pub weight_g: f64,
    /// What the recipe leads to expect at that age, in grams; if it says.
    pub expected_g: Option<f64>,
    /// How far it stands out from the batch: its modified z-score. Nothing in a batch of
    /// fewer than five, or where all are alike.
    pub score: Option<f64>,
}

/// A batch's finished weights.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finish {
    /// The batch.
    pub batch: BatchId,
    /// Its weighed wheels, by serial.
    pub wheels: Vec<Finished>,
    /// What became of the portions' weight, in percent lost: the middle wheel's.
    pub loss_pct: f64,
    /// What the recipe expects for the same wheels at the same ages, if it says.
    pub expected_loss_pct: Option<f64>,
}

impl Finished {
    /// From this score on a wheel stands out (Iglewicz and Hoaglin, *How to Detect and
    /// Handle Outliers*, 1993).
    pub const FAR: f64 = 3.5;

    /// Weight lost since portioning, in percent.
    #[must_use]
    pub fn loss_pct(&self) -> f64 {
        100.0 * (1.0 - self.weight_g / self.portion_g)
    }

    /// The loss that the recipe leads to expect, in percent.
    #[must_use]
    pub fn expected_loss_pct(&self) -> Option<f64> {
        Some(100.0 * (1.0 - self.expected_g? / self.portion_g))
    }

    /// Whether it stands out from its batch.
    #[must_use]
    pub fn stands_out(&self) -> bool {
        self.score.is_some_and(|score| score.abs() > Self::FAR)
    }

    /// What is compared within a batch: its weight as a part of what is expected, so that
    /// wheels weighed at different ages can be; of its portion where the recipe does not say.
    fn part(&self) -> f64 {
        self.weight_g / self.expected_g.unwrap_or(self.portion_g)
    }
}

impl Finish {
    /// Of a batch; nothing when none of its wheels was weighed after portioning.
    #[must_use]
    pub fn of(floor: &Floor, batch: BatchId) -> Option<Self> {
        let recipe = floor.recipe_of(batch);
        let clock = floor.practice().clock;
        let weighed = |id: &WheelId| -> Option<Finished> {
            let state = floor.wheel(*id)?.state();
            let (born, weight, portion) = (state.born?, state.weight?, state.portion?);
            if weight.moment == born || state.batch != Some(batch) || portion.get() == 0 {
                return None;
            }
            let age = clock.day_of(weight.moment.at).days_since(state.made?);
            let expected = recipe.and_then(|recipe| recipe.expected_weight_g(portion, age));
            Some(Finished {
                wheel: *id,
                age_days: age,
                portion_g: f64::from(portion.get()),
                weight_g: f64::from(weight.value.get()),
                expected_g: expected.filter(|grams| *grams > 0.0),
                score: None,
            })
        };
        let wheels = floor.batch(batch)?.wheels.iter().filter_map(weighed);
        Self::among(batch, wheels.collect())
    }

    /// Of weighed wheels, whose scores are found here.
    #[must_use]
    pub fn among(batch: BatchId, mut wheels: Vec<Finished>) -> Option<Self> {
        let parts: Vec<f64> = wheels.iter().map(Finished::part).collect();
        for (wheel, score) in wheels.iter_mut().zip(scores(&parts)) {
            wheel.score = score;
        }
        let expected: Option<Vec<f64>> = wheels.iter().map(Finished::expected_loss_pct).collect();
        Some(Self {
            batch,
            loss_pct: median(&wheels.iter().map(Finished::loss_pct).collect::<Vec<_>>())?,
            expected_loss_pct: expected.as_deref().and_then(median),
            wheels,
        })
    }

    /// The wheels that stand out.
    pub fn outliers(&self) -> impl Iterator<Item = &Finished> {
        self.wheels.iter().filter(|wheel| wheel.stands_out())
    }
}

/// Modified z-scores, 0.6745 (x − median) / MAD, which a few odd values cannot hide from;
/// where more than half of the values are equal, (x − median) / (1.2533 · mean deviation).
fn scores(values: &[f64]) -> Vec<Option<f64>> {
    /// A middle of fewer says nothing of the others.
    const LEAST: usize = 5;
    let none = vec![None; values.len()];
    let (Some(middle), true) = (median(values), values.len() >= LEAST) else {
        return none;
    };
    let off: Vec<f64> = values.iter().map(|v| (v - middle).abs()).collect();
    let mad = median(&off).unwrap_or(0.0);
    let mean = off.iter().sum::<f64>() / off.len() as f64;
    // Equal weights differ in their last digits once they are parts of something.
    let scale = match mad > 1e-9 {
        true => mad / 0.6745,
        false => 1.2533 * mean,
    };
    match scale > 1e-9 {
        true => values.iter().map(|v| Some((v - middle) / scale)).collect(),
        false => none,
    }
}

fn median(values: &[f64]) -> Option<f64> {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let half = sorted.len() / 2;
    let upper = sorted.get(half)?;
    match sorted.len() % 2 {
        1 => Some(*upper),
        _ => Some((sorted.get(half.checked_sub(1)?)? + upper) / 2.0),
    }
}
