//! The outbox: a station's facts on its own disk until the broker has them.
//!
//! What lies there under which key is [`book`]'s; how it lies in the file is [`journal`]'s. One
//! batch changes all of it together, and is on the disk before a fact counts as recorded. It is
//! the only copy while the broker is away: damage costs the damaged lines, and anyone can read
//! the rest with [`look`].

pub mod book;
mod compare;
mod drain;
mod earlier;
mod fresh;
mod journal;
mod line;
mod syncing;

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicU64, AtomicUsize, Ordering};
use std::sync::{Arc, Condvar, Mutex, MutexGuard, PoisonError, Weak};

use chrono::{DateTime, Utc};
use facts::{Draft, Fact, FactId, FactIdSource, SiteId, StationId, wire};
use tokio::sync::Notify;

use crate::{Bus, OutboxError};
use book::{NotNumbered, Outcome, Refused, Settled, Shelf as _};
use journal::Journal;
use syncing::Syncing;

/// What a worker keeps together with its facts: a key, and its value; none forgets the key.
pub type Note = (Vec<u8>, Option<Vec<u8>>);

/// Where facts that the broker refused can be found, in the outbox's folder: each a line, with
/// its reason.
pub const REFUSED_FILE: &str = "refused.ndjson";

/// The facts of one worker's stations, kept until the broker has stored them. Cheap to
/// clone; one process at a time.
#[derive(Clone)]
pub struct Outbox {
    inner: Arc<Inner>,
}

struct Inner {
    dir: PathBuf,
    site: SiteId,
    facts: Journal,
    /// Held while numbers are given, so that facts lie in the order of their numbers.
    order: Mutex<Order>,
    /// One waits for the disk, for all who wait; whoever writes meanwhile shares the next sync.
    syncing: Mutex<Syncing>,
    synced: Condvar,
    /// Facts up to this position are on the disk: only they may be sent, else a power cut
    /// could give a number twice.
    on_disk: AtomicU64,
    waiting: AtomicUsize,
    kept: AtomicUsize,
    refused: AtomicUsize,
    /// A write failed: nothing more is recorded, what is on the disk is still sent.
    broken: AtomicBool,
    /// How often something written may have been taken back.
    taken_back: AtomicU64,
    more: Notify,
    never_compared: AtomicBool,
    /// The connection on which what was sent was last compared with the log.
    compared_on: AtomicU64,
}

struct Order {
    /// The position of the next fact.
    next: u64,
    ids: FactIdSource,
}

/// What was written and may not be on the disk yet: nobody is told "OK" before
/// [`Written::synced`].
#[derive(Debug)]
#[must_use = "it counts only once it is on the disk"]
pub struct Written {
    outbox: Outbox,
    facts: Vec<Fact>,
    batch: u64,
}

impl Written {
    /// The facts.
    #[must_use]
    pub fn facts(&self) -> &[Fact] {
        &self.facts
    }

    /// Waits for the disk. What waits for it together takes one sync.
    ///
    /// # Errors
    /// [`OutboxError`]; nothing counts as recorded then.
    pub fn synced(self) -> Result<Vec<Fact>, OutboxError> {
        self.outbox.synced_to(self.batch)?;
        Ok(self.facts)
    }
}

impl std::fmt::Debug for Outbox {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Outbox")
            .field("dir", &self.inner.dir)
            .field("waiting", &self.waiting())
            .finish_non_exhaustive()
    }
}

impl Outbox {
    /// Opens the outbox in its own folder, making it if need be. Numbers go on where they
    /// stopped. Waits a moment for a predecessor that is just ending.
    ///
    /// # Errors
    /// [`OutboxError`] says what to do about the folder.
    pub fn open(dir: &Path, site: SiteId) -> Result<Self, OutboxError> {
        let (facts, mut found) = Journal::open(dir)?;
        if found.incomplete {
            facts.apply(book::take_over(&facts, std::mem::take(&mut found.earlier))?)?;
            facts.apply(book::after_damage(&facts)?)?;
        }
        facts.seen_to(&found)?;
        // What was refused before may be wanted now: another version of this program made it
        // readable, or somebody corrected the permissions.
        let (again, _) = book::try_refused(&facts)?;
        facts.apply(again)?;
        // A process that was killed may have written what it had not synced yet. From here on
        // it is sent, and answered for: so it must be on the disk first.
        facts.sync()?;
        let book::Standing {
            waiting,
            sent,
            refused,
            last,
        } = book::standing(&facts)?;
        Ok(Self {
            inner: Arc::new(Inner {
                dir: dir.to_owned(),
                site,
                facts,
                order: Mutex::new(Order {
                    next: last + 1,
                    ids: FactIdSource::default(),
                }),
                syncing: Mutex::default(),
                synced: Condvar::new(),
                on_disk: AtomicU64::new(last),
                waiting: AtomicUsize::new(waiting),
                kept: AtomicUsize::new(sent),
                refused: AtomicUsize::new(refused),
                broken: AtomicBool::new(false),
                taken_back: AtomicU64::new(0),
                more: Notify::new(),
                never_compared: AtomicBool::new(false),
                compared_on: AtomicU64::new(u64::MAX),
            }),
        })
    }

