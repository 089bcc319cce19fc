//! What customers were told, kept together: a flow from words to lots.
//!
//! A word names a batch and a grade, and may be kept from several lots; which lot serves which is
//! decided anew each time, so that what was promised together stays possible together. It is the
//! method of augmenting paths (Ford, Fulkerson, *Flows in Networks*, 1962), a word at a time: a
//! later word never takes from an earlier one what that cannot have from elsewhere.

use std::collections::{BTreeMap, VecDeque};

/// Words and the wheels that keep them.
pub(crate) struct Words {
    /// Wheels of each lot that nobody has.
    free: Vec<i64>,
    words: Vec<Word>,
}

struct Word {
    /// Lots that it can be kept from, the best first.
    lots: Vec<usize>,
    taken: BTreeMap<usize, i64>,
}

impl Words {
    pub(crate) fn new(free: Vec<i64>) -> Self {
        Self {
            free,
            words: Vec::new(),
        }
    }

    /// One word more, over so many wheels of these lots. How many of them there are, with all
    /// words before kept as they were.
    pub(crate) fn keep(&mut self, lots: Vec<usize>, wheels: i64) -> i64 {
        let word = self.words.len();
        self.words.push(Word {
            lots,
            taken: BTreeMap::new(),
        });
        let mut left = wheels.max(0);
        while left > 0 {
            let Some(path) = self.path(word) else { break };
            left -= self.push(word, &path, left);
        }
        wheels.max(0) - left
    }

    /// What each word takes of which lot, in the order in which they were given.
    pub(crate) fn taken(self) -> impl Iterator<Item = BTreeMap<usize, i64>> {
        self.words.into_iter().map(|word| word.taken)
    }

    /// The shortest way to a lot with free wheels: lots, and between two of them the word that
    /// goes over from the first to the second.
    fn path(&self, word: usize) -> Option<Vec<(usize, usize)>> {
        // How each lot was reached: by which word, from which lot.
        let mut reached: BTreeMap<usize, (usize, Option<usize>)> = BTreeMap::new();
        let mut queue = VecDeque::from([(word, None)]);
        while let Some((by, from)) = queue.pop_front() {
            for lot in &self.words[by].lots {
                if reached.contains_key(lot) {
                    continue;
                }
                reached.insert(*lot, (by, from));
                if self.free[*lot] > 0 {
                    let mut path = Vec::new();
                    let mut at = Some(*lot);
                    while let Some(lot) = at {
                        let (by, from) = reached[&lot];
                        path.push((by, lot));
                        at = from;
                    }
                    path.reverse();
                    return Some(path);
                }
                let holders = self.words.iter().enumerate();
                let holders =
                    holders.filter(|(_, other)| other.taken.get(lot).is_some_and(|n| *n > 0));
                queue.extend(holders.map(|(holder, _)| (holder, Some(*lot))));
            }
        }
        None
    }

    /// Moves as many wheels as there may be along a path.
    fn push(&mut self, word: usize, path: &[(usize, usize)], most: i64) -> i64 {
        let Some((_, last)) = path.last() else {
            return 0;
        };
        let mut count = most.min(self.free[*last]);
        for pair in path.windows(2) {
            let [(_, gives), (by, _)] = pair else {
                continue;
            };
            count = count.min(self.words[*by].taken.get(gives).copied().unwrap_or(0));
        }
        self.free[*last] -= count;
        debug_assert_eq!(path.first().map(|(by, _)| *by), Some(word));
        let mut before = None;
        for (by, lot) in path {
            if let Some(from) = before {
                *self.words[*by].taken.entry(from).or_default() -= count;
            }
            *self.words[*by].taken.entry(*lot).or_default() += count;
            before = Some(*lot);
        }
        count
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// How many wheels a set of words can have at most: tried in every way.
    fn most(free: &[i64], words: &[(Vec<usize>, i64)]) -> i64 {
        let Some(((lots, wheels), rest)) = words.split_first() else {
            return 0;
        };
        if *wheels == 0 {
            return most(free, rest);
        }
        let mut best = most(free, rest);
        for lot in lots {
            if free[*lot] > 0 {
                let mut less = free.to_vec();
                less[*lot] -= 1;
                let mut again = words.to_vec();
                again[0].1 -= 1;
                best = best.max(1 + most(&less, &again));
            }
        }
        best
    }

    proptest! {
        /// As many wheels as can be had at all, none twice, none from a lot that does not serve,
        /// and no word loses by a later one.
        #[test]
        fn words_are_kept_together_wherever_that_can_be(
            free in proptest::collection::vec(0..3_i64, 1..4),
            words in proptest::collection::vec((proptest::collection::vec(0..4_usize, 0..4), 0..3_i64), 0..4),
        ) {
            let words: Vec<(Vec<usize>, i64)> = words
                .into_iter()
                .map(|(lots, wheels)| {
                    let mut lots: Vec<usize> = lots.into_iter().filter(|l| *l < free.len()).collect();
                    lots.sort_unstable();
                    lots.dedup();
                    (lots, wheels)
                })
                .collect();
            let mut kept = Words::new(free.clone());
            let counts: Vec<i64> = words
                .iter()
                .map(|(lots, wheels)| kept.keep(lots.clone(), *wheels))
                .collect();
            for so_far in 0..=words.len() {
                let best = most(&free, &words[..so_far]);
                prop_assert_eq!(counts[..so_far].iter().sum::<i64>(), best);
            }
            let mut of_lot = vec![0; free.len()];
            for ((taken, count), (lots, _)) in kept.taken().zip(counts).zip(&words) {
                prop_assert_eq!(taken.values().sum::<i64>(), count);
                for (lot, wheels) in taken {
                    prop_assert!(wheels >= 0 && (wheels == 0 || lots.contains(&lot)));
                    of_lot[lot] += wheels;
                }
            }
            for (of, free) in of_lot.iter().zip(&free) {
                prop_assert!(of <= free);
            }
        }
    }
}
