//! Prints what `tests/forecast_check.py` compares with other libraries: moist air, fits of
//! simulated curves, and a posterior; one JSON value a line.
#![allow(clippy::unwrap_used)]

use std::sync::Arc;

use climate::air;
use forecast::least_squares::fit;
use forecast::seen::Seen;
use forecast::{FINE, Growth, Lattice, Link, Look, Posterior};
use quantity::{Celsius, Percent};
use serde_json::json;

fn moist_air() {
    for t in 0..=25 {
        for rh in (40..=99).step_by(7) {
            let (celsius, pct) = (f64::from(t), f64::from(rh));
            let temperature = Celsius::new(celsius).unwrap();
            let humidity = Percent::new(pct).unwrap();
            let ratio = air::humidity_ratio(temperature, humidity, air::SEA_LEVEL_HPA);
            println!(
                "{}",
                json!({"air": {
                    "celsius": celsius, "pct": pct,
                    "saturation_hpa": air::saturation_hpa(temperature),
                    "deficit_hpa": air::deficit_hpa(temperature, humidity),
                    "dew_point_c": air::dew_point_c(temperature, humidity),
                    "humidity_ratio": ratio,
                }})
            );
        }
    }
}

/// Numbers between −1 and 1 that look random and are always the same.
fn noise(seed: u32) -> impl FnMut() -> f64 {
    let mut state = u64::from(seed) * 2_654_435_761 + 1;
    move || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        (state >> 33) as f64 / f64::from(1u32 << 30) - 1.0
    }
}

fn growth(half: f64, steepness: f64, bend: f64) -> Growth {
    Growth {
        half_days: half,
        half_unsure: 0.05,
        steepness,
        bend,
        steepness_spread: 0.08,
        batch_spread: 0.12,
        wheel_spread: 0.05,
        noise_pct: 4.5,
    }
}

/// A curve of which the top, the half time and the steepness are sought.
fn fits() {
    for seed in 1..=12 {
        let mut noise = noise(seed);
        let bend = 0.9 + noise() * 0.4;
        let truth = growth(10.0 + noise() * 3.0, 4.0 + noise(), bend);
        let seen: Vec<(f64, f64)> = (1..=25)
            .map(|n| {
                let at = f64::from(n) * 1.2;
                (at, 0.95 * truth.share_pct(at, 0.0, 0.0) + 4.0 * noise())
            })
            .collect();
        let residuals = |p: &[f64; 3]| {
            let curve = growth(p[1].exp(), p[2].exp(), bend);
            let off = |(at, pct): &(f64, f64)| p[0] * curve.share_pct(*at, 0.0, 0.0) - pct;
            seen.iter().map(off).collect()
        };
        let found = fit(residuals, [1.0, 12.0_f64.ln(), 3.0_f64.ln()]).unwrap();
        println!(
            "{}",
            json!({"fit": {
                "seen": seen,
                "bend": bend,
                "parameters": found.parameters,
                "deviations": found.deviations,
                "squares": found.squares,
            }})
        );
    }
}

fn posterior() {
    let (rind_growth, blue_growth) = (growth(11.0, 4.5, 1.0), growth(13.0, 3.5, 0.4));
    let link = 0.6;
    let rind_seen = [(7.0, 9.0), (10.0, 31.0), (13.0, 58.0)];
    let wheels_seen = [
        vec![(12.0, 47.0), (17.0, 66.0)],
        vec![(12.0, 30.0)],
        vec![(15.0, 71.0)],
    ];
    let look = |(effective_days, pct): &(f64, f64)| Look {
        effective_days: *effective_days,
        seen: Seen::of(*pct).unwrap(),
    };
    let mut rind = Posterior::before(&Arc::new(Lattice::new(rind_growth, FINE)));
    rind.look(&rind_seen.iter().map(look).collect::<Vec<_>>());
    let link_to = Link::new(&Arc::new(Lattice::new(blue_growth, FINE)), link);
    let mut blue = Posterior::after(&rind, &link_to);
    for wheel in &wheels_seen {
        blue.iron(&wheel.iter().map(look).collect::<Vec<_>>());
    }
    println!(
        "{}",
        json!({"posterior": {
            "rind": rind_seen, "wheels": wheels_seen, "link": link,
            "rind_growth": rind_growth, "blue_growth": blue_growth,
            "rind_pace": rind.pace(), "blue_pace": blue.pace(),
        }})
    );
}

fn main() {
    moist_air();
    fits();
    posterior();
}
