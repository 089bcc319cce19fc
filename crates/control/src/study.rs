//! What there is to know of some portions: of a vat, of a person.

use chrono::{DateTime, Utc};
use facts::{BatchId, PersonId, RecipeId};
use quantity::DairyClock;
use serde::{Deserialize, Serialize};

use crate::nelson::{self, Test};
use crate::{Aim, Capability, Episode, Giveaway, Limits, Portion, Rules, Sample, samples};

/// Whose portions.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Whose {
    /// A vat's.
    Batch(BatchId),
    /// A person's; nobody's where no badge was scanned.
    Person(Option<PersonId>),
}

impl std::fmt::Display for Whose {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Batch(batch) => write!(f, "vat {batch}"),
            Self::Person(Some(person)) => write!(f, "{person}"),
            Self::Person(None) => f.write_str("no badge"),
        }
    }
}

/// A sample on the chart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Point {
    /// The sample.
    #[serde(flatten)]
    pub sample: Sample,
    /// The tests that its mean ends.
    pub tests: Vec<Test>,
    /// Whether its range is within its limits.
    pub range_is_usual: bool,
}

/// Portions by one recipe, looked at together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Study {
    /// Whose.
    pub whose: Whose,
    /// By which recipe.
    pub recipe: RecipeId,
    /// Its version.
    pub version: u32,
    /// By what portions are judged.
    pub rules: Rules,
    /// The portions in order of time.
    pub portions: Vec<Portion>,
    /// Limits of the chart: for a vat around the aim, from the samples of the days before;
    /// else, or where those are too few, around the mean of these portions and from them,
    /// and nothing with fewer than two samples.
    pub limits: Option<Limits>,
    /// Whether they come from these portions themselves.
    pub limits_are_own: bool,
    /// The samples.
    pub points: Vec<Point>,
    /// Portions that are in no sample.
    pub left_over: usize,
    /// How they fit the tolerance; nothing while no spread within samples is known, of these
    /// or of earlier ones.
    pub capability: Option<Capability>,
    /// Curd above the aim.
    pub giveaway: Giveaway,
    /// What people were told while these were weighed, or would have been.
    pub told: Vec<Episode>,
}

impl Study {
    /// Looks at portions that are in order of time. `told` is what [`crate::judge`] says of
    /// all the portions of their days; what does not concern these is left out.
    #[must_use]
    pub fn of(
        whose: Whose,
        (recipe, version): (RecipeId, u32),
        rules: Rules,
        portions: Vec<Portion>,
        told: &[Episode],
        price_per_kg: Option<f64>,
    ) -> Self {
        let samples = samples(&portions, rules.size);
        let own = Limits::of(samples.iter().map(Sample::pair), rules.size);
        let earlier = match whose {
            Whose::Batch(_) => rules.limits(),
            Whose::Person(_) => None,
        };
        let limits = earlier.or(own);
        let off: Vec<f64> = limits
            .iter()
            .flat_map(|limits| samples.iter().filter_map(|s| limits.off(s.mean_g)))
            .collect();
        let tests = nelson::signals(&off)
            .into_iter()
            .chain(std::iter::repeat(Vec::new()));
        let usual = |range: f64| limits.is_none_or(|limits| limits.range_is_usual(range));
        let points = samples
            .iter()
            .zip(tests)
            .map(|(sample, tests)| Point {
                sample: *sample,
                tests,
                range_is_usual: usual(sample.range_g),
            })
            .collect();
        let weights: Vec<f64> = portions.iter().map(Portion::grams).collect();
        let (aim, off) = (rules.aim.grams(), rules.aim.off());
        let within = own.or(earlier).map(|limits| limits.sigma);
        let capability =
            within.and_then(|sigma| Capability::of(&weights, sigma, aim - off, aim + off));
        let concerns = |episode: &&Episode| match whose {
            Whose::Batch(batch) => episode.finding.batch == batch,
            Whose::Person(person) => person.is_some() && episode.finding.person == person,
        };
        Self {
            whose,
            recipe,
            version,
            rules,
            left_over: portions.len() - samples.len() * rules.size.get(),
            limits,
            limits_are_own: earlier.is_none(),
            points,
            capability,
            giveaway: Giveaway::of(&portions, rules.aim, price_per_kg),
            told: told.iter().filter(concerns).copied().collect(),
            portions,
        }
    }

    /// The aim.
    #[must_use]
    pub const fn aim(&self) -> Aim {
        self.rules.aim
    }

    /// Mean weight in grams; nothing without portions.
    #[must_use]
    pub fn mean_g(&self) -> Option<f64> {
        let sum: f64 = self.portions.iter().map(Portion::grams).sum();
        (!self.portions.is_empty()).then(|| sum / self.portions.len() as f64)
    }

    /// Portions that the recipe does not allow.
    pub fn outside(&self) -> impl Iterator<Item = &Portion> {
        self.portions.iter().filter(|p| !self.aim().allows(p))
    }

    /// An instant as it is told of these portions: the hour, with the date where they are of
    /// several days.
    #[must_use]
    pub fn time(&self, clock: &DairyClock, at: DateTime<Utc>) -> String {
        let day = |portion: &Portion| clock.day_of(portion.at);
        let ends = (
            self.portions.first().map(day),
            self.portions.last().map(day),
        );
        let format = match ends.0 == ends.1 {
            true => "%H:%M",
            false => "%-d %b %H:%M",
        };
        clock.at_home(at).format(format).to_string()
    }

    /// Whether nothing but chance shows on the chart.
    #[must_use]
    pub fn is_stable(&self) -> bool {
        self.points
            .iter()
            .all(|point| point.tests.is_empty() && point.range_is_usual)
    }
}