    /// Numbers the drafts, stamps them with ids and stores them. When it returns they are on
    /// the disk, all or none: the person may be told "OK". It takes as long as the disk
    /// needs for one sync.
    ///
    /// # Errors
    /// [`OutboxError`]; nothing counts as recorded then.
    pub fn record(
        &self,
        station: &StationId,
        drafts: Vec<Draft>,
        recorded_at: DateTime<Utc>,
    ) -> Result<Vec<Fact>, OutboxError> {
        if drafts.is_empty() {
            return Ok(Vec::new());
        }
        self.record_with(station, drafts, recorded_at, |_| Vec::new())
    }

    /// As [`Outbox::record`], and keeps notes in the same batch: all of it or nothing, also
    /// after a crash. Without drafts only the notes are kept.
    ///
    /// # Errors
    /// [`OutboxError`]; nothing counts as recorded then.
    pub fn record_with(
        &self,
        station: &StationId,
        drafts: Vec<Draft>,
        recorded_at: DateTime<Utc>,
        notes: impl FnOnce(&[Fact]) -> Vec<Note>,
    ) -> Result<Vec<Fact>, OutboxError> {
        if self.is_broken() {
            self.mend()?;
        }
        self.write_with(station, drafts, recorded_at, notes)?
            .synced()
    }

    /// The first half of [`Outbox::record_with`]: numbers and writes, without waiting for the
    /// disk. Several that write one after the other can then wait for one sync together. Where
    /// one failed, somebody has to [`Outbox::mend`] it first.
    ///
    /// # Errors
    /// [`OutboxError`]; nothing counts as recorded then.
    pub fn write_with(
        &self,
        station: &StationId,
        drafts: Vec<Draft>,
        recorded_at: DateTime<Utc>,
        notes: impl FnOnce(&[Fact]) -> Vec<Note>,
    ) -> Result<Written, OutboxError> {
        let inner = &*self.inner;
        if self.is_broken() {
            return Err(self.broken());
        }
        let (recorded, batch) = {
            let mut order = lock(&inner.order);
            let at = (order.next, || order.ids.next(recorded_at));
            let whose = (inner.site, *station);
            let numbered = book::number(&inner.facts, at, whose, drafts, recorded_at);
            let (recorded, mut changes) = numbered.map_err(|error| match error {
                NotNumbered::Shelf(error) => error,
                NotNumbered::TooLarge(ty, size, most) => OutboxError::TooLarge { ty, size, most },
                NotNumbered::Write(error) => OutboxError::Write(error),
                NotNumbered::Unreadable(ty, why) => OutboxError::Unreadable { ty, why },
            })?;
            book::keep_notes(&mut changes, notes(&recorded));
            inner.facts.apply(changes)?;
            order.next += recorded.len() as u64;
            inner.waiting.fetch_add(recorded.len(), Ordering::AcqRel);
            (recorded, inner.facts.applied())
        };
        Ok(Written {
            outbox: self.clone(),
            facts: recorded,
            batch,
        })
    }

