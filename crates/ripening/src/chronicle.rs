//! A wheel's life: its notes in order, each once.
//!
//! Kept encoded (postcard, one note after the other), because a floor holds many
//! wheels and nearly every note is only ever appended and written to disk: appending
//! costs no decoding, and storing costs a copy.

use facts::FactId;
use serde::{Deserialize, Serialize};

use crate::{Moment, Note};

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
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
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

    /// Every note, oldest first. A damaged tail is cut off rather than guessed at:
    /// the log behind it is whole.
    #[must_use]
    pub fn notes(&self) -> Vec<Note> {
        let mut notes = Vec::with_capacity(self.count as usize);
        let mut rest = self.encoded.as_slice();
        while let Ok((note, after)) = postcard::take_from_bytes(rest) {
            notes.push(note);
            rest = after;
        }
        notes
    }

    /// Whether a fact is among the notes.
    #[must_use]
    pub fn mentions(&self, fact: FactId) -> bool {
        memchr::memmem::find(&self.encoded, fact.uuid().as_bytes()).is_some()
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
    postcard::to_allocvec(note).unwrap_or_default()
}
