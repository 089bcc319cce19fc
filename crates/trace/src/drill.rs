//! A recall rehearsed: something is chosen, traced, and the result is a fact.

use chrono::{DateTime, Utc};
use facts::{Event, LotId, Scope, TraceDrilled};

use crate::family::Node;
use crate::recall::Recall;
use crate::{Level, Trace};

impl Trace<'_> {
    /// Something worth rehearsing with: a milk lot, or a batch where no milk lot is
    /// recorded, of which wheels have left; another one every day. `None` while the floor
    /// has made nothing.
    #[must_use]
    pub fn drill_about(&self, now: DateTime<Utc>) -> Option<Scope> {
        let index = self.index;
        let mut lots: Vec<LotId> = Vec::new();
        let mut batches = Vec::new();
        for fact in index.all_facts() {
            if let Event::VatStarted(e) = &fact.event {
                batches.push(e.batch);
                lots.extend(&e.milk_lots);
            }
            if let Event::VatFilled(e) = &fact.event {
                lots.push(e.lot);
            }
        }
        lots.sort_unstable();
        lots.dedup();
        batches.sort_unstable();
        batches.dedup();
        let lots = lots
            .into_iter()
            .map(|lot| (Scope::Lot(lot), Node::Lot(lot)));
        let batches = batches
            .into_iter()
            .map(|batch| (Scope::Batch(batch), Node::Batch(batch)));
        let lots: Vec<_> = lots.collect();
        let all: Vec<_> = if lots.is_empty() {
            batches.collect()
        } else {
            lots
        };
        let left = |node: Node| {
            let mut wheels = index
                .descendants([node])
                .wheels()
                .collect::<Vec<_>>()
                .into_iter();
            wheels.any(|wheel| index.story(wheel).left_at.is_some())
        };
        // The day's own place in the list, then on from there to the first that has left.
        let start =
            usize::try_from(now.timestamp().div_euclid(86_400)).unwrap_or(0) % all.len().max(1);
        let mut turn = all[start..].iter().chain(&all[..start]);
        let chosen = turn
            .find(|(_, node)| left(*node))
            .or_else(|| all.get(start));
        chosen.map(|(scope, _)| scope.clone())
    }
}

impl Recall {
    /// The fact that records this recall as a drill.
    #[must_use]
    pub fn drilled(&self, took_ms: u64, note: Option<String>) -> TraceDrilled {
        let count = |n: usize| u32::try_from(n).unwrap_or(u32::MAX);
        TraceDrilled {
            about: self.about.clone(),
            took_ms,
            wheels: count(self.wheels.len()),
            certain: count(self.at_level(Level::Certain).count()),
            customers: count(self.customers.len()),
            unexplained_g: self.balance.unexplained_g,
            note,
        }
    }
}
