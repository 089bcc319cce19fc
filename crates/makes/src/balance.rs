//! What went in against what came out.

use serde::Serialize;

use crate::make::{Make, Stands, WHEY_KG_L};

/// A line of a balance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Line {
    /// What.
    pub what: String,
    /// How much, kg.
    pub kg: f64,
}

/// A vat's balance.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Balance {
    /// What went in.
    pub went_in: Vec<Line>,
    /// What came out.
    pub came_out: Vec<Line>,
    /// In less out, kg; nothing while something was not measured.
    pub unexplained_kg: Option<f64>,
    /// What to say of it, when it is more than usual or cannot be said.
    pub words: Option<String>,
}

/// Kilograms that may be unexplained, as a share of the milk: whey left in cloths and pipes,
/// evaporation. No source.
const UNEXPLAINED: f64 = 0.03;

/// Sets a vat's milk, rework and salt against its whey and curd.
#[must_use]
pub fn balance(make: &Make) -> Balance {
    let line = |what: &str, kg: f64| Line {
        what: what.to_owned(),
        kg,
    };
    let mut went_in = vec![line("milk", make.milk_kg())];
    if make.reworked_g > 0.0 {
        went_in.push(line("reworked", make.reworked_g / 1000.0));
    }
    if make.salt_g > 0.0 {
        went_in.push(line("salt", make.salt_g / 1000.0));
    }
    let whey = make.whey_l.map(|litres| litres * WHEY_KG_L);
    let mut came_out = vec![line("curd portioned", make.curd_kg())];
    came_out.extend(whey.map(|kg| line("whey", kg)));
    let sum = |lines: &[Line]| lines.iter().map(|line| line.kg).sum::<f64>();
    let unexplained_kg = (whey.is_some() && !make.wheels.is_empty() && make.milk_kg() > 0.0)
        .then(|| sum(&went_in) - sum(&came_out));
    let words = match unexplained_kg {
        Some(kg) => told(make, kg),
        None if make.wheels.is_empty() => None,
        None if whey.is_none() => {
            Some("the whey was not measured: nobody can say what is missing".to_owned())
        }
        None => Some("the milk was not measured: nobody can say what is missing".to_owned()),
    };
    Balance {
        went_in,
        came_out,
        unexplained_kg,
        words,
    }
}

fn told(make: &Make, kg: f64) -> Option<String> {
    let share = kg / make.milk_kg();
    let percent = share.abs() * 100.0;
    if share > UNEXPLAINED {
        let still = if make.closed {
            ""
        } else {
            " (the make is not closed yet)"
        };
        return Some(format!(
            "{kg:.0} kg are unexplained, {percent:.1} % of the milk{still}: whey that was not \
             measured, curd that was not weighed, or a wrong number of litres"
        ));
    }
    if share < -UNEXPLAINED {
        return Some(format!(
            "{:.0} kg more came out than went in, {percent:.1} % of the milk: milk or rework that \
             was not written down, or a wrong number of litres",
            kg.abs()
        ));
    }
    None
}

/// What became of the curd.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Maturing {
    /// Where it is now; all lines add up to the curd.
    pub lines: Vec<Line>,
    /// Wheels in the house that were not weighed since they were portioned: they count with
    /// what their weighed brothers have left, if there are any.
    pub not_weighed: usize,
    /// Loss of the wheels that were weighed again, as a share of their curd, 0 to 1.
    pub lost: Option<f64>,
}

/// Grams of a core that do not go back into the wheel. No source.
const CORE_G: f64 = 5.0;

/// Sets the curd against what was dispatched, discarded, drawn as cores and is in the house;
/// the rest was lost in draining and maturing.
#[must_use]
pub fn maturing(make: &Make) -> Maturing {
    let weighed = || {
        make.wheels
            .iter()
            .filter_map(|w| Some((w.portion_g, w.weighed_g?)))
    };
    let curd: f64 = weighed().map(|(curd, _)| curd).sum();
    let left: f64 = weighed().map(|(_, left)| left).sum();
    let kept = (curd > 0.0).then(|| left / curd);
    let kilograms = |stands: Stands| {
        let there = make.wheels.iter().filter(|wheel| wheel.stands == stands);
        let grams = there.map(|w| w.weighed_g.unwrap_or(w.portion_g * kept.unwrap_or(1.0)));
        grams.sum::<f64>() / 1000.0
    };
    let cores: u32 = make.wheels.iter().map(|wheel| wheel.cores).sum();
    let mut lines = vec![
        ("dispatched", kilograms(Stands::Dispatched)),
        ("in the house", kilograms(Stands::InHouse)),
        ("thrown away", kilograms(Stands::Discarded)),
        ("cores", f64::from(cores) * CORE_G / 1000.0),
    ];
    let named: f64 = lines.iter().map(|(_, kg)| kg).sum();
    lines.push(("lost in draining and maturing", make.curd_kg() - named));
    let lines = lines.into_iter().map(|(what, kg)| Line {
        what: what.to_owned(),
        kg,
    });
    let not_weighed = make
        .wheels
        .iter()
        .filter(|wheel| wheel.stands == Stands::InHouse && wheel.weighed_g.is_none());
    Maturing {
        lines: lines.collect(),
        not_weighed: not_weighed.count(),
        lost: kept.map(|kept| 1.0 - kept),
    }
}
