//! What survives a crash: records in sled, with the stream position they stand for, always
//! written in one batch.
//!
//! Invariant: the position in the store is exactly the position of the state in the
//! store. sled applies a batch on one tree whole or not at all, so one tree holds both.

use std::ops::Bound;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use bus::Shutdown;
use bus::retry::Backoff;
use bus::telling::Telling;
use facts::stored::borsh::{self, BorshDeserialize, BorshSerialize};

use crate::records::Record;
use crate::{Effect, Records};

/// Bytes that must be free before a store that found the disk full is opened again: more
/// than one of sled's segments and a busy minute's facts.
const ROOM: usize = 16 << 20;

/// The number of the layout.
const FORMAT: &[u8] = b"format";
/// The stream position that everything else stands for.
const POSITION: &[u8] = b"position";
/// Messages still to be published, by number.
const EFFECTS: &[u8] = b"e/";

/// sled's cache, bytes: a worker looks at what is closed seldom, one record after the other.
const CACHE: u64 = 4 << 20;

/// How often sled tidies its file up, ms. What counts is on the disk at once, by [`Store::write`];
/// each round waits for the disk, also while nothing happens.
const TIDIED_EVERY_MS: u64 = 5_000;

/// Looks for every ten keys written: sled gives back what a write replaced only while others
/// look something up. Its collector frees at most 512 objects, once in 128 looks, and a write of
/// a key leaves about two behind; a worker that reads a long log and asks its store nothing
/// held gigabytes.
const LOOKS_OF_TEN: usize = 6;

/// A store that is in use is tried again so often, with so long between: by then a worker that
/// has just ended has let go of it.
const LOCK_TRIES: u32 = 40;
const LOCK_WAIT: Duration = Duration::from_millis(25);

/// Why the store cannot do its work.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Another process has it open.
    #[error(
        "{0} is in use by another process: stop the other worker, or give this one its own data folder"
    )]
    InUse(PathBuf),
    /// The disk was full, and the store does not close.
    #[error(
        "the store {0} does not close after its disk was full: this worker ends, and goes on from what was stored when it is started again, which `wheelward up` does by itself"
    )]
    Stuck(PathBuf),
    /// The disk is full.
    #[error(
        "the disk that holds {0} is full: free some space; nothing is lost, work goes on by itself"
    )]
    DiskFull(PathBuf),
    /// Anything else that sled or the file system reports.
    #[error(
        "the store in {path} failed: {source}; if it stays so, stop the worker and delete that folder: it is rebuilt from the log"
    )]
    Failed {
        /// The folder.
        path: PathBuf,
        /// What was reported.
        source: sled::Error,
    },
    /// A record does not read. [`Store::open_with`] puts such a store aside.
    #[error(
        "the record {key} in the store {path} does not read ({why}): put that folder aside, it is rebuilt from the log"
    )]
    Unreadable {
        /// The folder.
        path: PathBuf,
        /// Which record.
        key: String,
        /// Why not.
        why: String,
    },
    /// Something does not encode; a defect, not an input.
    #[error("a record could not be written down: {0}")]
    Encoding(std::io::Error),
}

/// A store in which a record did not read, put aside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Aside {
    /// Where it lies now.
    pub path: PathBuf,
    /// What was wrong with it.
    pub why: String,
}

impl Aside {
    /// For people: nothing is lost, but they should know that it happened. `worker`: whose
    /// store it was.
    #[must_use]
    pub fn telling(&self, worker: &str) -> Telling {
        let place = self.path.file_name().unwrap_or_default().to_string_lossy();
        let id = match worker {
            "scheduler" => format!("store-aside-{place}"),
            other => format!("store-aside-{other}-{place}"),
        };
        let text = format!(
            "The {worker}'s store did not read and was put aside as {}. The log was folded anew: nothing is lost, and answers are whole. Look at the disk. ({})",
            self.path.display(),
            self.why
        );
        Telling::warning(id, text)
    }
}

/// A worker's store.
pub struct Store {
    path: PathBuf,
    format: u32,
    db: sled::Db,
    tree: sled::Tree,
    /// Whether the disk was full: see [`close_elsewhere`].
    full: AtomicBool,
}

