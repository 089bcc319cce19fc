//! A disk: what was written survives a kill, what was synced survives a power cut too.

use std::cell::RefCell;
use std::collections::{BTreeMap, VecDeque};
use std::ops::Bound;

use bus::outbox::book::{Changes, Entry, Shelf};
use projection::Records;

/// Keys with their new values; none takes the key away.
pub(crate) type Batch = Vec<(Vec<u8>, Option<Vec<u8>>)>;

/// An ordered map on a disk. A batch is applied whole or not at all.
#[derive(Debug, Default)]
pub(crate) struct Disk(RefCell<Inner>);

#[derive(Debug, Default)]
struct Inner {
    map: BTreeMap<Vec<u8>, Vec<u8>>,
    /// What each batch that is not synced yet has overwritten, oldest first.
    unsynced: VecDeque<Batch>,
    full: bool,
}

/// The disk is full.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Full;

impl Shelf for Disk {
    type Error = Full;

    fn get(&self, key: &[u8]) -> Result<Option<Vec<u8>>, Full> {
        Ok(self.0.borrow().map.get(key).cloned())
    }

    fn scan(&self, from: Vec<u8>, to: Vec<u8>) -> impl Iterator<Item = Result<Entry, Full>> {
        let inner = self.0.borrow();
        let found = inner.map.range(from..=to);
        let found: Vec<_> = found.map(|(k, v)| Ok((k.clone(), v.clone()))).collect();
        found.into_iter()
    }

    fn apply(&self, changes: Changes) -> Result<(), Full> {
        let mut inner = self.0.borrow_mut();
        if inner.full {
            return Err(Full);
        }
        let mut before = Batch::with_capacity(changes.0.len());
        for (key, value) in changes.0 {
            let old = match value {
                Some(value) => inner.map.insert(key.clone(), value),
                None => inner.map.remove(&key),
            };
            before.push((key, old));
        }
        inner.unsynced.push_back(before);
        Ok(())
    }
}

impl Records for Disk {
    type Error = String;

    fn bytes(&self, key: &[u8]) -> Result<Option<Vec<u8>>, String> {
        Ok(self.0.borrow().map.get(key).cloned())
    }

    fn from(&self, from: Bound<&[u8]>) -> impl Iterator<Item = Result<Entry, String>> {
        let inner = self.0.borrow();
        let found = inner.map.range::<[u8], _>((from, Bound::Unbounded));
        let found: Vec<_> = found.map(|(k, v)| Ok((k.clone(), v.clone()))).collect();
        found.into_iter()
    }

    fn unreadable(&self, key: &[u8], why: &str) -> String {
        format!("{}: {why}", key.escape_ascii())
    }
}

impl Disk {
    /// Whether a key would be there if the power failed now and took all that is not synced.
    pub(crate) fn is_safe(&self, key: &[u8]) -> bool {
        let inner = self.0.borrow();
        let mut unsynced = inner.unsynced.iter().flatten();
        match unsynced.find(|(changed, _)| changed == key) {
            Some((_, before)) => before.is_some(),
            None => inner.map.contains_key(key),
        }
    }

    /// Everything under keys that begin so, in order.
    pub(crate) fn under(&self, begin: &[u8]) -> Vec<Entry> {
        let mut end = begin.to_vec();
        if let Some(last) = end.last_mut() {
            *last += 1;
        }
        let inner = self.0.borrow();
        let found = inner.map.range(begin.to_vec()..end);
        found.map(|(k, v)| (k.clone(), v.clone())).collect()
    }

    /// Nothing can be written, or it can again.
    pub(crate) fn fill(&self, full: bool) {
        self.0.borrow_mut().full = full;
    }

    /// All that was written is safe.
    pub(crate) fn sync(&self) {
        self.0.borrow_mut().unsynced.clear();
    }

    /// How many batches a power cut may take.
    pub(crate) fn unsynced(&self) -> usize {
        self.0.borrow().unsynced.len()
    }

    /// Whether nothing can be written.
    pub(crate) fn is_full(&self) -> bool {
        self.0.borrow().full
    }

    /// The power fails; so many of the batches not synced had reached the disk by themselves.
    pub(crate) fn power_cut(&self, survive: usize) {
        let inner = &mut *self.0.borrow_mut();
        while inner.unsynced.len() > survive {
            for (key, old) in inner.unsynced.pop_back().into_iter().flatten().rev() {
                match old {
                    Some(value) => inner.map.insert(key, value),
                    None => inner.map.remove(&key),
                };
            }
        }
        inner.unsynced.clear();
    }
}
