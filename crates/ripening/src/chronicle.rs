//! A wheel's life: its notes in order, each once.
//!
//! Kept encoded (Borsh, one note after the other), because a floor holds many
//! wheels and nearly every note is only ever appended and written to disk: appending
//! costs no decoding, and storing costs a copy.

use facts::stored::borsh::{self, BorshDeserialize as _};
use facts::{FactId, stored_struct};

use crate::{Moment, Note, What};

/// What became of a note that was offered.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Noted {
    /// It is the latest so far.
    Appended,
    /// It belongs before notes that were already there.
    Inserted,
    /// It was there already.
    Duplicate,
}

/// A wheel's notes, in order.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Chronicle {
    encoded: Vec<u8>,
    count: u32,
    last: Option<Moment>,
}

impl Chronicle {
    /// Puts a note in its place. `encoded`: the same note, as [`encoded_note`] gives it, once for all the
    /// wheels of a fact.
    pub(crate) fn note(&mut self, note: &Note, encoded: &[u8]) -> Noted {
        if self.last.is_none_or(|last| last < note.moment) {
            self.encoded.extend_from_slice(encoded);
            self.count += 1;
            self.last = Some(note.moment);
            return Noted::Appended;
        }
        let mut notes = self.notes();
        match notes.binary_search_by_key(&note.moment, |n| n.moment) {
            Ok(_) => Noted::Duplicate,
            Err(place) => {
                notes.insert(place, note.clone());
                self.encoded = notes.iter().flat_map(encoded_note).collect();
                self.count += 1;
                Noted::Inserted
            }
        }
    }

    /// Every note, oldest first.
    #[must_use]
    pub fn notes(&self) -> Vec<Note> {
        let mut notes = Vec::with_capacity(self.count as usize);
        let mut rest = self.encoded.as_slice();
        while let Ok(note) = Note::deserialize(&mut rest) {
            notes.push(note);
        }
        notes
    }

    /// The first note's moment.
    pub(crate) fn first(&self) -> Option<Moment> {
        let note = Note::deserialize(&mut self.encoded.as_slice());
        note.ok().map(|note| note.moment)
    }

    /// Every note of a chronicle that comes from a disk; `None` when it does not read whole.
    pub(crate) fn read_whole(&self) -> Option<Vec<Note>> {
        let notes = self.notes();
        let whole = notes.len() == self.len()
            && notes.last().map(|note| note.moment) == self.last
            && notes.is_sorted_by(|a, b| a.moment < b.moment);
        whole.then_some(notes)
    }

    /// Whether a fact is among the notes.
    #[must_use]
    pub fn mentions(&self, fact: FactId) -> bool {
        memchr::memmem::find(&self.encoded, fact.uuid().as_bytes()).is_some()
    }

    /// How often a fact says that it was portioned, voided ones too.
    pub(crate) fn portions(&self) -> usize {
        let notes = self.notes();
        let portioned = |note: &&Note| matches!(note.what, What::Portioned { .. });
        notes.iter().filter(portioned).count()
    }

    /// How many notes there are.
    #[must_use]
    pub const fn len(&self) -> usize {
        self.count as usize
    }

    /// Whether there are none.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.count == 0
    }
}

/// A note as a chronicle keeps it.
pub(crate) fn encoded_note(note: &Note) -> Vec<u8> {
    // Notes hold strings, numbers and enums only: encoding them into memory cannot fail.
    borsh::to_vec(note).unwrap_or_default()
}

stored_struct!(Chronicle {
    encoded,
    count,
    last
});
