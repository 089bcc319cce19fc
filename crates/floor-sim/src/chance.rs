//! Chance from a seed: the same numbers on every machine, for ever.

/// A stream of random numbers: SplitMix64 (Steele, Lea and Flood, "Fast splittable
/// pseudorandom number generators", OOPSLA 2014). Far from secret, but even enough here.
#[derive(Debug, Clone)]
pub(crate) struct Chance(u64);

impl Chance {
    /// A stream of its own for one purpose, so that turning a mistake off leaves the
    /// cheese as it was.
    pub(crate) fn new(seed: u64, purpose: u64) -> Self {
        let mut stream = Self(seed ^ purpose.wrapping_mul(0xd6e8_feb8_6659_fd93));
        stream.next();
        stream
    }

    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// Even in 0 ≤ x < 1.
    fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1u64 << 53) as f64
    }

    /// True with this probability.
    pub(crate) fn happens(&mut self, probability: f64) -> bool {
        self.unit() < probability
    }

    /// A whole number, both ends included; `least` when the range is empty.
    pub(crate) fn between(&mut self, least: i64, most: i64) -> i64 {
        let span = most.saturating_sub(least).max(0).unsigned_abs() + 1;
        least + (self.next() % span) as i64
    }

    /// Normally distributed (Box and Muller's method).
    pub(crate) fn normal(&mut self, mean: f64, deviation: f64) -> f64 {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        mean + deviation * radius * (std::f64::consts::TAU * self.unit()).cos()
    }

    /// One of these, if there are any.
    pub(crate) fn pick<'a, T>(&mut self, from: &'a [T]) -> Option<&'a T> {
        let last = i64::try_from(from.len()).ok()? - 1;
        from.get(usize::try_from(self.between(0, last)).ok()?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_probability_is_met_in_the_long_run() {
        let mut chance = Chance::new(7, 1);
        let hits = (0..100_000).filter(|_| chance.happens(0.1)).count();
        assert!((9_700..10_300).contains(&hits), "{hits}");
    }

    #[test]
    fn normal_numbers_have_their_mean_and_deviation() {
        let mut chance = Chance::new(7, 2);
        let numbers: Vec<f64> = (0..50_000).map(|_| chance.normal(4200.0, 30.0)).collect();
        let mean = numbers.iter().sum::<f64>() / 50_000.0;
        let variance = numbers.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / 50_000.0;
        assert!((mean - 4200.0).abs() < 0.6, "{mean}");
        assert!((variance.sqrt() - 30.0).abs() < 0.5, "{}", variance.sqrt());
    }
}
