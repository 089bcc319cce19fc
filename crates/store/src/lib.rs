//! What survives a crash: the folded floor in sled, with the stream position it stands
//! for, always written in one batch.
//!
//! The store is a projection. Nothing is lost if its folder is deleted: the log is
//! folded again. So a store that cannot be opened, or in which a single record does not
//! read, is put aside whole, never repaired and never half believed.
//!
//! What is stored is what facts said, never what follows from it: a wheel's state is folded
//! from its notes when it is loaded, so a restart cannot differ from a rebuild. Its layout
//! is its own, in Borsh: the wire's types do not even compile here.
//!
//! Invariant: the position in the store is exactly the position of the state in the
//! store. sled applies a batch on one tree whole or not at all, so one tree holds both.

mod key;

use std::path::{Path, PathBuf};
use std::str::FromStr;

use facts::stored::borsh::{self, BorshDeserialize, BorshSerialize};
use facts::{BatchId, RoomId, StationId, ToolId, WheelId, stored_struct};
use key::Key;
use ripening::{Counts, Damaged, Floor, Folding, Gap, Practice, Voiding};

/// Raised when what is stored would be read differently: the log is then folded again.
/// `tests/store/layout.rs` fails when the one changes without the other.
pub const FORMAT: u32 = 8;

/// Bytes that must be free before a store that found the disk full is opened again: more
/// than one of sled's segments and a busy minute's facts.
const ROOM: usize = 16 << 20;

/// Why the store cannot do its work.
#[derive(Debug, thiserror::Error)]
pub enum StoreError {
    /// Another process has it open.
    #[error(
        "{0} is in use by another process: stop the other scheduler, or give this one its own data folder"
    )]
    InUse(PathBuf),
    /// The disk is full.
    #[error(
        "the disk that holds {0} is full: free some space; nothing is lost, folding goes on by itself"
    )]
    DiskFull(PathBuf),
    /// Anything else that sled or the file system reports.
    #[error(
        "the store in {path} failed: {source}; if it stays so, stop the scheduler and delete that folder: it is rebuilt from the log"
    )]
    Failed {
        /// The folder.
        path: PathBuf,
        /// What was reported.
        source: sled::Error,
    },
    /// A record does not read. [`Store::open_loaded`] puts such a store aside.
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

/// A message to publish once the state that asks for it is safe.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Effect {
    /// The end of its subject, after the site.
    pub tail: String,
    /// Its id: the same if it is made again.
    pub id: String,
    /// Its body.
    pub body: Vec<u8>,
}

stored_struct!(Effect { tail, id, body });

/// The scheduler's store.
pub struct Store {
    path: PathBuf,
    db: sled::Db,
    tree: sled::Tree,
}

/// A floor as it was stored.
pub struct Loaded<P> {
    /// The floor; nothing is derived yet.
    pub floor: Folding,
    /// The stream position it stands for; `None` for an empty store.
    pub position: Option<P>,
}

/// A store in which a record did not read, put aside.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Aside {
    /// Where it lies now.
    pub path: PathBuf,
    /// What was wrong with it.
    pub why: String,
}

impl Store {
    /// Opens the store in a folder and puts the stored floor together. If a record does not
    /// read, the whole store is put aside and a new one begun: what is left of it would be a
    /// floor that never was.
    ///
    /// # Errors
    /// As [`Store::open`].
    pub fn open_loaded<P: BorshDeserialize>(
        path: &Path,
        practice: Practice,
    ) -> Result<(Self, Loaded<P>, Option<Aside>), StoreError> {
        let (store, loaded, (), aside) = Self::open_with(path, practice, |_| Ok(()))?;
        Ok((store, loaded, aside))
    }

