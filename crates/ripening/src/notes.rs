//! What facts say of wheels: each note once, however many wheels it names.
//!
//! Kept encoded (Borsh): nearly every note is only ever added and written to disk, and is read
//! again only when something comes late or is taken back, or when somebody asks for a wheel's
//! life.

use std::collections::{BTreeSet, HashMap};

use facts::FactId;
use facts::stored::borsh::{self, BorshDeserialize as _};

use crate::wheels::Slot;
use crate::{Moment, Note};

/// A note's number: its place here and its name in a store. One that is free is given again.
pub type NoteNo = u32;

#[derive(Debug)]
struct Entry {
    moment: Moment,
    encoded: Box<[u8]>,
    /// The wheels of which it says so.
    wheels: Vec<Slot>,
    /// Whether it is in [`Notes::changed`].
    changed: bool,
}

/// Every note of the wheels that are open.
#[derive(Debug, Default)]
pub(crate) struct Notes {
    list: Vec<Option<Entry>>,
    /// Given again from the lowest on, so that the list is as long as what is open, not as what
    /// ever was.
    free: BTreeSet<NoteNo>,
    of: HashMap<FactId, NoteNo>,
    /// Further notes of a fact's name: the same fact with more wheels never is one, another
    /// under its name is.
    twins: HashMap<FactId, Vec<NoteNo>>,
    /// What a store must write, or forget.
    changed: Vec<NoteNo>,
}

impl Notes {
    /// The number of a note, which is taken up if nothing said so before. It must then be
    /// given to a wheel with [`Self::give`].
    pub(crate) fn number(&mut self, note: &Note, encoded: &[u8]) -> NoteNo {
        let fact = note.moment.fact;
        let same = |no: &NoteNo| self.entry(*no).is_some_and(|e| *e.encoded == *encoded);
        if let Some(known) = self.numbers(fact).find(same) {
            return known;
        }
        let no = self.free.pop_first().unwrap_or_else(|| {
            self.list.push(None);
            // A floor of 4e9 notes does not fit into any memory.
            NoteNo::try_from(self.list.len() - 1).unwrap_or(NoteNo::MAX)
        });
        self.set(no, note.moment, encoded.into());
        no
    }

    fn set(&mut self, no: NoteNo, moment: Moment, encoded: Box<[u8]>) {
        let entry = Entry {
            moment,
            encoded,
            wheels: Vec::new(),
            changed: false,
        };
        if self.list.len() <= no as usize {
            self.list.resize_with(no as usize + 1, || None);
        }
        self.list[no as usize] = Some(entry);
        match self.of.entry(moment.fact) {
            std::collections::hash_map::Entry::Vacant(free) => {
                free.insert(no);
            }
            std::collections::hash_map::Entry::Occupied(_) => {
                self.twins.entry(moment.fact).or_default().push(no);
            }
        }
    }

    /// Puts a stored note back under its number, without wheels; false if it does not read or
    /// its number is taken.
    pub(crate) fn restore(&mut self, no: NoteNo, encoded: &[u8]) -> Option<Note> {
        let note = read(encoded)?;
        if self.entry(no).is_some() {
            return None;
        }
        self.set(no, note.moment, encoded.into());
        Some(note)
    }

    /// Which numbers are free, once everything stored has been put back.
    pub(crate) fn restored(&mut self) {
        let free = (0..).zip(&self.list).filter(|(_, entry)| entry.is_none());
        self.free = free.map(|(no, _)| no).collect();
    }

    fn entry(&self, no: NoteNo) -> Option<&Entry> {
        self.list.get(no as usize)?.as_ref()
    }