/// How many stores of full disks are being closed.
static CLOSING: AtomicUsize = AtomicUsize::new(0);

/// Longer than a store that closes at all takes for it.
const CLOSES_WITHIN: Duration = Duration::from_secs(10);

/// sled 0.34 may wait for ever when the last handle of a tree is let go of after its disk was
/// full: that is left to a thread of its own, and [`recover`] sees whether it comes to an end.
fn close_elsewhere(db: sled::Db, tree: Option<sled::Tree>) {
    CLOSING.fetch_add(1, Ordering::AcqRel);
    std::thread::spawn(move || {
        // The owner's handles go first.
        std::thread::sleep(LOCK_WAIT);
        drop((tree, db));
        CLOSING.fetch_sub(1, Ordering::AcqRel);
    });
}

impl Drop for Store {
    fn drop(&mut self) {
        if self.full.load(Ordering::Acquire) {
            close_elsewhere(self.db.clone(), Some(self.tree.clone()));
        }
    }
}

impl Store {
    fn failed(&self, source: sled::Error) -> StoreError {
        let error = failed(&self.path, source);
        if matches!(error, StoreError::DiskFull(_)) {
            self.full.store(true, Ordering::Release);
        }
        error
    }

    /// Opens the store in a folder and reads what is in it with `load`. If a record does not
    /// read, the whole store is put aside and a new one begun: what is left of it would be a
    /// state that never was. One of another format is emptied.
    ///
    /// # Errors
    /// As [`Store::open`], and what `load` says of an empty store.
    pub fn open_with<T>(
        path: &Path,
        format: u32,
        load: impl Fn(&Self) -> Result<T, StoreError>,
    ) -> Result<(Self, T, Option<Aside>), StoreError> {
        let whole = |store: &Self| store.effects().and_then(|_| load(store));
        let store = Self::open(path, format)?;
        match whole(&store) {
            Ok(loaded) => Ok((store, loaded, None)),
            Err(error @ StoreError::Unreadable { .. }) => {
                drop(store);
                let why = error.to_string();
                let aside = Aside {
                    path: put_aside(path, &why)?,
                    why,
                };
                let store = Self::open(path, format)?;
                let loaded = whole(&store)?;
                Ok((store, loaded, Some(aside)))
            }
            Err(other) => Err(other),
        }
    }

    /// Opens the store in a folder, or makes it. One that cannot be opened is put aside
    /// under a name ending in `.damaged-N`, with a warning, and a new one begun.
    ///
    /// # Errors
    /// [`StoreError`] when it is in use, the disk is full, or the folder cannot be made.
    pub fn open(path: &Path, format: u32) -> Result<Self, StoreError> {
        let store = match Self::try_open(path, format) {
            Err(StoreError::Failed { source, .. }) if path.exists() => {
                put_aside(path, &source.to_string())?;
                Self::try_open(path, format)?
            }
            other => other?,
        };
        // Of another format this number itself may not read.
        let found = store.bytes(FORMAT)?;
        let ours = encode(&format)?;
        if found.as_deref() != Some(&ours) {
            if !store.tree.is_empty() {
                tracing::info!("the store is of another version: reading the log again");
            }
            store.empty()?;
        }
        Ok(store)
    }

    fn try_open(path: &Path, format: u32) -> Result<Self, StoreError> {
        let config = sled::Config::new()
            .path(path)
            .cache_capacity(CACHE)
            .flush_every_ms(Some(TIDIED_EVERY_MS));
        // sled lets go of its lock a moment after it was dropped.
        let mut tries = LOCK_TRIES;
        let db = loop {
            match config.open().map_err(|e| failed(path, e)) {
                Err(StoreError::InUse(_)) if tries > 0 => std::thread::sleep(LOCK_WAIT),
                opened => break opened?,
            }
            tries -= 1;
        };
        match db.open_tree("floor") {
            Ok(tree) => Ok(Self {
                path: path.to_owned(),
                format,
                db,
                tree,
                full: AtomicBool::new(false),
            }),
            Err(error) => {
                close_elsewhere(db, None);
                Err(failed(path, error))
            }
        }
    }

