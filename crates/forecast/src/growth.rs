//! How mould spreads: a logistic curve over effective time, or one that bends earlier.

use serde::Serialize;

/// How a recipe's batches grow, and how they differ.
///
/// Share covered after `e` effective days (days at 10 °C, on the rind and 95 %), with
/// x = e / (h·s): 100 · (1 + (2ᵐ − 1)·exp(−a·(x − 1)))^(−1/m). Half is covered at x = 1, that
/// is after the half time h times the time scale s of the batch and the wheel: a batch with
/// s = 1.1 needs a tenth longer for everything. With the bend m = 1 it is the logistic curve;
/// below, the last of it takes longer, as in Richards's curve (*J. Exp. Bot.* 10 (1959)
/// 290–301) of which both are cases. a = A·m·2ᵐ / (2·(2ᵐ − 1)) makes A the steepness at half
/// cover whatever the bend.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Growth {
    /// Effective days to half cover, h.
    pub half_days: f64,
    /// How unsure h is, as a share: standard deviation of ln h.
    pub half_unsure: f64,
    /// Steepness A: slope of the log-odds at half cover, a half time.
    pub steepness: f64,
    /// The bend m, 1 for a logistic curve.
    pub bend: f64,
    /// How batches differ in steepness: standard deviation of ln A.
    pub steepness_spread: f64,
    /// How batches differ in pace: standard deviation of ln s.
    pub batch_spread: f64,
    /// How wheels of one batch differ in pace: standard deviation of ln s.
    pub wheel_spread: f64,
    /// How far eyes are off, percentage points.
    pub noise_pct: f64,
}

facts::stored_struct!(Growth {
    half_days,
    half_unsure,
    steepness,
    bend,
    steepness_spread,
    batch_spread,
    wheel_spread,
    noise_pct,
});

/// A curve of one steepness, ready to be reckoned with.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Curve {
    /// a
    rate: f64,
    /// 2ᵐ − 1
    lift: f64,
    bend: f64,
}

impl Curve {
    /// Share covered at x half times, percent.
    pub(crate) fn share_pct(&self, x: f64) -> f64 {
        let u = 1.0 + self.lift * (-self.rate * (x - 1.0)).exp();
        if self.bend == 1.0 {
            100.0 / u
        } else {
            100.0 * (-u.ln() / self.bend).exp()
        }
    }

    /// The half times after which a share is covered.
    fn x_to(&self, share: f64) -> f64 {
        1.0 - ((share.powf(-self.bend) - 1.0) / self.lift).ln() / self.rate
    }
}

impl Growth {
    /// The curve of a batch that is steeper than usual by a factor exp(`ln_steeper`).
    pub(crate) fn curve(&self, ln_steeper: f64) -> Curve {
        let bend = self.bend.clamp(0.02, 4.0);
        let power = bend.exp2();
        let lift = power - 1.0;
        Curve {
            rate: self.steepness * ln_steeper.exp() * bend * power / (2.0 * lift),
            lift,
            bend,
        }
    }

    /// Share covered, in percent, of a batch with time scale exp(`ln_scale`) and steepness
    /// A·exp(`ln_steeper`).
    #[must_use]
    pub fn share_pct(&self, effective_days: f64, ln_scale: f64, ln_steeper: f64) -> f64 {
        let x = effective_days / (self.half_days * ln_scale.exp());
        self.curve(ln_steeper).share_pct(x)
    }

    /// Natural logarithm of the effective days after which a share is reached by a batch of
    /// time scale 1. A share below what the curve starts with is reached at once, that is
    /// after a thousandth of the half time.
    #[must_use]
    pub fn ln_days_to(&self, share_pct: f64, ln_steeper: f64) -> f64 {
        let share = (share_pct / 100.0).clamp(1e-6, 1.0 - 1e-6);
        let x = self.curve(ln_steeper).x_to(share);
        self.half_days.ln() + if x > 1e-3 { x.ln() } else { 1e-3_f64.ln() }
    }

    /// Standard deviation of ln s of a batch of which nothing is known yet.
    #[must_use]
    pub fn spread(&self) -> f64 {
        self.batch_spread.hypot(self.half_unsure).max(1e-3)
    }
}
