//! The facts that speak of safety, once each and without those voided.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use facts::{DeviationDecided, DeviationFound, Event, Fact, FactId};
use holds::{Rights, Voiding, Voids};

/// Facts about makes, milk, tools, rooms, checks, deviations and samples.
#[derive(Debug, Default)]
pub struct Diary {
    facts: BTreeMap<(DateTime<Utc>, FactId), Fact>,
    voids: Voids,
}

/// Something that was not as it should be, and what was decided about it.
#[derive(Debug, Clone, PartialEq)]
pub struct Deviation<'a> {
    /// The fact.
    pub fact: &'a Fact,
    /// What was found.
    pub found: &'a DeviationFound,
    /// What was decided, and when; several if it was decided anew.
    pub decided: Vec<(DateTime<Utc>, &'a DeviationDecided)>,
}

impl Diary {
    /// An empty one, of a site where these may release.
    #[must_use]
    pub fn under(rights: Rights) -> Self {
        Self {
            voids: Voids::under(rights),
            ..Self::default()
        }
    }

    /// Takes a fact in. Any order, any repeat; facts about anything else are left.
    pub fn apply(&mut self, fact: &Fact) {
        if let Event::Voided(voided) = &fact.event {
            self.voids.add(Voiding::of(fact, voided));
        } else if Self::takes(&fact.event) {
            self.facts.insert(fact.order(), fact.clone());
        }
    }

    /// Whether it takes such a fact.
    #[must_use]
    pub const fn takes(event: &Event) -> bool {
        matches!(
            event,
            Event::Voided(_)
                | Event::MilkReceived(_)
                | Event::MilkScreened(_)
                | Event::MilkPasteurised(_)
                | Event::MilkHeated(_)
                | Event::MilkPooled(_)
                | Event::VatStarted(_)
                | Event::VatFilled(_)
                | Event::VatReworked(_)
                | Event::VatDosed(_)
                | Event::VatMeasured(_)
                | Event::VatCut(_)
                | Event::VatDrained(_)
                | Event::VatMilled(_)
                | Event::VatClosed(_)
                | Event::VatRecipeChanged(_)
                | Event::WheelPierced(_)
                | Event::WheelIroned(_)
                | Event::ToolChecked(_)
                | Event::ToolSanitised(_)
                | Event::RoomClimateRead(_)
                | Event::RoomGasRead(_)
                | Event::RoomCleaned(_)
                | Event::ControlChecked(_)
                | Event::DeviationFound(_)
                | Event::DeviationDecided(_)
                | Event::LabSampled(_)
                | Event::LabSwabbed(_)
                | Event::LabResulted(_)
        )
    }

    /// Whether a fact is a reading or handling: by far the most are.
    #[must_use]
    pub const fn is_routine(event: &Event) -> bool {
        matches!(
            event,
            Event::RoomClimateRead(_) | Event::WheelPierced(_) | Event::WheelIroned(_)
        )
    }

    /// Forgets readings and handling from before an instant: a diary that is kept for long need
    /// not grow with them.
    pub fn forget_routine_before(&mut self, at: chrono::DateTime<chrono::Utc>) {
        self.facts
            .retain(|(when, _), fact| !Self::is_routine(&fact.event) || *when >= at);
    }

    /// The facts that count, in order.
    pub fn facts(&self) -> impl Iterator<Item = &Fact> {
        self.facts
            .values()
            .filter(|fact| !self.voids.has_voided(fact))
    }

    /// Every deviation, with what was decided about it.
    #[must_use]
    pub fn deviations(&self) -> Vec<Deviation<'_>> {
        let mut deviations: Vec<Deviation<'_>> = Vec::new();
        for fact in self.facts() {
            if let Event::DeviationFound(found) = &fact.event {
                deviations.push(Deviation {
                    fact,
                    found,
                    decided: Vec::new(),
                });
            }
        }
        for fact in self.facts() {
            if let Event::DeviationDecided(decided) = &fact.event
                && let Some(of) = deviations
                    .iter_mut()
                    .find(|of| of.fact.id == decided.deviation)
            {
                of.decided.push((fact.occurred_at, decided));
            }
        }
        deviations
    }
}
