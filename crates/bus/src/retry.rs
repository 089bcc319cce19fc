//! The one retry helper: waits that double, shaken, up to a cap.

use std::time::Duration;

use rand::Rng as _;

/// Waits between tries: each twice the last, up to a cap, shortened by up to half at
/// random so that workers that failed together do not come back together.
#[derive(Debug, Clone)]
pub struct Backoff {
    first: Duration,
    longest: Duration,
    next: Duration,
}

impl Backoff {
    /// Starts at `first` and never waits longer than `longest`.
    #[must_use]
    pub const fn new(first: Duration, longest: Duration) -> Self {
        Self {
            first,
            longest,
            next: first,
        }
    }

    /// The wait before the next try.
    pub fn delay(&mut self) -> Duration {
        let full = self.next.min(self.longest);
        self.next = full.saturating_mul(2);
        let nanos = u64::try_from(full.as_nanos()).unwrap_or(u64::MAX);
        Duration::from_nanos(rand::rng().random_range(nanos / 2..=nanos))
    }

    /// Waits before the next try.
    pub async fn wait(&mut self) {
        tokio::time::sleep(self.delay()).await;
    }

    /// A try succeeded: the next failure waits briefly again.
    pub const fn reset(&mut self) {
        self.next = self.first;
    }
}

impl Default for Backoff {
    /// From 50 ms to 5 s: a broker that restarts is back in well under a second.
    fn default() -> Self {
        Self::new(Duration::from_millis(50), Duration::from_secs(5))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn waits_grow_to_the_cap_and_start_short_again_after_a_success() {
        let mut backoff = Backoff::new(Duration::from_millis(10), Duration::from_millis(80));
        for full in [10, 20, 40, 80, 80, 80] {
            let delay = backoff.delay();
            assert!(
                delay <= Duration::from_millis(full),
                "{delay:?} > {full} ms"
            );
            assert!(
                delay >= Duration::from_millis(full / 2),
                "{delay:?} < {full}/2 ms"
            );
        }
        backoff.reset();
        assert!(backoff.delay() <= Duration::from_millis(10));
    }

    #[test]
    fn no_number_of_failures_overflows() {
        let mut backoff = Backoff::new(Duration::from_secs(1), Duration::MAX);
        for _ in 0..200 {
            backoff.delay();
        }
        assert!(backoff.delay() >= Duration::from_nanos(u64::MAX / 2));
    }
}