    /// The same, with whatever else the caller keeps here: `kept` reads it.
    ///
    /// # Errors
    /// As [`Store::open`], and what `kept` says of a new store.
    #[allow(clippy::type_complexity)] // four things that belong together for one moment
    pub fn open_with<P: BorshDeserialize, K>(
        path: &Path,
        practice: Practice,
        kept: impl Fn(&Self) -> Result<K, StoreError>,
    ) -> Result<(Self, Loaded<P>, K, Option<Aside>), StoreError> {
        let whole = |store: &Self| {
            let loaded = store.load_whole(practice.clone())?;
            Ok((loaded, kept(store)?))
        };
        let store = Self::open(path)?;
        match whole(&store) {
            Ok((loaded, kept)) => Ok((store, loaded, kept, None)),
            Err(error @ StoreError::Unreadable { .. }) => {
                drop(store);
                let why = error.to_string();
                let aside = Aside {
                    path: put_aside(path, &why)?,
                    why,
                };
                let store = Self::open(path)?;
                let (loaded, kept) = whole(&store)?;
                Ok((store, loaded, kept, Some(aside)))
            }
            Err(other) => Err(other),
        }
    }

    /// Where it lies.
    #[must_use]
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Forgets everything: the log is folded from its beginning.
    ///
    /// # Errors
    /// [`StoreError`] when it cannot be written.
    pub fn empty(&self) -> Result<(), StoreError> {
        self.tree.clear().map_err(|e| failed(&self.path, e))?;
        self.tree
            .insert(Key::Format.encode(), encode(&FORMAT)?)
            .map_err(|e| failed(&self.path, e))?;
        Ok(())
    }

    /// Everything that is stored, effects included.
    fn load_whole<P: BorshDeserialize>(&self, practice: Practice) -> Result<Loaded<P>, StoreError> {
        let loaded = self.load(practice)?;
        self.effects().map(|_| loaded)
    }

    /// Opens the store in a folder, or makes it. One that cannot be read is put aside
    /// under a name ending in `.damaged-N`, with a warning, and a new one begun.
    ///
    /// # Errors
    /// [`StoreError`] when it is in use, the disk is full, or the folder cannot be made.
    pub fn open(path: &Path) -> Result<Self, StoreError> {
        let store = match Self::try_open(path) {
            Err(StoreError::Failed { source, .. }) if path.exists() => {
                put_aside(path, &source.to_string())?;
                Self::try_open(path)?
            }
            other => other?,
        };
        // Of another format this number itself may not read.
        let format = store.get_bytes(&Key::Format)?;
        let ours = encode(&FORMAT)?;
        if format.as_deref() != Some(&ours) {
            if !store.tree.is_empty() {
                tracing::info!("the store is of another version: folding the log again");
            }
            store.empty()?;
        }
        Ok(store)
    }

    fn try_open(path: &Path) -> Result<Self, StoreError> {
        let db = sled::Config::new()
            .path(path)
            .cache_capacity(64 << 20)
            .flush_every_ms(Some(500))
            .open()
            .map_err(|e| failed(path, e))?;
        let tree = db.open_tree("floor").map_err(|e| failed(path, e))?;
        Ok(Self {
            path: path.to_owned(),
            db,
            tree,
        })
    }

    /// Puts the stored floor together.
    ///
    /// # Errors
    /// [`StoreError::Unreadable`] when a record does not read, another when the store cannot
    /// be read at all.
    pub fn load<P: BorshDeserialize>(&self, practice: Practice) -> Result<Loaded<P>, StoreError> {
        let mut floor = Folding::new(practice);
        self.each(Key::VOIDINGS, |_: String, voiding: Voiding| {
            floor.restore_voiding(voiding);
            Ok(())
        })?;
        floor.restore_scopes(self.get(&Key::Scopes)?.unwrap_or_default());
        self.each(Key::WHEELS, |id: WheelId, chronicle| {
            floor.restore_wheel(id, chronicle)
        })?;
        self.each(Key::BATCHES, |id: BatchId, batch| {
            floor.restore_batch(id, batch);
            Ok(())
        })?;
        self.each(Key::ROOMS, |id: RoomId, room| {
            floor.restore_room(id, room);
            Ok(())
        })?;
        self.each(Key::TOOLS, |id: ToolId, tool| {
            floor.restore_tool(id, tool);
            Ok(())
        })?;
        self.each(Key::STATIONS, |id: StationId, log| {
            floor.restore_station(id, log);
            Ok(())
        })?;
        self.each(Key::GAPS, |ty: String, gap: Gap| {
            floor.restore_gap(ty, gap);
            Ok(())
        })?;
        let open = self.get(&Key::OpenAlerts)?.unwrap_or_default();
        let over = self.get(&Key::AlertsOver)?.unwrap_or_default();
        floor.restore_told(open, over);
        floor.restore_counts(self.get::<Counts>(&Key::Counts)?.unwrap_or_default());
        Ok(Loaded {
            floor,
            position: self.get(&Key::Position)?,
        })
    }

