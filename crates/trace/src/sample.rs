//! What a laboratory sample stands for, swabs among them: where contact tracing begins.

use chrono::{DateTime, Utc};
use facts::{
    BatchId, Event, Fact, FactId, LabSampled, LabSwabbed, SampleId, Scope, Verdict, Window,
};

use crate::key::{Key, Table, moment_of};
use crate::stay::OPEN;
use crate::{Place, Trace};

/// The batch that a sample of cheese stands for.
pub(crate) fn stands_for(sampled: &LabSampled) -> impl Iterator<Item = BatchId> + use<> {
    let of = match sampled.scope {
        Some(Scope::Batch(batch)) => Some(batch),
        _ => sampled.batch,
    };
    of.into_iter()
}

impl Trace<'_> {
    /// A sample's results, and the taking of it where that is known to be one of cheese.
    #[must_use]
    pub fn results(&self, sample: SampleId) -> (Vec<Fact>, Option<LabSampled>) {
        let mut facts = self.index.of_sample(sample);
        let sampled = facts.iter().rev().find_map(|fact| match &fact.event {
            Event::LabSampled(e) => Some(e.clone()),
            _ => None,
        });
        facts.retain(|fact| matches!(fact.event, Event::LabResulted(_)));
        (facts, sampled)
    }

    /// Laboratory results that came in a time, in order.
    #[must_use]
    pub fn results_within(&self, window: Window) -> Vec<Fact> {
        let all = Key::of(Table::Results);
        let end = window.to.map_or_else(|| all.end(), |to| all.clone().at(to));
        let results = self
            .index
            .shelf
            .between(&all.at(window.from), &end, |key, _: SampleId| {
                moment_of(key)
            });
        let counts = results.into_iter();
        counts
            .filter_map(|(_, fact)| self.index.fact(fact))
            .collect()
    }

    /// Whether a hold was ever placed because of a fact, also one that was ended since.
    #[must_use]
    pub fn is_cause_of_a_hold(&self, fact: FactId) -> bool {
        let caused = Key::of(Table::Caused).fact(fact);
        let placed = self.index.shelf.under(&caused, |_, placed: FactId| placed);
        let mut counts = placed.into_iter().filter_map(|fact| self.index.fact(fact));
        counts.next().is_some()
    }

    /// Whether anybody took a sample, as far as facts tell.
    #[must_use]
    pub fn knows_sample(&self, sample: SampleId) -> bool {
        let facts = self.index.of_sample(sample);
        facts
            .iter()
            .any(|fact| !matches!(fact.event, Event::LabResulted(_)))
    }

    /// What a sample stands for. Of a swab: what was in the room, or what the tool went into,
    /// since the same point was last found clean (or ever, if it never was) until the tool
    /// was sanitised next. `None` for a sample that no fact speaks of, and for a swab of
    /// something outside the rooms where cheese is.
    #[must_use]
    pub fn sample_scope(&self, sample: SampleId) -> Option<Scope> {
        let facts = self.index.of_sample(sample);
        facts.iter().find_map(|fact| match &fact.event {
            Event::LabSampled(e) => {
                let batch = e.batch.map(Scope::Batch);
                let wheels = (!e.wheels.is_empty()).then(|| Scope::Wheels(e.wheels.clone()));
                e.scope.clone().or(batch).or(wheels)
            }
            Event::LabSwabbed(e) => self.swab_scope(fact, e),
            _ => None,
        })
    }

    fn swab_scope(&self, fact: &Fact, swab: &LabSwabbed) -> Option<Scope> {
        let from = self.last_clean(fact, swab).unwrap_or(DateTime::UNIX_EPOCH);
        if let Some(tool) = swab.tool {
            let cleaned = self.index.cleaned(Place::Tool(tool));
            let next = cleaned.into_iter().find(|at| *at > fact.occurred_at);
            let to = next.filter(|at| *at < OPEN);
            let window = Window { from, to };
            return Some(Scope::Tool { tool, window });
        }
        let room = swab.room.filter(|_| swab.zone < 4)?;
        let window = Window { from, to: None };
        Some(Scope::Room { room, window })
    }

    /// When the same point was last swabbed for the same thing and nothing was found.
    fn last_clean(&self, fact: &Fact, swab: &LabSwabbed) -> Option<DateTime<Utc>> {
        let samples = self.index.names().into_iter();
        let samples = samples.map(|sample| self.index.of_sample(sample));
        let clean = samples.filter_map(|facts| {
            let earlier = facts.iter().find_map(|other| match &other.event {
                Event::LabSwabbed(e) if same_point(e, swab) => Some(other.occurred_at),
                _ => None,
            })?;
            let mut results = facts.iter().filter_map(|fact| match &fact.event {
                Event::LabResulted(e) => Some(e.verdict == Verdict::Satisfactory),
                _ => None,
            });
            // Nothing is clean before its result is in.
            let clean = results.next()? && results.all(|good| good);
            (clean && earlier < fact.occurred_at).then_some(earlier)
        });
        clean.max()
    }
}

fn same_point(one: &LabSwabbed, other: &LabSwabbed) -> bool {
    (one.room, one.tool, &one.point, &one.test)
        == (other.room, other.tool, &other.point, &other.test)
}