    /// Where it lies.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Forgets everything: the log is read from its beginning.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be written.
    pub fn empty(&self) -> Result<(), StoreError> {
        // Without its layout's number a store is emptied at the next start: a stop half-way
        // leaves nothing that could be taken for a state.
        let mut unsaid = sled::Batch::default();
        unsaid.remove(FORMAT);
        unsaid.remove(POSITION);
        self.tree.apply_batch(unsaid).map_err(|e| self.failed(e))?;
        self.db.flush().map_err(|e| self.failed(e))?;
        self.tree.clear().map_err(|e| self.failed(e))?;
        self.tree
            .insert(FORMAT, encode(&self.format)?)
            .map_err(|e| self.failed(e))?;
        Ok(())
    }

    /// Writes a batch whole or not at all; returns when the operating system has it.
    ///
    /// # Errors
    /// [`StoreError`]; nothing of the batch is stored then, and it can be tried again.
    pub fn write(&self, batch: &Batch) -> Result<(), StoreError> {
        let mut all = sled::Batch::default();
        for (key, value) in &batch.0 {
            match value {
                Some(value) => all.insert(key.as_slice(), value.as_slice()),
                None => all.remove(key.as_slice()),
            }
        }
        self.tree.apply_batch(all).map_err(|e| self.failed(e))?;
        self.db.flush().map_err(|e| self.failed(e))?;
        for _ in 0..(batch.0.len() * LOOKS_OF_TEN).div_ceil(10) {
            self.tree.get(FORMAT).map_err(|e| self.failed(e))?;
        }
        Ok(())
    }

    /// The stream position that the records stand for; `None` for an empty store.
    ///
    /// # Errors
    /// [`StoreError`] when it does not read.
    pub fn position<P: BorshDeserialize>(&self) -> Result<Option<P>, StoreError> {
        self.get(POSITION)
    }

    /// Effects that were asked for and not yet confirmed, in order.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be read.
    pub fn effects(&self) -> Result<Vec<(u64, Effect)>, StoreError> {
        let mut effects = Vec::new();
        self.each(EFFECTS, |number, effect| {
            let number = number.try_into().map_err(|_| "no number".to_owned())?;
            effects.push((u64::from_be_bytes(number), effect));
            Ok(())
        })?;
        Ok(effects)
    }

    /// Forgets an effect that has been published.
    ///
    /// # Errors
    /// [`StoreError`]; it is then published again, under the same id.
    pub fn effect_done(&self, number: u64) -> Result<(), StoreError> {
        self.tree
            .remove(effect_key(number))
            .map(drop)
            .map_err(|e| self.failed(e))
    }

    /// Bytes on disk.
    ///
    /// # Errors
    /// [`StoreError`] when the file system does not say.
    pub fn size_on_disk(&self) -> Result<u64, StoreError> {
        self.db.size_on_disk().map_err(|e| self.failed(e))
    }
}

impl Records for Store {
    type Error = StoreError;

    fn bytes(&self, key: &[u8]) -> Result<Option<Vec<u8>>, StoreError> {
        let found = self.tree.get(key).map_err(|e| self.failed(e))?;
        Ok(found.map(|bytes| bytes.to_vec()))
    }

    fn from(&self, from: Bound<&[u8]>) -> impl Iterator<Item = Result<Record, StoreError>> {
        let records = self.tree.range::<&[u8], _>((from, Bound::Unbounded));
        records.map(|record| {
            let (key, value) = record.map_err(|e| self.failed(e))?;
            Ok((key.to_vec(), value.to_vec()))
        })
    }

    fn unreadable(&self, key: &[u8], why: &str) -> StoreError {
        StoreError::Unreadable {
            path: self.path.clone(),
            key: String::from_utf8_lossy(key).escape_debug().to_string(),
            why: why.to_owned(),
        }
    }
}

/// What one write holds: keys with their new values; none takes the key away.
#[derive(Debug, Default)]
pub struct Batch(pub Vec<(Vec<u8>, Option<Vec<u8>>)>);