    /// Writes what has changed, the position it stands for, and the effects it asks
    /// for, in one batch; returns when the operating system has it.
    ///
    /// # Errors
    /// [`StoreError`]; nothing of the batch is stored then. The floor's changes are
    /// taken by [`Batch::of`], which can be tried again.
    pub fn write(&self, batch: &Batch) -> Result<(), StoreError> {
        self.tree
            .apply_batch(batch.0.clone())
            .map_err(|e| failed(&self.path, e))?;
        self.db.flush().map_err(|e| failed(&self.path, e))?;
        Ok(())
    }

    /// Effects that were asked for and not yet confirmed, in order.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be read.
    pub fn effects(&self) -> Result<Vec<(u64, Effect)>, StoreError> {
        let mut effects = Vec::new();
        for entry in self.tree.scan_prefix(Key::EFFECTS) {
            let (key, value) = entry.map_err(|e| failed(&self.path, e))?;
            let number = key::effect_number(&key);
            let number = number.ok_or_else(|| self.unreadable(&key, "no number"))?;
            effects.push((number, self.decode(&key, &value)?));
        }
        Ok(effects)
    }

    /// What the worker keeps beside the floor under a name, as [`Batch::keep`] wrote it.
    ///
    /// # Errors
    /// [`StoreError`] when it does not read.
    pub fn kept<T: BorshDeserialize>(&self, name: &str) -> Result<Option<T>, StoreError> {
        self.get(&Key::Kept(name))
    }

    /// Forgets an effect that has been published.
    ///
    /// # Errors
    /// [`StoreError`]; it is then published again, under the same id.
    pub fn effect_done(&self, number: u64) -> Result<(), StoreError> {
        let key = Key::Effect(number).encode();
        self.tree
            .remove(key)
            .map(drop)
            .map_err(|e| failed(&self.path, e))
    }

    /// Bytes on disk.
    ///
    /// # Errors
    /// [`StoreError`] when the file system does not say.
    pub fn size_on_disk(&self) -> Result<u64, StoreError> {
        self.db.size_on_disk().map_err(|e| failed(&self.path, e))
    }

    fn get<T: BorshDeserialize>(&self, key: &Key<'_>) -> Result<Option<T>, StoreError> {
        let value = self.get_bytes(key)?;
        value
            .map(|bytes| self.decode(&key.encode(), &bytes))
            .transpose()
    }

    fn get_bytes(&self, key: &Key<'_>) -> Result<Option<sled::IVec>, StoreError> {
        self.tree
            .get(key.encode())
            .map_err(|e| failed(&self.path, e))
    }

    fn each<I: FromStr, T: BorshDeserialize>(
        &self,
        prefix: &[u8],
        mut take: impl FnMut(I, T) -> Result<(), Damaged>,
    ) -> Result<(), StoreError> {
        for entry in self.tree.scan_prefix(prefix) {
            let (key, value) = entry.map_err(|e| failed(&self.path, e))?;
            let id = std::str::from_utf8(&key[prefix.len()..]).ok();
            let id = id.and_then(|id| id.parse().ok());
            let id = id.ok_or_else(|| self.unreadable(&key, "its name is none"))?;
            let stored = self.decode(&key, &value)?;
            take(id, stored).map_err(|Damaged| self.unreadable(&key, "its notes do not read"))?;
        }
        Ok(())
    }

