//! What a laboratory sample stands for, swabs among them: where contact tracing begins.

use chrono::{DateTime, Utc};
use facts::{Event, Fact, FactId, LabSampled, LabSwabbed, SampleId, Scope, Verdict, Window};

use crate::stay::OPEN;
use crate::{Place, Trace};

impl<'a> Trace<'a> {
    /// Every laboratory result, with the sample that it is of where that is known to be one
    /// of cheese.
    pub fn results(&self) -> impl Iterator<Item = (&'a Fact, Option<&'a LabSampled>)> {
        let samples = self
            .index
            .of_sample
            .values()
            .map(|kept| self.index.facts(kept));
        samples.flat_map(|facts| {
            let sampled = facts.iter().rev().find_map(|fact| match &fact.event {
                Event::LabSampled(e) => Some(e),
                _ => None,
            });
            let results = facts
                .into_iter()
                .filter(|fact| matches!(fact.event, Event::LabResulted(_)));
            results.map(move |fact| (fact, sampled)).collect::<Vec<_>>()
        })
    }

    /// Whether a hold was ever placed because of a fact, also one that was ended since.
    #[must_use]
    pub fn is_cause_of_a_hold(&self, fact: FactId) -> bool {
        let mut placed = self
            .index
            .of_hold
            .values()
            .flat_map(|kept| self.index.facts(kept));
        placed.any(|hold| matches!(&hold.event, Event::HoldPlaced(e) if e.cause == Some(fact)))
    }

    /// Whether anybody took a sample, as far as facts tell.
    #[must_use]
    pub fn knows_sample(&self, sample: SampleId) -> bool {
        let facts = self
            .index
            .of_sample
            .get(&sample)
            .map(|kept| self.index.facts(kept));
        facts.is_some_and(|facts| {
            facts
                .iter()
                .any(|fact| !matches!(fact.event, Event::LabResulted(_)))
        })
    }

    /// What a sample stands for. Of a swab: what was in the room, or what the tool went into,
    /// since the same point was last found clean (or ever, if it never was) until the tool
    /// was sanitised next. `None` for a sample that no fact speaks of, and for a swab of
    /// something outside the rooms where cheese is.
    #[must_use]
    pub fn sample_scope(&self, sample: SampleId) -> Option<Scope> {
        let facts = self.index.facts(self.index.of_sample.get(&sample)?);
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
        let samples = self
            .index
            .of_sample
            .values()
            .map(|kept| self.index.facts(kept));
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
