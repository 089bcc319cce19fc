//! Chance, from a seed: the same on every machine and for ever, so that a seed that was
//! printed can be run again.

/// A stream of numbers (splitmix64).
#[derive(Debug, Clone)]
pub struct Dice(u64);

impl Dice {
    /// The stream of a seed.
    #[must_use]
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// Any number.
    pub const fn any(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        z ^ (z >> 31)
    }

    /// A number below `n`; 0 when there is none.
    pub const fn below(&mut self, n: usize) -> usize {
        if n == 0 {
            0
        } else {
            (self.any() % n as u64) as usize
        }
    }

    /// A number from `least` to `most`, both included.
    pub const fn between(&mut self, least: i64, most: i64) -> i64 {
        least + (self.any() % (most - least + 1) as u64) as i64
    }

    /// True so many times in a thousand.
    pub const fn chance(&mut self, per_mille: u32) -> bool {
        self.any() % 1000 < per_mille as u64
    }

    /// One of them.
    pub fn pick<'a, T>(&mut self, of: &'a [T]) -> &'a T {
        &of[self.below(of.len())]
    }

    /// Puts them in any order.
    pub fn shuffle<T>(&mut self, of: &mut [T]) {
        for at in (1..of.len()).rev() {
            of.swap(at, self.below(at + 1));
        }
    }
}
