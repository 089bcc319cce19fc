//! How fast a wheel dries: physics for a first guess, before weighings tell.

use climate::air;
use quantity::{Celsius, Percent};

/// Density of moist air, kg m⁻³, and its heat capacity, J kg⁻¹ K⁻¹, near 10 °C.
const AIR_DENSITY: f64 = 1.25;
const AIR_HEAT: f64 = 1006.0;

/// Molar mass of water over the gas constant, kg K J⁻¹.
const WATER_OVER_GAS: f64 = 0.018_015 / 8.314;

/// Heat transfer from a wheel to air at 0.2 m/s, W m⁻² K⁻¹; rises with the square root of
/// the speed, as in laminar flow along a surface. Order of magnitude, no source: weighings
/// replace it.
const HEAT_TRANSFER: f64 = 4.0;
const AT_M_S: f64 = 0.2;

/// Still air moves about so much by itself, m/s; no source.
const STILL_M_S: f64 = 0.03;

/// How far a full cover of mould closes the rind, as a share; no source.
pub(crate) const RIND_CLOSES: f64 = 0.3;

/// What a surface dries in.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Drying {
    /// Water activity at the surface, 0 to 1.
    pub water_activity: f64,
    /// Air temperature.
    pub temperature: Celsius,
    /// Relative humidity.
    pub humidity: Percent,
    /// Speed of the air, m/s.
    pub air_m_s: f64,
    /// Share of the rind under mould, %.
    pub rind: Percent,
}

impl Drying {
    /// Water that leaves the surface, g m⁻² h⁻¹: J = k·M/(R·T)·(aw·e_s − e), with
    /// k = h/(ρ·c_p) (Lewis's analogy of heat and mass transfer). Never below zero: wheels
    /// do not drink from the air.
    #[must_use]
    pub fn flux_g_m2_h(&self) -> f64 {
        let pull = self.water_activity - self.humidity.get() / 100.0;
        let pull_pa = pull.max(0.0) * air::saturation_hpa(self.temperature) * 100.0;
        let kelvin = self.temperature.get() + 273.15;
        let heat = HEAT_TRANSFER * (self.air_m_s.max(STILL_M_S) / AT_M_S).sqrt();
        let transfer = heat / (AIR_DENSITY * AIR_HEAT);
        transfer * WATER_OVER_GAS / kelvin * pull_pa * open(self.rind.get()) * 3.6e6
    }
}

/// The share of drying that a rind lets through.
pub(crate) fn open(rind_pct: f64) -> f64 {
    1.0 - RIND_CLOSES * rind_pct / 100.0
}

/// Surface of a wheel, m²: a cylinder as wide as it is high times `width_over_height`, of
/// cheese that weighs `density_kg_m3`. It shrinks alike in all directions, so that its
/// surface goes with the mass to the power of two thirds.
#[must_use]
pub fn surface_m2(mass_g: f64, width_over_height: f64, density_kg_m3: f64) -> f64 {
    let volume = mass_g / 1000.0 / density_kg_m3;
    // V = π/4·w²·h³ with w the ratio; A = π·h²·(w²/2 + w).
    let w = width_over_height;
    let height = (4.0 * volume / (std::f64::consts::PI * w * w)).cbrt();
    std::f64::consts::PI * height * height * (w * w / 2.0 + w)
}

/// The rate at which the cube root of a wheel's mass falls, g^⅓ for each hPa·day that the
/// rind pulls. The surface goes with m^⅔, so that d(m^⅓)/dt is the same however large the
/// wheel still is. For an open rind, air at 0.2 m/s, and a wheel one and a half times as wide
/// as high.
#[must_use]
pub fn usual_rate() -> f64 {
    let mass_g = 4_000.0;
    let surface = surface_m2(mass_g, 1.5, 1_080.0);
    let transfer = HEAT_TRANSFER / (AIR_DENSITY * AIR_HEAT);
    // Grams a day and hPa at 10 °C.
    let rate = transfer * WATER_OVER_GAS / 283.15 * 100.0 * 86_400.0 * 1000.0 * surface;
    rate / (3.0 * mass_g.powf(2.0 / 3.0))
}