    /// A station's earlier facts were recorded elsewhere, up to `number`: on another machine,
    /// or before its folder was lost. It goes on after that number; it never goes back.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn continue_after(&self, station: &StationId, number: u64) -> Result<(), OutboxError> {
        let inner = &*self.inner;
        let batch = {
            let _order = lock(&inner.order);
            let changes = book::continue_after(&inner.facts, station, number)?;
            inner.facts.apply(changes)?;
            inner.facts.applied()
        };
        self.synced_to(batch)
    }

    /// What was kept under a key, once it is on the disk: for what somebody is told by it. May
    /// wait for a sync: not to be called while others wait for what the caller holds.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn synced_note(&self, key: &[u8]) -> Result<Option<Vec<u8>>, OutboxError> {
        let (found, batch) = {
            let _order = lock(&self.inner.order);
            (self.note(key)?, self.inner.facts.applied())
        };
        if found.is_some() {
            self.synced_to(batch)?;
        }
        Ok(found)
    }

    /// What was kept under a key. It may not be on the disk yet: [`Outbox::synced_note`].
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn note(&self, key: &[u8]) -> Result<Option<Vec<u8>>, OutboxError> {
        self.inner.facts.get(&book::note_key(key))
    }

    /// Everything kept under keys that begin so, the last key first.
    pub fn notes(
        &self,
        begin: &[u8],
    ) -> impl Iterator<Item = Result<(Vec<u8>, Vec<u8>), OutboxError>> + use<> {
        let keys = self.inner.facts.keys(&book::note_key(begin));
        let outbox = self.clone();
        keys.into_iter().rev().filter_map(move |key| {
            let value = outbox.inner.facts.get(&key).transpose()?;
            Some(value.map(|value| (key.get(1..).unwrap_or_default().to_vec(), value)))
        })
    }

    /// How many facts wait for the broker.
    #[must_use]
    pub fn waiting(&self) -> usize {
        self.inner.waiting.load(Ordering::Acquire)
    }

    /// How many facts the broker refused. They are kept, with the reasons, in
    /// [`REFUSED_FILE`] in the outbox's folder, and go again at the next connection or start.
    #[must_use]
    pub fn refused(&self) -> usize {
        self.inner.refused.load(Ordering::Acquire)
    }

    /// What the broker refused, and why.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn refusals(&self) -> Result<Vec<Refused>, OutboxError> {
        book::refused(&self.inner.facts)
    }

    /// Puts facts that were sent, and are still kept, back among those that wait: those of
    /// which `lost` says that the broker lost what it had acknowledged. The same facts with the
    /// same ids, so sending one too many does no harm. Returns how many.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn send_again(&self, lost: impl Fn(&wire::Parcel) -> bool) -> Result<usize, OutboxError> {
        let inner = &*self.inner;
        let (again, batch) = {
            let _order = lock(&inner.order);
            let (changes, again) = book::send_again(&inner.facts, lost)?;
            if again == 0 {
                return Ok(0);
            }
            inner.facts.apply(changes)?;
            inner.kept.fetch_sub(again, Ordering::AcqRel);
            inner.waiting.fetch_add(again, Ordering::AcqRel);
            (again, inner.facts.applied())
        };
        // Else a power cut would make them sent again, and nobody would know that they are not.
        self.synced_to(batch)?;
        inner.more.notify_one();
        Ok(again)
    }

    /// The facts that were sent and are still kept: see [`book::sent`].
    fn sent(&self) -> Result<BTreeMap<String, Vec<FactId>>, OutboxError> {
        book::sent(&self.inner.facts)
    }

    /// One whose worker may not read the log: what the broker loses of it stays lost.
    #[must_use]
    pub fn never_compared(self) -> Self {
        self.inner.never_compared.store(true, Ordering::Release);
        self
    }

    fn is_never_compared(&self) -> bool {
        self.inner.never_compared.load(Ordering::Acquire)
    }

    /// Whether, on this connection, it was looked whether the broker lost what it had
    /// acknowledged: what it lost waits then. True also where that could not be found out in
    /// several tries.
    #[must_use]
    pub fn is_compared(&self, bus: &Bus) -> bool {
        let connection = bus.link().borrow().connections;
        self.inner.compared_on.load(Ordering::Acquire) == connection
    }

    /// Every fact still here, sent or not, in the order of recording.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn kept(&self) -> Result<Vec<Fact>, OutboxError> {
        self.kept_since(None)
    }

    /// The same, without what was sent and was recorded before an instant: what a worker must
    /// know again after a crash, whether the broker is there or not, if it has the log of then.
    ///
    /// # Errors
    /// [`OutboxError`] when the folder cannot be used.
    pub fn kept_since(&self, since: Option<DateTime<Utc>>) -> Result<Vec<Fact>, OutboxError> {
        let inner = &*self.inner;
        let lines = book::lines(&inner.facts)?;
        let facts = lines.iter().filter_map(|(sent, line)| {
            let fact = read(line)?;
            let known = *sent && since.is_some_and(|since| fact.recorded_at < since);
            (!known).then_some(fact)
        });
        Ok(facts.collect())
    }

    /// What is in it, for whoever must not keep it open.
    pub(crate) fn glimpse(&self) -> Glimpse {
        Glimpse(Arc::downgrade(&self.inner))
    }

    /// The oldest facts that may be sent, of stations that are not `held` back.
    fn oldest(&self, most: usize, held: &[StationId]) -> Result<Vec<(u64, Vec<u8>)>, OutboxError> {
        let inner = &*self.inner;
        let on_disk = inner.on_disk.load(Ordering::Acquire);
        book::oldest(&inner.facts, on_disk, most, held)
    }

    /// This is what became of facts.
    fn settle(&self, outcomes: Vec<(u64, Outcome)>) -> Result<Settled, OutboxError> {
        let inner = &*self.inner;
        let _order = lock(&inner.order);
        let kept = inner.kept.load(Ordering::Acquire);
        let (changes, settled) = book::settle(&inner.facts, outcomes, kept)?;
        // Not synced: after a power cut a fact may be sent twice, which is harmless.
        inner.facts.apply(changes)?;
        let Settled {
            sent,
            refused,
            forgotten,
        } = settled;
        inner.kept.store(kept + sent - forgotten, Ordering::Release);
        inner.refused.fetch_add(refused, Ordering::AcqRel);
        inner.waiting.fetch_sub(sent + refused, Ordering::AcqRel);
        Ok(settled)
    }

    /// Lets what was refused wait again.
    fn try_refused(&self) -> Result<usize, OutboxError> {
        let inner = &*self.inner;
        let _order = lock(&inner.order);
        let (changes, again) = book::try_refused(&inner.facts)?;
        inner.facts.apply(changes)?;
        inner.refused.fetch_sub(again, Ordering::AcqRel);
        inner.waiting.fetch_add(again, Ordering::AcqRel);
        Ok(again)
    }
}

