//! How fast mould grows at a temperature and a humidity, compared with 10 °C and 95 %.
//!
//! The gamma concept: the effects of temperature and water multiply (Zwietering et al.,
//! *Int. J. Food Microbiol.* 1996). Each effect is a cardinal model with inflection (Rosso,
//! Lobry, Flandrois, *J. Theor. Biol.* 162 (1993) 447–463).

use quantity::{Celsius, Percent};

/// The least, best and greatest value at which something grows.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cardinal {
    /// No growth at or below.
    pub least: f64,
    /// Fastest growth. Beyond the middle of the other two, or the shape is not valid.
    pub best: f64,
    /// No growth at or above.
    pub most: f64,
    /// The exponent n: 2 for temperature (with inflection) and water, 1 for pH.
    pub power: i32,
}

impl Cardinal {
    /// Growth as a share of the fastest, 0 to 1:
    /// (X−Xmax)(X−Xmin)ⁿ / {(Xopt−Xmin)ⁿ⁻¹ [(Xopt−Xmin)(X−Xopt) − (Xopt−Xmax)((n−1)Xopt+Xmin−nX)]}.
    #[must_use]
    pub fn gamma(&self, x: f64) -> f64 {
        let Self {
            least,
            best,
            most,
            power,
        } = *self;
        if !(x > least && x < most) {
            return 0.0;
        }
        let n = f64::from(power);
        let above = (x - most) * (x - least).powi(power);
        let below = (best - least).powi(power - 1)
            * ((best - least) * (x - best) - (best - most) * ((n - 1.0) * best + least - n * x));
        let gamma = above / below;
        if gamma.is_finite() {
            gamma.clamp(0.0, 1.0)
        } else {
            0.0
        }
    }
}

/// A mould on and in a cheese.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mould {
    /// °C.
    pub temperature: Cardinal,
    /// Water activity, 0 to 1.
    pub water: Cardinal,
    /// Water activity of the cheese under the rind, 0 to 1.
    pub cheese_water: f64,
    /// How far the air dries or wets the surface: 0 the surface is like the cheese, 1 like
    /// the air.
    pub air_share: f64,
}

/// *Penicillium roqueforti* as far as published facts bound it: it grows at 4 °C, best at 20
/// to 27 °C and at a water activity of 0.99 (Camardo Leggieri et al., *Toxins* 9 (2017) 4),
/// not at 37 °C nor below 0.82 (Gock et al., *Int. J. Food Microbiol.* 81 (2003) 11–19). The
/// cardinal values themselves, and how far the air reaches the surface, are assumptions
/// within those bounds.
pub const BLUE_MOULD: Mould = Mould {
    temperature: Cardinal {
        least: -2.0,
        best: 25.0,
        most: 35.0,
        power: 2,
    },
    water: Cardinal {
        least: 0.83,
        best: 0.99,
        most: 1.0,
        power: 2,
    },
    cheese_water: 0.96,
    air_share: 0.5,
};

/// Where one day counts as one effective day.
const REFERENCE_C: f64 = 10.0;
const REFERENCE_PCT: f64 = 95.0;

impl Mould {
    /// Effective days a day for the blue inside, which feels the temperature alone.
    #[must_use]
    pub fn inside(&self, temperature: Celsius) -> f64 {
        let reference = self.temperature.gamma(REFERENCE_C);
        self.temperature.gamma(temperature.get()) / reference
    }

    /// Effective days a day for the rind, which feels the air's humidity as well. The
    /// surface's water activity lies between the cheese's and the air's.
    #[must_use]
    pub fn on_the_rind(&self, temperature: Celsius, humidity: Percent) -> f64 {
        let water = self.surface(humidity.get()).min(self.water.best);
        let reference = self.water.gamma(self.surface(REFERENCE_PCT));
        self.inside(temperature) * self.water.gamma(water) / reference
    }

    fn surface(&self, humidity_pct: f64) -> f64 {
        self.cheese_water + self.air_share * (humidity_pct / 100.0 - self.cheese_water)
    }
}
