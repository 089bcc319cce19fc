//! What an eye says of a share of mould, and how likely it is to say so.

use serde::Serialize;

/// A share seen, in percent of the surface or of a core's length.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Seen {
    /// About so much.
    About(f64),
    /// At least so much: "right through".
    AtLeast(f64),
    /// At most so much: "not through yet", "no mould yet".
    AtMost(f64),
}

/// A value that cannot be a share.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{0} % is no share of a rind or a core: it must be 0 to 100; look again")]
pub struct NoShare(pub f64);

impl Seen {
    /// What a number on a card says. None and all are open at one end: an eye does not tell
    /// 99.7 from 100.
    ///
    /// # Errors
    /// [`NoShare`] for what is not within 0 to 100.
    pub fn of(share_pct: f64) -> Result<Self, NoShare> {
        if !(0.0..=100.0).contains(&share_pct) {
            return Err(NoShare(share_pct));
        }
        Ok(if share_pct < 0.5 {
            Self::AtMost(0.5)
        } else if share_pct > 99.5 {
            Self::AtLeast(99.5)
        } else {
            Self::About(share_pct)
        })
    }

    /// The number nearest to it.
    #[must_use]
    pub const fn share_pct(self) -> f64 {
        match self {
            Self::About(pct) => pct,
            Self::AtLeast(_) => 100.0,
            Self::AtMost(_) => 0.0,
        }
    }
}

/// ln Γ(5/2) − ln Γ(2) − ½ ln 4π: the constant of Student's t with four degrees of freedom.
const T4: f64 = -0.980_829_253_011_726_2;

/// Natural logarithm of the likelihood of seeing `seen` when the truth is `truth_pct` and
/// eyes are off by about `noise_pct`: Student's t with four degrees of freedom, whose tails
/// keep one wild value from deciding.
#[must_use]
pub fn ln_likelihood(seen: Seen, truth_pct: f64, noise_pct: f64) -> f64 {
    let off = |pct: f64| (pct - truth_pct) / noise_pct;
    match seen {
        Seen::About(pct) => {
            let z = off(pct);
            T4 - noise_pct.ln() - 2.5 * (z * z / 4.0).ln_1p()
        }
        Seen::AtLeast(pct) => below(-off(pct)).max(f64::MIN_POSITIVE).ln(),
        Seen::AtMost(pct) => below(off(pct)).max(f64::MIN_POSITIVE).ln(),
    }
}

/// Student's t with four degrees of freedom: the probability below `t`, in closed form.
#[must_use]
pub fn below(t: f64) -> f64 {
    if !t.is_finite() {
        return if t > 0.0 { 1.0 } else { 0.0 };
    }
    let u = 1.0 + t * t / 4.0;
    let p = 0.5 + 0.375 * t / u.sqrt() * (1.0 - t * t / (12.0 * u));
    p.clamp(0.0, 1.0)
}
