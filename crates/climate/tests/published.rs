//! Checks from outside the project.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use climate::air::{self, SEA_LEVEL_HPA};
use climate::gas::{Gas, Urgency, caution};
use quantity::{Celsius, Percent};

fn c(value: f64) -> Celsius {
    Celsius::new(value).unwrap()
}

fn pct(value: f64) -> Percent {
    Percent::new(value).unwrap()
}

/// WMO-No. 8, annex 4.B: the formula worked out to three decimals, independently.
#[test]
fn saturation_is_the_wmo_formula() {
    for (t, hpa) in [
        (0.0, 6.112),
        (2.0, 7.057),
        (4.0, 8.129),
        (5.0, 8.717),
        (8.0, 10.714),
        (10.0, 12.260),
        (12.0, 14.000),
        (15.0, 17.017),
        (18.0, 20.591),
        (20.0, 23.326),
    ] {
        let ours = air::saturation_hpa(c(t));
        assert!((ours - hpa).abs() < 6e-4, "{t} °C: {ours}");
    }
}

/// CRC Handbook of Chemistry and Physics 1992–93, vapour pressure of water, kPa: printed
/// values. A Magnus form is within 0.3 % of it from 0 to 20 °C.
#[test]
fn saturation_is_near_the_printed_table() {
    for (t, kpa) in [
        (0.0, 0.61129),
        (1.0, 0.65716),
        (2.0, 0.70605),
        (3.0, 0.75813),
        (4.0, 0.81359),
        (5.0, 0.8726),
        (6.0, 0.93537),
        (7.0, 1.0021),
        (8.0, 1.073),
        (9.0, 1.1482),
        (10.0, 1.2281),
        (11.0, 1.3129),
        (12.0, 1.4027),
        (13.0, 1.4979),
        (14.0, 1.5988),
        (15.0, 1.7056),
        (16.0, 1.8185),
        (17.0, 1.938),
        (18.0, 2.0644),
        (19.0, 2.1978),
        (20.0, 2.3388),
    ] {
        let ratio = air::saturation_hpa(c(t)) / (kpa * 10.0);
        assert!((ratio - 1.0).abs() < 0.003, "{t} °C: {ratio}");
    }
}

/// ASHRAE Fundamentals, saturation pressure (from memory), kPa: within half a percent.
#[test]
fn saturation_is_near_ashrae() {
    for (t, kpa) in [
        (0.0, 0.6112),
        (5.0, 0.8725),
        (10.0, 1.2280),
        (15.0, 1.7055),
        (20.0, 2.3388),
    ] {
        let ratio = air::saturation_hpa(c(t)) / (kpa * 10.0);
        assert!((ratio - 1.0).abs() < 0.005, "{t} °C: {ratio}");
    }
}

/// Dew points worked by hand from annex 4.B.
#[test]
fn dew_points_agree_with_hand_work() {
    for (t, rh, dew) in [
        (20.0, 50.0, 9.255),
        (12.0, 85.0, 9.554),
        (10.0, 90.0, 8.434),
        (10.0, 95.0, 9.235),
        (8.0, 95.0, 7.247),
        (4.0, 90.0, 2.507),
    ] {
        let ours = air::dew_point_c(c(t), pct(rh)).unwrap();
        assert!((ours - dew).abs() < 6e-4, "{t} °C {rh} %: {ours}");
    }
}

/// Water in saturated air, g/m³, from the IAPWS vapour pressure: within half a percent.
#[test]
fn water_in_saturated_air_is_near_the_table() {
    for (t, g) in [
        (0.0, 4.848),
        (5.0, 6.797),
        (10.0, 9.398),
        (15.0, 12.826),
        (20.0, 17.290),
    ] {
        let ratio = air::vapour_g_m3(c(t), pct(100.0)) / g;
        assert!((ratio - 1.0).abs() < 0.005, "{t} °C: {ratio}");
    }
}

/// ASHRAE Fundamentals, humidity ratio of saturated air at sea level, kg/kg (from memory:
/// 0 °C 0.003790, 10 °C 0.007661, 20 °C 0.014758): within one percent, the table's own
/// enhancement of some 0.4 % included.
#[test]
fn the_humidity_ratio_is_near_the_table() {
    for (t, ratio) in [(0.0, 0.003_790), (10.0, 0.007_661), (20.0, 0.014_758)] {
        let ours = air::humidity_ratio(c(t), pct(100.0), SEA_LEVEL_HPA).unwrap();
        assert!((ours / ratio - 1.0).abs() < 0.01, "{t} °C: {ours}");
    }
}

/// OSHA and NIOSH limits as printed: each limit itself already asks for the caution.
#[test]
fn gas_limits_are_the_printed_ones() {
    let at = |gas, ppm: f64| caution(gas, ppm).map(|c| c.urgency);
    let co2 = Gas::CarbonDioxide;
    assert_eq!(at(co2, 4_999.0), None);
    assert_eq!(at(co2, 5_000.0), Some(Urgency::Ventilate));
    assert_eq!(at(co2, 30_000.0), Some(Urgency::Leave));
    assert_eq!(at(co2, 40_000.0), Some(Urgency::Danger));
    assert_eq!(at(Gas::Ammonia, 24.9), None);
    assert_eq!(at(Gas::Ammonia, 25.0), Some(Urgency::Ventilate));
    assert_eq!(at(Gas::Ammonia, 35.0), Some(Urgency::Leave));
    assert_eq!(at(Gas::Ammonia, 300.0), Some(Urgency::Danger));
}
