//! Where an index lies: an ordered map from bytes to bytes, in memory or on a disk.

use std::collections::BTreeMap;
use std::fmt;

use facts::stored::borsh::{self, BorshDeserialize, BorshSerialize};

use crate::key::Key;

/// An ordered map from bytes to bytes. Whoever keeps it on a disk makes what was put and
/// removed between two of its own stores durable at once: an index is right only whole.
pub trait Storage: fmt::Debug + Send + Sync {
    /// The value of a key.
    fn get(&self, key: &[u8]) -> Option<Vec<u8>>;
    /// Gives keys from `from` on and before `to`, in order, with their values, until `take`
    /// answers false. `take` may not use the storage.
    fn between(&self, from: &[u8], to: &[u8], take: &mut dyn FnMut(&[u8], &[u8]) -> bool);
    /// Sets a key's value; reads show it from now on.
    fn put(&mut self, key: &[u8], value: Vec<u8>);
    /// Takes a key away, if it is there.
    fn remove(&mut self, key: &[u8]);
    /// A value did not read. What is answered from now on is not to be believed.
    fn damaged(&self, why: &str);
}

/// An index in memory: for as long as a command runs, and for tests.
#[derive(Debug, Default)]
pub struct Memory(BTreeMap<Box<[u8]>, Box<[u8]>>);

impl Storage for Memory {
    fn get(&self, key: &[u8]) -> Option<Vec<u8>> {
        self.0.get(key).map(|value| value.to_vec())
    }

    fn between(&self, from: &[u8], to: &[u8], take: &mut dyn FnMut(&[u8], &[u8]) -> bool) {
        if from >= to {
            return;
        }
        for (key, value) in self.0.range::<[u8], _>((
            std::ops::Bound::Included(from),
            std::ops::Bound::Excluded(to),
        )) {
            if !take(key, value) {
                return;
            }
        }
    }

    fn put(&mut self, key: &[u8], value: Vec<u8>) {
        self.0.insert(key.into(), value.into());
    }

    fn remove(&mut self, key: &[u8]) {
        self.0.remove(key);
    }

    // Only what was written here is read here.
    fn damaged(&self, _: &str) {}
}

/// A storage of values that have a stored form.
#[derive(Debug)]
pub(crate) struct Shelf(Box<dyn Storage>);

impl Shelf {
    pub(crate) fn new(storage: Box<dyn Storage>) -> Self {
        Self(storage)
    }

    pub(crate) fn get<T: BorshDeserialize>(&self, key: &Key) -> Option<T> {
        let value = self.0.get(key.bytes())?;
        self.read(&value)
    }

    pub(crate) fn has(&self, key: &Key) -> bool {
        self.0.get(key.bytes()).is_some()
    }

    pub(crate) fn put<T: BorshSerialize>(&mut self, key: &Key, value: &T) {
        match borsh::to_vec(value) {
            Ok(bytes) => self.0.put(key.bytes(), bytes),
            Err(error) => self.0.damaged(&error.to_string()),
        }
    }

    pub(crate) fn remove(&mut self, key: &Key) {
        self.0.remove(key.bytes());
    }

    pub(crate) fn damaged(&self, why: &str) {
        self.0.damaged(why);
    }

    /// What `take` makes of each value from one key on and before another, in order, until it
    /// makes nothing.
    pub(crate) fn between<T: BorshDeserialize, R>(
        &self,
        from: &Key,
        to: &Key,
        mut take: impl FnMut(&[u8], T) -> Option<R>,
    ) -> Vec<R> {
        let mut taken = Vec::new();
        self.0.between(from.bytes(), to.bytes(), &mut |key, value| {
            let one = self.read(value).and_then(|value| take(key, value));
            let more = one.is_some();
            taken.extend(one);
            more
        });
        taken
    }

    /// What `take` makes of each value whose key begins so, in order.
    pub(crate) fn under<T: BorshDeserialize, R>(
        &self,
        prefix: &Key,
        mut take: impl FnMut(&[u8], T) -> R,
    ) -> Vec<R> {
        self.between(prefix, &prefix.end(), |key, value| Some(take(key, value)))
    }

    fn read<T: BorshDeserialize>(&self, value: &[u8]) -> Option<T> {
        borsh::from_slice(value)
            .inspect_err(|error| self.0.damaged(&error.to_string()))
            .ok()
    }
}

impl Default for Shelf {
    fn default() -> Self {
        Self::new(Box::<Memory>::default())
    }
}
