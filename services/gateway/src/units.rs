//! Weights and temperatures as a person reads them.

use crate::people::{TemperatureUnit, WeightUnit, Wishes};

/// Grams in a pound: exact, by the international yard and pound agreement of 1959.
const GRAMS_A_POUND: f64 = 453.592_37;

/// A weight, with its unit.
#[must_use]
pub fn weight(wishes: Wishes, grams: f64) -> String {
    match wishes.weight {
        WeightUnit::Kg => format!("{:.2} kg", grams / 1000.0),
        WeightUnit::Lb => format!("{:.2} lb", grams / GRAMS_A_POUND),
    }
}

/// A temperature, with its unit.
#[must_use]
pub fn temperature(wishes: Wishes, celsius: f64) -> String {
    match wishes.temperature {
        TemperatureUnit::C => format!("{celsius:.1} °C"),
        TemperatureUnit::F => format!("{:.1} °F", celsius * 1.8 + 32.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_person_reads_their_own_units() {
        let metric = Wishes::default();
        let other = Wishes {
            weight: WeightUnit::Lb,
            temperature: TemperatureUnit::F,
            ..metric
        };
        assert_eq!(weight(metric, 8_164.66), "8.16 kg");
        // 18 lb is 8 164.662 66 g.
        assert_eq!(weight(other, 8_164.662_66), "18.00 lb");
        assert_eq!(temperature(metric, 8.0), "8.0 °C");
        assert_eq!(temperature(other, 8.0), "46.4 °F");
        assert_eq!(temperature(other, -40.0), "-40.0 °F");
    }
}
