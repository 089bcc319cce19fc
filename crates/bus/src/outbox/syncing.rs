//! Waiting for the disk, and what is done after it failed.

use std::sync::PoisonError;
use std::sync::atomic::Ordering;

use super::book::Shelf as _;
use super::{Inner, Outbox, book, lock};
use crate::OutboxError;

#[derive(Default)]
pub(super) struct Syncing {
    under_way: bool,
    /// The first and the last of some batches that were taken back, for a sync failed.
    taken_back: Vec<(u64, u64)>,
}

impl Syncing {
    fn took_back(&self, batch: u64) -> bool {
        let within = |(first, last): &(u64, u64)| (*first..=*last).contains(&batch);
        self.taken_back.iter().any(within)
    }
}

/// Whoever waits for the disk, for all. When it is dropped, the others look how it went.
struct Leading<'i>(&'i Inner);

impl Drop for Leading<'_> {
    fn drop(&mut self) {
        lock(&self.0.syncing).under_way = false;
        self.0.synced.notify_all();
    }
}

impl Outbox {
    /// Waits until the batches up to one are on the disk. One sync serves all who wait for one.
    ///
    /// # Errors
    /// [`OutboxError`]; then this one is not, or was taken back.
    pub fn synced_to(&self, batch: u64) -> Result<(), OutboxError> {
        let inner = &*self.inner;
        let mut syncing = lock(&inner.syncing);
        loop {
            if syncing.took_back(batch) {
                return Err(self.broken());
            }
            if inner.facts.durable() >= batch {
                return Ok(());
            }
            if self.is_broken() {
                return Err(self.broken());
            }
            if !syncing.under_way {
                break;
            }
            let woken = inner.synced.wait(syncing);
            syncing = woken.unwrap_or_else(PoisonError::into_inner);
        }
        syncing.under_way = true;
        drop(syncing);
        let _leading = Leading(inner);
        let last = lock(&inner.order).next - 1;
        let synced = inner.facts.sync();
        if synced.is_err() {
            // What the disk holds now nobody knows: see `mend`.
            inner.broken.store(true, Ordering::Release);
        }
        if inner.facts.durable() < batch {
            return synced;
        }
        inner.on_disk.fetch_max(last, Ordering::AcqRel);
        inner.more.notify_one();
        Ok(())
    }

    /// After a sync that failed: takes back what was written since the last that did not, for
    /// whoever wrote it was told that it is not recorded, and goes on.
    /// Of what the caller made of facts that were taken back it has to let go: see
    /// [`Outbox::taken_back`].
    ///
    /// # Errors
    /// [`OutboxError`]; it is as broken as before.
    pub fn mend(&self) -> Result<(), OutboxError> {
        let inner = &*self.inner;
        let mut syncing = lock(&inner.syncing);
        while syncing.under_way {
            let woken = inner.synced.wait(syncing);
            syncing = woken.unwrap_or_else(PoisonError::into_inner);
        }
        let mut order = lock(&inner.order);
        if !self.is_broken() {
            return Ok(());
        }
        let (durable, applied) = (inner.facts.durable(), inner.facts.applied());
        let found = inner.facts.read_back()?;
        if found.incomplete {
            inner.facts.apply(book::after_damage(&inner.facts)?)?;
        }
        // With what the damage asks for, all or nothing.
        inner.facts.rewrite(&found)?;
        let standing = book::standing(&inner.facts)?;
        order.next = standing.last + 1;
        if durable < applied {
            syncing.taken_back.push((durable + 1, applied));
        }
        inner.taken_back.fetch_add(1, Ordering::AcqRel);
        inner.on_disk.store(standing.last, Ordering::Release);
        inner.waiting.store(standing.waiting, Ordering::Release);
        inner.kept.store(standing.sent, Ordering::Release);
        inner.refused.store(standing.refused, Ordering::Release);
        inner.broken.store(false, Ordering::Release);
        inner.more.notify_one();
        tracing::info!("the outbox in {} is written to again", inner.dir.display());
        Ok(())
    }

    /// A value that lies there is not what was written: what does not read is put aside, so that
    /// the rest goes on.
    pub(super) fn mend_damage(&self) -> Result<(), OutboxError> {
        let inner = &*self.inner;
        if !inner.facts.is_suspect() {
            return Ok(());
        }
        // What was written last is as good as all else.
        self.synced_to(inner.facts.applied())?;
        inner.broken.store(true, Ordering::Release);
        self.mend()
    }

    /// How often something that was written may have been taken back: whoever keeps what it made
    /// of the facts makes it anew when this has changed.
    #[must_use]
    pub fn taken_back(&self) -> u64 {
        self.inner.taken_back.load(Ordering::Acquire)
    }

    /// The batch that was written last: to wait for it with [`Outbox::synced_to`].
    #[must_use]
    pub fn written(&self) -> u64 {
        self.inner.facts.applied()
    }

    /// Why nothing is recorded after a sync that failed.
    #[must_use]
    pub fn broken(&self) -> OutboxError {
        OutboxError::Folder {
            dir: self.inner.dir.clone(),
            reason: "an earlier write failed; see that the disk works and has room, then repeat the last action".to_owned(),
        }
    }

    /// Whether a write failed: what is known then may not be what the disk holds.
    #[must_use]
    pub fn is_broken(&self) -> bool {
        self.inner.broken.load(Ordering::Acquire)
    }
}