    fn numbers(&self, fact: FactId) -> impl Iterator<Item = NoteNo> + '_ {
        let twins = self.twins.get(&fact).into_iter().flatten();
        self.of.get(&fact).into_iter().chain(twins).copied()
    }

    /// A note.
    pub(crate) fn note(&self, no: NoteNo) -> Option<Note> {
        read(&self.entry(no)?.encoded)
    }

    /// As it lies here and in a store, with its wheels.
    pub(crate) fn stored(&self, no: NoteNo) -> Option<(&[u8], &[Slot])> {
        let entry = self.entry(no)?;
        Some((&entry.encoded, &entry.wheels))
    }

    /// Where in a life a note of that moment belongs.
    ///
    /// # Errors
    /// Where one of that moment is already: the same fact said so before.
    pub(crate) fn place(&self, life: &[NoteNo], moment: Moment) -> Result<usize, usize> {
        let at = |no: &NoteNo| self.entry(*no).map(|entry| entry.moment);
        match life.last().and_then(at) {
            None => Err(0),
            Some(last) if last < moment => Err(life.len()),
            Some(_) => life.binary_search_by_key(&Some(moment), at),
        }
    }

    /// When it was that a note speaks of.
    pub(crate) fn moment(&self, no: NoteNo) -> Option<Moment> {
        Some(self.entry(no)?.moment)
    }

    /// A note says so of a wheel.
    pub(crate) fn give(&mut self, no: NoteNo, slot: Slot) {
        if let Some(Some(entry)) = self.list.get_mut(no as usize) {
            entry.wheels.push(slot);
            if !std::mem::replace(&mut entry.changed, true) {
                self.changed.push(no);
            }
        }
    }

    /// A note says so of a wheel, which a store has already.
    pub(crate) fn give_back(&mut self, no: NoteNo, slot: Slot) {
        if let Some(Some(entry)) = self.list.get_mut(no as usize) {
            entry.wheels.push(slot);
        }
    }

    /// A wheel goes: what is said of no other goes with it.
    pub(crate) fn take(&mut self, no: NoteNo, slot: Slot) {
        let Some(Some(entry)) = self.list.get_mut(no as usize) else {
            return;
        };
        entry.wheels.retain(|of| *of != slot);
        if !std::mem::replace(&mut entry.changed, true) {
            self.changed.push(no);
        }
        if !entry.wheels.is_empty() {
            return;
        }
        let fact = entry.moment.fact;
        self.list[no as usize] = None;
        self.free.insert(no);
        let twin = self.twins.get_mut(&fact).and_then(|twins| {
            twins.retain(|twin| *twin != no);
            twins.first().copied()
        });
        if self.twins.get(&fact).is_some_and(Vec::is_empty) {
            self.twins.remove(&fact);
        }
        if self.of.get(&fact) == Some(&no) {
            match twin {
                Some(twin) => {
                    self.of.insert(fact, twin);
                    if let Some(twins) = self.twins.get_mut(&fact) {
                        twins.retain(|of| *of != twin);
                    }
                }
                None => {
                    self.of.remove(&fact);
                }
            }
        }
    }

    /// The wheels that a fact speaks of.
    pub(crate) fn wheels_of(&self, fact: FactId) -> impl Iterator<Item = Slot> + '_ {
        let entries = self.numbers(fact).filter_map(|no| self.entry(no));
        entries.flat_map(|entry| entry.wheels.iter().copied())
    }

    /// What a fact of that name says of wheels, the first that came under it first.
    pub(crate) fn of(&self, fact: FactId) -> impl Iterator<Item = Note> + '_ {
        self.numbers(fact).filter_map(|no| self.note(no))
    }

    /// What a store must write, or forget where nothing is left, each once.
    pub(crate) fn take_changed(&mut self) -> Vec<NoteNo> {
        let mut changed = std::mem::take(&mut self.changed);
        changed.sort_unstable();
        changed.dedup();
        for no in &changed {
            if let Some(Some(entry)) = self.list.get_mut(*no as usize) {
                entry.changed = false;
            }
        }
        changed
    }
}

/// A note as it lies.
pub(crate) fn encoded(note: &Note) -> Vec<u8> {
    // Notes hold strings, numbers and enums only: encoding them into memory cannot fail.
    borsh::to_vec(note).unwrap_or_default()
}

/// The same, read; `None` if it is no note, or more than one.
pub(crate) fn read(encoded: &[u8]) -> Option<Note> {
    let mut rest = encoded;
    let note = Note::deserialize(&mut rest).ok()?;
    rest.is_empty().then_some(note)
}
