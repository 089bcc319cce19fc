//! How many of a lot to look at: ISO 2859-1, general inspection level II, single sampling,
//! normal inspection.

/// The sample size code letters of general inspection level II: the largest lot each
/// stands for, the letter, and its sample size.
const LEVEL_II: [(usize, char, usize); 15] = [
    (8, 'A', 2),
    (15, 'B', 3),
    (25, 'C', 5),
    (50, 'D', 8),
    (90, 'E', 13),
    (150, 'F', 20),
    (280, 'G', 32),
    (500, 'H', 50),
    (1_200, 'J', 80),
    (3_200, 'K', 125),
    (10_000, 'L', 200),
    (35_000, 'M', 315),
    (150_000, 'N', 500),
    (500_000, 'P', 800),
    (usize::MAX, 'Q', 1_250),
];

fn row(lot: usize) -> (usize, char, usize) {
    let place = LEVEL_II.partition_point(|(most, ..)| *most < lot);
    LEVEL_II.get(place).copied().unwrap_or(LEVEL_II[14])
}

/// The code letter of a lot. The standard starts at 2; a lot of 1 is looked at whole.
#[must_use]
pub fn letter(lot: usize) -> char {
    row(lot).1
}

/// How many of a lot to look at: its letter's sample, or all when the lot is no larger.
#[must_use]
pub fn sample(lot: usize) -> usize {
    row(lot).2.min(lot)
}
