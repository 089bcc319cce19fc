//! A disk: what was written survives a kill, what was synced survives a power cut too.

use std::collections::{BTreeMap, VecDeque};

/// Keys with their new values; none takes the key away.
pub(crate) type Batch = Vec<(Vec<u8>, Option<Vec<u8>>)>;

/// An ordered map on a disk. A batch is applied whole or not at all.
#[derive(Debug, Clone, Default)]
pub(crate) struct Disk {
    map: BTreeMap<Vec<u8>, Vec<u8>>,
    /// What each batch that is not synced yet has overwritten, oldest first.
    unsynced: VecDeque<Batch>,
    /// Nothing can be written.
    pub(crate) full: bool,
}

/// The disk is full.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Full;

impl Disk {
    pub(crate) fn get(&self, key: &[u8]) -> Option<&[u8]> {
        self.map.get(key).map(Vec::as_slice)
    }

    /// Everything under keys that begin so, in order.
    pub(crate) fn under(
        &self,
        begin: &[u8],
    ) -> impl DoubleEndedIterator<Item = (&[u8], &[u8])> + use<'_> {
        let mut end = begin.to_vec();
        if let Some(last) = end.last_mut() {
            *last += 1;
        }
        let found = self.map.range(begin.to_vec()..end);
        found.map(|(key, value)| (key.as_slice(), value.as_slice()))
    }

    pub(crate) fn apply(&mut self, batch: Batch) -> Result<(), Full> {
        if self.full {
            return Err(Full);
        }
        let mut before = Batch::with_capacity(batch.len());
        for (key, value) in batch {
            let old = match value {
                Some(value) => self.map.insert(key.clone(), value),
                None => self.map.remove(&key),
            };
            before.push((key, old));
        }
        self.unsynced.push_back(before);
        Ok(())
    }

    /// All that was written is safe.
    pub(crate) fn sync(&mut self) {
        self.unsynced.clear();
    }

    /// How many batches a power cut may take.
    pub(crate) fn unsynced(&self) -> usize {
        self.unsynced.len()
    }

    /// The power fails; so many of the batches not synced had reached the disk by themselves.
    pub(crate) fn power_cut(&mut self, survive: usize) {
        while self.unsynced.len() > survive {
            for (key, old) in self.unsynced.pop_back().into_iter().flatten().rev() {
                match old {
                    Some(value) => self.map.insert(key, value),
                    None => self.map.remove(&key),
                };
            }
        }
        self.unsynced.clear();
    }
}
