//! How many are served at once, and how many of them one caller may be: a caller who takes all
//! there is would leave none for a scanner.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Arc, Mutex, PoisonError};

/// So many at once, and so many of one caller.
#[derive(Debug)]
pub struct Seats<C> {
    all: usize,
    each: usize,
    taken: Mutex<HashMap<C, usize>>,
}

/// A place that is taken for as long as this is kept.
#[derive(Debug)]
pub struct Seat<C: Eq + Hash> {
    seats: Arc<Seats<C>>,
    caller: C,
}

impl<C: Eq + Hash + Clone> Seats<C> {
    /// So many at once, and of one caller so many.
    #[must_use]
    pub fn new(all: usize, each: usize) -> Arc<Self> {
        Arc::new(Self {
            all,
            each,
            taken: Mutex::default(),
        })
    }

    /// Takes a place; `None` when all are taken, or all that this caller may have.
    #[must_use]
    pub fn take(self: &Arc<Self>, caller: C) -> Option<Seat<C>> {
        let mut taken = self.taken.lock().unwrap_or_else(PoisonError::into_inner);
        let own = taken.get(&caller).copied().unwrap_or(0);
        if own >= self.each || taken.values().sum::<usize>() >= self.all {
            return None;
        }
        taken.insert(caller.clone(), own + 1);
        let seats = self.clone();
        Some(Seat { seats, caller })
    }
}

impl<C: Eq + Hash> Drop for Seat<C> {
    fn drop(&mut self) {
        let mut taken = self
            .seats
            .taken
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        if let Some(own) = taken.get_mut(&self.caller) {
            *own = own.saturating_sub(1);
            if *own == 0 {
                taken.remove(&self.caller);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_caller_takes_its_own_places_and_not_those_of_others() {
        let seats = Seats::new(5, 3);
        let mut greedy: Vec<_> = (0..9).filter_map(|_| seats.take("one")).collect();
        assert_eq!(greedy.len(), 3);
        let other = seats.take("other");
        assert!(other.is_some());
        let third = seats.take("third");
        assert!(
            third.is_some() && seats.take("fourth").is_none(),
            "all are taken"
        );
        greedy.pop();
        assert!(seats.take("one").is_some());
        drop((greedy, other, third));
        assert!(seats.taken.lock().unwrap().is_empty());
    }
}
