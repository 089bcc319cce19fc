//! The ledger's records held against the log's, wherever they stand there. A log that stations
//! have healed, after its broker lost a part of it, has the same records in another order: what
//! is made of a log does not depend on that, and the ledger stays as it was written.

use std::collections::{BTreeMap, HashMap, VecDeque};

use seal::{BadLedger, Entry};

use crate::lines::Lines;

/// What lies under a record's name: one may stand there more than once.
type ByName<T> = HashMap<[u8; 32], VecDeque<T>>;

/// What each side has that the other has not shown so far. Pure, but for the lines it is given.
#[derive(Debug, Default)]
pub(crate) struct Matching {
    /// Records of the ledger with their numbers.
    owed: ByName<(u64, Entry)>,
    /// Records of the log in its order, by the broker's number.
    new: BTreeMap<u64, Entry>,
    /// Their numbers.
    numbers: ByName<u64>,
}

impl Matching {
    /// Takes the log's next record, and with it the ledger's next line; answers what is not as it
    /// was written down.
    pub(crate) fn pass(&mut self, is: Entry, lines: &mut Option<Lines>) -> Vec<String> {
        let mut wrong = Vec::new();
        match take_first(&mut self.owed, is.name()) {
            Some((number, was)) => wrong.extend(changed(number, &was, &is)),
            None => self.put(is),
        }
        match lines.as_mut().and_then(Iterator::next) {
            Some(line) => wrong.extend(self.line_alone(line)),
            None => *lines = None,
        }
        wrong
    }

    /// Takes a line of the ledger for which the log has nothing beside it.
    pub(crate) fn line_alone(&mut self, line: Result<(u64, Entry), BadLedger>) -> Option<String> {
        match line {
            Ok((number, was)) => self.line(number, was),
            Err(bad) => Some(bad.to_string()),
        }
    }

    fn line(&mut self, number: u64, was: Entry) -> Option<String> {
        let Some(seq) = take_first(&mut self.numbers, was.name()) else {
            let owed = self.owed.entry(was.name()).or_default();
            owed.push_back((number, was));
            return None;
        };
        changed(number, &was, &self.new.remove(&seq)?)
    }

    fn put(&mut self, is: Entry) {
        self.numbers.entry(is.name()).or_default().push_back(is.seq);
        self.new.insert(is.seq, is);
    }

    /// How many records of the ledger the log has not shown.
    pub(crate) fn owed(&self) -> usize {
        self.owed_to(u64::MAX)
    }

    /// The same, of its first so many.
    pub(crate) fn owed_to(&self, count: u64) -> usize {
        let owed = self.owed.values().flatten();
        owed.filter(|(number, _)| *number <= count).count()
    }

    /// Goes on with what the ledger had and the log had not shown.
    pub(crate) fn owing(lines: &[String]) -> Result<Self, BadLedger> {
        let mut matching = Self::default();
        for (line, at) in lines.iter().zip(1..) {
            let (number, was) = Entry::read(line, at)?;
            let owed = matching.owed.entry(was.name()).or_default();
            owed.push_back((number, was));
        }
        Ok(matching)
    }

    /// What to go on with, in the ledger's order; `None` where both sides are not beside each
    /// other, or more is owed than is worth keeping.
    pub(crate) fn owes(&self, most: usize) -> Option<Vec<String>> {
        if !self.new.is_empty() || self.owed() > most {
            return None;
        }
        let mut owed: Vec<&(u64, Entry)> = self.owed.values().flatten().collect();
        owed.sort_by_key(|(number, _)| *number);
        let lines = owed.iter().map(|(number, was)| was.line(*number));
        Some(lines.collect())
    }

    /// Whether both sides have shown the same.
    pub(crate) fn is_even(&self) -> bool {
        self.owed.is_empty() && self.new.is_empty()
    }

