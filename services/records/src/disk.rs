//! The index's storage on a disk, and whatever else this worker keeps beside it, always written
//! in one batch with the position in the log that it stands for.

use std::fmt;
use std::ops::Bound::Included;
use std::path::Path;
use std::sync::{Arc, PoisonError, RwLock, RwLockReadGuard, RwLockWriteGuard};

use facts::stored::borsh::BorshSerialize;
use projection::{Aside, Store, StoreError, Unwritten};

/// Raised when what is stored would be read differently: the log is then read again.
const FORMAT: u32 = 2;

/// A store, and what was put into it since it was last written.
///
/// The index's keys begin with a byte below `a`; those of the worker's own records begin with a
/// letter.
#[derive(Clone)]
pub(crate) struct Disk(Arc<Shared>);

struct Shared {
    store: Store,
    new: RwLock<Unwritten>,
    /// What could not be read: nothing that was answered since is to be believed.
    failed: RwLock<Option<String>>,
}

impl Disk {
    /// Opens the store in a folder. `load`: reads what has to be read at the start.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn open<T>(
        path: &Path,
        load: impl Fn(&Store) -> Result<T, StoreError>,
    ) -> Result<(Self, T, Option<Aside>), StoreError> {
        let (store, loaded, aside) = Store::open_with(path, FORMAT, load)?;
        let shared = Shared {
            store,
            new: RwLock::default(),
            failed: RwLock::default(),
        };
        Ok((Self(Arc::new(shared)), loaded, aside))
    }

    pub(crate) fn store(&self) -> &Store {
        &self.0.store
    }

    /// Puts a record of the worker's own.
    ///
    /// # Errors
    /// [`StoreError::Encoding`], which is a defect.
    pub(crate) fn keep(&self, key: &[u8], value: &impl BorshSerialize) -> Result<(), StoreError> {
        self.unwritten().put(key.to_vec(), value)
    }

    /// Forgets a record of the worker's own.
    pub(crate) fn forget(&self, key: &[u8]) {
        self.unwritten().remove(key.to_vec());
    }

    /// Keys from one on and before another, what is not written yet among them.
    pub(crate) fn each_key(&self, from: &[u8], to: &[u8], mut take: impl FnMut(&[u8])) {
        trace::Storage::between(self, from, to, &mut |key, _| {
            take(key);
            true
        });
    }

    /// Writes everything that was put, whole or not at all.
    ///
    /// # Errors
    /// [`StoreError`].
    pub(crate) fn write(&self, position: Option<&bus::Position>) -> Result<(), StoreError> {
        let mut new = self.unwritten();
        if new.is_empty() && position.is_none() {
            return Ok(());
        }
        new.write(&self.0.store, position)
    }

    /// Why what was answered is not to be believed, if it is not.
    pub(crate) fn failed(&self) -> Option<String> {
        let failed = self.0.failed.read();
        failed.unwrap_or_else(PoisonError::into_inner).clone()
    }

    fn unwritten(&self) -> RwLockWriteGuard<'_, Unwritten> {
        self.0.new.write().unwrap_or_else(PoisonError::into_inner)
    }

    fn newest(&self) -> RwLockReadGuard<'_, Unwritten> {
        self.0.new.read().unwrap_or_else(PoisonError::into_inner)
    }

    fn fail(&self, why: &str) {
        let failed = self.0.failed.write();
        let mut failed = failed.unwrap_or_else(PoisonError::into_inner);
        failed.get_or_insert_with(|| why.to_owned());
    }
}

impl fmt::Debug for Disk {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.0.store.path().display())
    }
}

impl trace::Storage for Disk {
    fn get(&self, key: &[u8]) -> Option<Vec<u8>> {
        let found = self.newest().bytes(&self.0.store, key);
        found.unwrap_or_else(|error| {
            self.fail(&error.to_string());
            None
        })
    }

    fn between(&self, from: &[u8], to: &[u8], take: &mut dyn FnMut(&[u8], &[u8]) -> bool) {
        let newest = self.newest();
        for record in newest.from(&self.0.store, Included(from)) {
            match record {
                Ok((key, value)) if key.as_slice() < to && take(&key, &value) => {}
                Ok(_) => return,
                Err(error) => return self.fail(&error.to_string()),
            }
        }
    }

    fn put(&mut self, key: &[u8], value: Vec<u8>) {
        self.unwritten().put_bytes(key.to_vec(), value);
    }

    fn remove(&mut self, key: &[u8]) {
        self.unwritten().remove(key.to_vec());
    }

    fn damaged(&self, why: &str) {
        self.fail(why);
    }
}