    fn decode<T: BorshDeserialize>(&self, key: &[u8], bytes: &[u8]) -> Result<T, StoreError> {
        borsh::from_slice(bytes).map_err(|why| self.unreadable(key, &why.to_string()))
    }

    fn unreadable(&self, key: &[u8], why: &str) -> StoreError {
        StoreError::Unreadable {
            path: self.path.clone(),
            key: String::from_utf8_lossy(key).escape_debug().to_string(),
            why: why.to_owned(),
        }
    }
}

/// What one write holds.
#[derive(Default)]
pub struct Batch(sled::Batch);

impl Batch {
    /// Takes what has changed on a floor since the last time, with its position and the
    /// effects it asks for, numbered from `first_effect`.
    ///
    /// # Errors
    /// [`StoreError::Encoding`], which is a defect.
    pub fn of(
        floor: &mut Floor,
        position: &impl BorshSerialize,
        first_effect: u64,
        effects: &[Effect],
    ) -> Result<Self, StoreError> {
        let mut batch = Self::default();
        let changed = floor.take_changed();
        for id in &changed.wheels {
            if let Some(wheel) = floor.wheel(*id) {
                batch.put(&Key::Wheel(id.as_str()), wheel.chronicle())?;
            }
        }
        for id in &changed.batches {
            if let Some(made) = floor.batch(*id) {
                batch.put(&Key::Batch(id.as_str()), made)?;
            }
        }
        for (id, room) in floor.rooms().filter(|(id, _)| changed.rooms.contains(id)) {
            batch.put(&Key::Room(id.as_str()), room)?;
        }
        for id in &changed.tools {
            if let Some(tool) = floor.tool(*id) {
                batch.put(&Key::Tool(id.as_str()), tool)?;
            }
        }
        for (id, log) in floor
            .stations()
            .filter(|(id, _)| changed.stations.contains(id))
        {
            batch.put(&Key::Station(id.as_str()), log)?;
        }
        for voiding in &changed.voidings {
            batch.put(
                &Key::Voiding(&format!("{}-{}", voiding.target, voiding.by)),
                voiding,
            )?;
        }
        if changed.scopes {
            batch.put(&Key::Scopes, floor.scopes())?;
        }
        for (ty, gap) in floor.gaps() {
            batch.put(&Key::Gap(ty), gap)?;
        }
        for (number, effect) in (first_effect..).zip(effects) {
            batch.put(&Key::Effect(number), effect)?;
        }
        if changed.told {
            batch.put(&Key::OpenAlerts, &floor.open_alerts().collect::<Vec<_>>())?;
            batch.put(&Key::AlertsOver, &floor.alerts_over().collect::<Vec<_>>())?;
        }
        batch.put(&Key::Counts, &floor.counts())?;
        batch.put(&Key::Position, position)?;
        Ok(batch)
    }

    /// Adds what the worker keeps beside the floor, under a name of its own.
    ///
    /// # Errors
    /// [`StoreError::Encoding`], which is a defect.
    pub fn keep(&mut self, name: &str, what: &impl BorshSerialize) -> Result<(), StoreError> {
        self.put(&Key::Kept(name), what)
    }

    fn put(&mut self, key: &Key<'_>, value: &impl BorshSerialize) -> Result<(), StoreError> {
        self.0.insert(key.encode(), encode(value)?);
        Ok(())
    }
}

fn encode(value: &impl BorshSerialize) -> Result<Vec<u8>, StoreError> {
    borsh::to_vec(value).map_err(StoreError::Encoding)
}

/// Renames the folder of a store, whole.
fn put_aside(path: &Path, why: &str) -> Result<PathBuf, StoreError> {
    let aside = free_name(path);
    tracing::error!(
        "the store could not be read ({why}): put aside as {}, folding the log again",
        aside.display()
    );
    std::fs::rename(path, &aside).map_err(|e| failed(path, sled::Error::Io(e)))?;
    Ok(aside)
}

/// Whether the disk takes as much as the store adds at a time. Asked after
/// [`StoreError::DiskFull`], before the store is opened again.
#[must_use]
pub fn has_room(folder: &Path) -> bool {
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
