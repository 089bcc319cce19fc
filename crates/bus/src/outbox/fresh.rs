//! An outbox that is new, or that was damaged, does not know which numbers its stations gave
//! before: the log does. Numbers used twice would hide that one is missing.

use chrono::{DateTime, Utc};
use facts::StationId;

use super::book::{self, Shelf as _};
use super::compare::NotCompared;
use super::{Outbox, OutboxError, lock};
use crate::Bus;
use crate::telling::Telling;

impl Outbox {
    /// The stations of which the log has to be asked for numbers; none where it may not be.
    pub(super) fn fresh(&self) -> Result<Vec<StationId>, OutboxError> {
        if self.is_never_compared() {
            return Ok(Vec::new());
        }
        book::fresh(&self.inner.facts)
    }

    /// Lets facts that were never sent go on after the last number that the log has of their
    /// station, where the outbox cannot know it. What people have to hear of goes to `tell`.
    pub(super) async fn number_after_the_log(
        &self,
        bus: &Bus,
        now: DateTime<Utc>,
        tell: &mut Vec<Telling>,
    ) -> Result<(), NotCompared> {
        for station in self.fresh()? {
            bus.ready().await?;
            let subjects = format!("floor.{}.*.*.{station}", self.inner.site);
            let heads = bus.floor_heads_of(&subjects).await?;
            let again = self.number_after(&station, heads.last_number, &heads.ids)?;
            if heads.last_number > 0 {
                tracing::warn!(%station, after = heads.last_number, again, "this outbox is new or was damaged: numbers go on after those in the log");
                tell.push(continued(&station, heads.last_number, now));
            }
        }
        Ok(())
    }

    fn number_after(
        &self,
        station: &StationId,
        last: u64,
        there: &std::collections::HashSet<facts::FactId>,
    ) -> Result<usize, OutboxError> {
        let inner = &*self.inner;
        let (again, batch) = {
            let _order = lock(&inner.order);
            let (changes, again) = book::number_after(&inner.facts, station, last, there)?;
            inner.facts.apply(changes)?;
            (again, inner.facts.applied())
        };
        self.synced_to(batch)?;
        Ok(again)
    }
}

fn continued(station: &StationId, last: u64, now: DateTime<Utc>) -> Telling {
    let text = format!(
        "station {station}: what it keeps until the broker has it is new on this machine, or was damaged; it goes on after its number {last} in the log. If this machine was not set up anew, what the station had told \"OK\" and not sent yet may be missing: look at its folder with `wheelward outbox`, and at what was done last"
    );
    let id = format!("outbox-new-{station}-{}", now.format("%Y-%m-%d-%H%M%S"));
    Telling::warning(id, text)
}
