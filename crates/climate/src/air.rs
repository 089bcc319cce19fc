//! Moist air, by the formulas of the WMO *Guide to Instruments and Methods of Observation*
//! (WMO-No. 8), annex 4.B. Over water, as humidity sensors report; good from −45 to 60 °C.

use quantity::{Celsius, Percent};

/// Factors of annex 4.B: e_w(t) = 6.112 exp(17.62 t / (243.12 + t)) hPa.
const AT_ZERO_HPA: f64 = 6.112;
const FACTOR: f64 = 17.62;
const SHIFT_C: f64 = 243.12;

/// Molar mass of water over that of dry air.
const MASS_RATIO: f64 = 0.621_945;

/// Gas constant of water vapour, J kg⁻¹ K⁻¹.
const VAPOUR_GAS_CONSTANT: f64 = 461.5;

/// Standard pressure at sea level, hPa.
pub const SEA_LEVEL_HPA: f64 = 1013.25;

/// Pressure of water vapour in saturated air, hPa.
#[must_use]
pub fn saturation_hpa(temperature: Celsius) -> f64 {
    let t = temperature.get();
    AT_ZERO_HPA * (FACTOR * t / (SHIFT_C + t)).exp()
}

/// Pressure of water vapour, hPa.
#[must_use]
pub fn vapour_hpa(temperature: Celsius, humidity: Percent) -> f64 {
    saturation_hpa(temperature) * humidity.get() / 100.0
}

/// Vapour-pressure deficit: what the air could still take up, hPa.
#[must_use]
pub fn deficit_hpa(temperature: Celsius, humidity: Percent) -> f64 {
    saturation_hpa(temperature) * (1.0 - humidity.get() / 100.0)
}

/// The temperature at which the air begins to drip, °C: the formula solved for t. Print one
/// decimal; the published sets of factors differ by 0.01 °C. `None` for air without any
/// water.
#[must_use]
pub fn dew_point_c(temperature: Celsius, humidity: Percent) -> Option<f64> {
    if humidity.get() <= 0.0 {
        return None;
    }
    let t = temperature.get();
    let g = (humidity.get() / 100.0).ln() + FACTOR * t / (SHIFT_C + t);
    Some(SHIFT_C * g / (FACTOR - g))
}

/// Humidity ratio, kg of water a kg of dry air (ASHRAE *Fundamentals*, psychrometrics).
/// `None` where the vapour alone would exceed the pressure.
#[must_use]
pub fn humidity_ratio(temperature: Celsius, humidity: Percent, pressure_hpa: f64) -> Option<f64> {
    let vapour = vapour_hpa(temperature, humidity);
    (vapour < pressure_hpa).then(|| MASS_RATIO * vapour / (pressure_hpa - vapour))
}

/// Water in the air, g m⁻³ (ideal gas).
#[must_use]
pub fn vapour_g_m3(temperature: Celsius, humidity: Percent) -> f64 {
    let kelvin = temperature.get() + 273.15;
    vapour_hpa(temperature, humidity) * 100.0 / (VAPOUR_GAS_CONSTANT * kelvin) * 1000.0
}