/// See [`Outbox::glimpse`].
#[derive(Clone)]
pub(crate) struct Glimpse(Weak<Inner>);

impl std::fmt::Debug for Glimpse {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_tuple("Glimpse").field(&self.counts()).finish()
    }
}

impl Glimpse {
    /// Facts that wait, and those that were refused; zeros once the outbox is closed.
    pub(crate) fn counts(&self) -> (usize, usize) {
        let outbox = self.0.upgrade().map(|inner| Outbox { inner });
        outbox.map_or((0, 0), |outbox| (outbox.waiting(), outbox.refused()))
    }
}

/// What lies in an outbox's folder, whoever has it open, and however damaged it is.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Looked {
    /// Facts that wait for the broker, each a line of JSON, the oldest first.
    pub waiting: Vec<String>,
    /// Facts that were sent and are kept.
    pub sent: Vec<String>,
    /// Facts that the broker refused.
    pub refused: Vec<Refused>,
    /// Parts of the file that do not read now. Those that were found when it was opened lie
    /// beside it under a name of their own.
    pub damaged: usize,
}

/// Looks what lies in an outbox's folder without taking it: nothing is changed there.
///
/// # Errors
/// [`OutboxError`] when the folder cannot be read, or holds no outbox.
pub fn look(dir: &Path) -> Result<Looked, OutboxError> {
    let (entries, damaged) = journal::look(dir)?;
    let shelf = book::Memory::holding(entries);
    let Ok(looked) = book::looked(&shelf);
    Ok(Looked { damaged, ..looked })
}

fn lock<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn read(line: &[u8]) -> Option<Fact> {
    match wire::from_line(std::str::from_utf8(line).ok()?).ok()? {
        wire::Read::Fact(fact) => Some(fact),
        wire::Read::UnknownType(_) => None,
    }
}

fn io_error(dir: &Path, error: &std::io::Error) -> OutboxError {
    use std::io::ErrorKind;
    match error.kind() {
        ErrorKind::StorageFull | ErrorKind::QuotaExceeded => OutboxError::DiskFull(dir.to_owned()),
        _ => OutboxError::Folder {
            dir: dir.to_owned(),
            reason: error.to_string(),
        },
    }
}

#[cfg(test)]
mod tests;
