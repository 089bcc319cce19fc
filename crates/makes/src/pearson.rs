//! Pearson's square: two milks (or a milk and a cream) mixed to a wanted fat.

/// Why no mixture gives what is wanted.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
pub enum NoMixture {
    /// The wanted value is not between the two.
    #[error(
        "{wanted} % does not lie between {first} % and {second} %: no mixture of the two gives it"
    )]
    Outside {
        /// Wanted.
        wanted: f64,
        /// Of the first.
        first: f64,
        /// Of the second.
        second: f64,
    },
    /// A value that is no share.
    #[error("{0} % is no share: it must be 0 to 100")]
    NoShare(f64),
}

/// Shares of the first and the second; they add up to one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Parts {
    /// Share of the first, 0 to 1.
    pub first: f64,
    /// Share of the second, 0 to 1.
    pub second: f64,
}

impl Parts {
    /// Amounts of both for a total, in its unit.
    #[must_use]
    pub fn of_total(&self, total: f64) -> (f64, f64) {
        (total * self.first, total * self.second)
    }

    /// How much of the second goes with so much of the first, in its unit; nothing when the
    /// first is not needed.
    #[must_use]
    pub fn second_for(&self, first: f64) -> Option<f64> {
        (self.first > 0.0).then(|| first * self.second / self.first)
    }
}

/// Shares of two of which `first_pct` and `second_pct` are fat (or anything else) that make
/// `wanted_pct`, all in % by mass.
///
/// # Errors
/// [`NoMixture`] where there is none.
pub fn square(first_pct: f64, second_pct: f64, wanted_pct: f64) -> Result<Parts, NoMixture> {
    for share in [first_pct, second_pct, wanted_pct] {
        if !(0.0..=100.0).contains(&share) {
            return Err(NoMixture::NoShare(share));
        }
    }
    let outside = NoMixture::Outside {
        wanted: wanted_pct,
        first: first_pct,
        second: second_pct,
    };
    let (low, high) = (first_pct.min(second_pct), first_pct.max(second_pct));
    if !(low..=high).contains(&wanted_pct) || low == high {
        return Err(outside);
    }
    let first = (wanted_pct - second_pct) / (first_pct - second_pct);
    Ok(Parts {
        first,
        second: 1.0 - first,
    })
}