    /// What the log has and the ledger, which has shown all of its lines, has not: to be written
    /// down, in the log's order.
    pub(crate) fn take_new(&mut self) -> Vec<Entry> {
        self.numbers.clear();
        std::mem::take(&mut self.new).into_values().collect()
    }
}

/// The first of what lies under a name.
fn take_first<T>(all: &mut ByName<T>, name: [u8; 32]) -> Option<T> {
    let of = all.get_mut(&name)?;
    let first = of.pop_front();
    if of.is_empty() {
        all.remove(&name);
    }
    first
}

fn changed(number: u64, was: &Entry, is: &Entry) -> Option<String> {
    (was.leaf != is.leaf).then(|| {
        let seq = is.seq;
        format!("number {number}: the ledger has {was}, the log has {is} at {seq}")
    })
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn entry(what: u8, said: &str, seq: u64) -> Entry {
        let id = format!("0190b6b0-0000-7000-8000-{what:012x}");
        Entry {
            id: Some(id.parse().unwrap()),
            ..Entry::of(format!("{what} {said}").as_bytes(), seq)
        }
    }

    fn ledger(folder: &std::path::Path, of: &[u8]) -> Option<Lines> {
        let lines = (1_u64..)
            .zip(of)
            .map(|(number, what)| entry(*what, "said", number).line(number) + "\n");
        std::fs::write(
            folder.join(seal::archive::LEDGER),
            lines.collect::<String>(),
        )
        .unwrap();
        let place =
            crate::lines::Place::of(crate::lines::Mark::default(), &"larkholm".parse().unwrap());
        Lines::open(folder, place).unwrap()
    }

    proptest! {
        /// Against sets: what is gone, and what is new, whatever the order, the rest of it and
        /// what is written down twice.
        #[test]
        fn order_says_nothing_and_what_is_gone_or_new_is_found(
            written in proptest::collection::vec(0..12_u8, 0..20), log in proptest::collection::vec(0..16_u8, 0..24),
        ) {
            let folder = tempfile::tempdir().unwrap();
            let mut lines = ledger(folder.path(), &written);
            let mut matching = Matching::default();
            for (seq, what) in (1..).zip(&log) {
                prop_assert!(matching.pass(entry(*what, "said", seq), &mut lines).is_empty());
            }
            for line in lines.into_iter().flatten() {
                prop_assert_eq!(matching.line_alone(line), None);
            }
            let (mut gone, mut new) = (written, Vec::new());
            for what in log {
                match gone.iter().position(|of| *of == what) {
                    Some(at) => drop(gone.remove(at)),
                    None => new.push(what),
                }
            }
            prop_assert_eq!(matching.owed(), gone.len());
            prop_assert_eq!(matching.is_even(), gone.is_empty() && new.is_empty());
            let mut found: Vec<Entry> = matching.take_new();
            prop_assert!(found.is_sorted_by_key(|of| of.seq));
            let mut expected: Vec<Entry> = new.iter().map(|what| entry(*what, "said", 0)).collect();
            found.iter_mut().for_each(|of| of.seq = 0);
            for of in [&mut found, &mut expected] {
                of.sort_by_key(Entry::name);
            }
            prop_assert_eq!(found, expected);
        }
    }

    #[test]
    fn what_says_something_else_is_told_wherever_it_stands() {
        let folder = tempfile::tempdir().unwrap();
        for log in [[1, 2, 3], [3, 1, 2], [2, 3, 1]] {
            let mut lines = ledger(folder.path(), &[1, 2, 3]);
            let mut matching = Matching::default();
            let told: Vec<String> = (1..)
                .zip(log)
                .flat_map(|(seq, what)| {
                    let said = if what == 2 { "other" } else { "said" };
                    matching.pass(entry(what, said, seq), &mut lines)
                })
                .collect();
            assert_eq!(told.len(), 1, "{told:?}");
            assert!(told[0].starts_with("number 2: the ledger has"), "{told:?}");
            assert!(matching.is_even());
        }
    }
}