impl Batch {
    /// Writes a record.
    ///
    /// # Errors
    /// [`StoreError::Encoding`], which is a defect.
    pub fn put(&mut self, key: &[u8], value: &impl BorshSerialize) -> Result<(), StoreError> {
        self.0.push((key.to_vec(), Some(encode(value)?)));
        Ok(())
    }

    /// Forgets a record.
    pub fn remove(&mut self, key: &[u8]) {
        self.0.push((key.to_vec(), None));
    }

    /// The position that the records stand for once this is written.
    ///
    /// # Errors
    /// [`StoreError::Encoding`], which is a defect.
    pub fn position(&mut self, position: &impl BorshSerialize) -> Result<(), StoreError> {
        self.put(POSITION, position)
    }

    /// Messages to publish once this is written, numbered from `first`.
    ///
    /// # Errors
    /// [`StoreError::Encoding`], which is a defect.
    pub fn effects(&mut self, first: u64, effects: &[Effect]) -> Result<(), StoreError> {
        for (number, effect) in (first..).zip(effects) {
            self.put(&effect_key(number), effect)?;
        }
        Ok(())
    }
}

fn effect_key(number: u64) -> Vec<u8> {
    [EFFECTS, &number.to_be_bytes()].concat()
}

pub(crate) fn encode(value: &impl BorshSerialize) -> Result<Vec<u8>, StoreError> {
    borsh::to_vec(value).map_err(StoreError::Encoding)
}

/// Renames the folder of a store, whole.
fn put_aside(path: &Path, why: &str) -> Result<PathBuf, StoreError> {
    let aside = free_name(path);
    tracing::error!(
        "the store could not be read ({why}): put aside as {}, reading the log again",
        aside.display()
    );
    std::fs::rename(path, &aside).map_err(|e| failed(path, sled::Error::Io(e)))?;
    Ok(aside)
}

/// What is done about a store that could not be used, before it is opened again: a full disk is
/// waited for, a store in which a record does not read is put aside.
///
/// # Errors
/// The same error, where nothing can be done about it here.
pub async fn recover(
    folder: &Path,
    error: StoreError,
    shutdown: &Shutdown,
) -> Result<Option<Aside>, StoreError> {
    match error {
        StoreError::DiskFull(_) => {
            tracing::error!("{error}");
            let mut backoff = Backoff::default();
            while !has_room(folder) {
                tokio::select! {
                    () = backoff.wait() => {}
                    () = shutdown.requested() => return Ok(None),
                }
            }
            let mut waits = CLOSES_WITHIN;
            while CLOSING.load(Ordering::Acquire) > 0 {
                if waits.is_zero() {
                    return Err(StoreError::Stuck(folder.to_owned()));
                }
                tokio::time::sleep(LOCK_WAIT).await;
                waits = waits.saturating_sub(LOCK_WAIT);
            }
            tracing::info!("there is room again: work goes on from what was stored");
            Ok(None)
        }
        StoreError::Unreadable { .. } => {
            let why = error.to_string();
            let path = put_aside(folder, &why)?;
            Ok(Some(Aside { path, why }))
        }
        other => Err(other),
    }
}

/// Whether the disk takes as much as a store adds at a time.
fn has_room(folder: &Path) -> bool {
    let probe = folder.join("is-there-room");
    let written = std::fs::write(&probe, vec![1; ROOM]).is_ok();
    // What was begun must go, or it takes the room itself.
    let removed = std::fs::remove_file(&probe).is_ok();
    written && removed
}

fn free_name(path: &Path) -> PathBuf {
    let name = |n: u32| path.with_extension(format!("damaged-{n}"));
    (1..)
        .map(name)
        .find(|aside| !aside.exists())
        .unwrap_or_else(|| name(0))
}

fn failed(path: &Path, source: sled::Error) -> StoreError {
    let path = path.to_owned();
    match &source {
        sled::Error::Io(e) if e.kind() == std::io::ErrorKind::StorageFull => {
            StoreError::DiskFull(path)
        }
        // sled reports its lock file as an I/O error whose text names the lock.
        sled::Error::Io(e) if e.to_string().contains("lock") => StoreError::InUse(path),
        _ => StoreError::Failed { path, source },
    }
}
