//! What is about to lie in a store: read as one with what lies there, and written in one batch.

use std::cmp::Ordering;
use std::collections::BTreeMap;
use std::ops::Bound;

use bus::Position;
use facts::stored::borsh::BorshSerialize;

use crate::records::Record;
use crate::store::encode;
use crate::{Batch, Records, Store, StoreError};

/// Records that have changed since the store was last written: keys with their new values; none
/// takes the key away.
#[derive(Debug, Default)]
pub struct Unwritten(BTreeMap<Vec<u8>, Option<Vec<u8>>>);

impl Unwritten {
    /// Puts a record.
    ///
    /// # Errors
    /// [`StoreError::Encoding`], which is a defect.
    pub fn put(&mut self, key: Vec<u8>, value: &impl BorshSerialize) -> Result<(), StoreError> {
        self.put_bytes(key, encode(value)?);
        Ok(())
    }

    /// Puts a record as it will lie.
    pub fn put_bytes(&mut self, key: Vec<u8>, value: Vec<u8>) {
        self.0.insert(key, Some(value));
    }

    /// Takes a record away.
    pub fn remove(&mut self, key: Vec<u8>) {
        self.0.insert(key, None);
    }

    /// One record as it will lie.
    ///
    /// # Errors
    /// [`StoreError`] when the store cannot be read.
    pub fn bytes(&self, store: &Store, key: &[u8]) -> Result<Option<Vec<u8>>, StoreError> {
        match self.0.get(key) {
            Some(changed) => Ok(changed.clone()),
            None => store.bytes(key),
        }
    }

    /// Every record from a key on as it will lie, in order.
    pub fn from(
        &self,
        store: &Store,
        from: Bound<&[u8]>,
    ) -> impl Iterator<Item = Result<Record, StoreError>> {
        let mut stored = store.from(from).peekable();
        let changed = self.0.range::<[u8], _>((from, Bound::Unbounded));
        let mut changed = changed.peekable();
        std::iter::from_fn(move || {
            loop {
                let order = match (stored.peek(), changed.peek()) {
                    (None, None) => return None,
                    (Some(Ok((key, _))), Some((own, _))) => key.cmp(own),
                    (Some(_), _) => Ordering::Less,
                    (None, Some(_)) => Ordering::Greater,
                };
                if order == Ordering::Less {
                    return stored.next();
                }
                if order == Ordering::Equal {
                    stored.next();
                }
                if let Some((key, Some(value))) = changed.next() {
                    return Some(Ok((key.clone(), value.clone())));
                }
            }
        })
    }

    /// Writes everything, with the position that it stands for, whole or not at all. What cannot
    /// be written is lost: the log has it.
    ///
    /// # Errors
    /// [`StoreError`].
    pub fn write(&mut self, store: &Store, position: Option<&Position>) -> Result<(), StoreError> {
        let mut batch = Batch(std::mem::take(&mut self.0).into_iter().collect());
        if let Some(position) = position {
            batch.position(position)?;
        }
        store.write(&batch)
    }

    /// Whether nothing has changed.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}
