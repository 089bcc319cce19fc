//! How often one caller may ask: a bucket of requests that fills up again.

use std::collections::HashMap;
use std::hash::Hash;
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use tokio::time::Instant;

/// Callers remembered at most; beyond it those with full buckets are forgotten.
const CALLERS: usize = 4_096;

/// A limit for each caller.
#[derive(Debug)]
pub struct Limit<C> {
    /// Requests at once.
    most: f64,
    /// Requests a second in the long run.
    rate: f64,
    buckets: Mutex<HashMap<C, (f64, Instant)>>,
}

impl<C: Eq + Hash> Limit<C> {
    /// A limit of so many requests at once, and of so many a second in the long run.
    #[must_use]
    pub fn new(most: f64, rate: f64) -> Self {
        Self {
            most,
            rate,
            buckets: Mutex::new(HashMap::new()),
        }
    }

    /// Takes a request.
    ///
    /// # Errors
    /// How long to wait when there were too many.
    pub fn take(&self, caller: C, now: Instant) -> Result<(), Duration> {
        let mut buckets = self.buckets.lock().unwrap_or_else(PoisonError::into_inner);
        if buckets.len() >= CALLERS {
            buckets.retain(|_, (left, at)| self.filled(*left, *at, now) < self.most);
        }
        let (left, at) = buckets.entry(caller).or_insert((self.most, now));
        let filled = self.filled(*left, *at, now);
        (*left, *at) = (filled, now);
        if filled >= 1.0 {
            *left -= 1.0;
            Ok(())
        } else {
            Err(Duration::from_secs_f64((1.0 - filled) / self.rate))
        }
    }

    fn filled(&self, left: f64, at: Instant, now: Instant) -> f64 {
        let since = now.saturating_duration_since(at).as_secs_f64();
        (left + since * self.rate).min(self.most)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn a_caller_is_slowed_down_and_others_are_not() {
        let limit = Limit::new(3.0, 0.5);
        let (one, other) = ("one", "other");
        let now = Instant::now();
        for _ in 0..3 {
            assert_eq!(limit.take(one, now), Ok(()));
        }
        assert_eq!(limit.take(one, now), Err(Duration::from_secs(2)));
        assert_eq!(limit.take(other, now), Ok(()));
        assert_eq!(limit.take(one, now + Duration::from_secs(2)), Ok(()));
    }
}
