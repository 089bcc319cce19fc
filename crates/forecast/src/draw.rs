//! Charts of forecasts.

use chart::{Axis, Figure, Ink, Layer, Line, Mark, Marker, Panel, Stroke};
use climate::{Ranges, RoomAir, excursions};
use facts::{RoomId, WheelId};
use quantity::{DairyClock, DairyDay};

use crate::curves::{CurvePoint, Curves};
use crate::forecaster::DryingCurve;
use crate::moment::{days, instant};
use crate::outlook::BatchForecast;

const EXPECTED: Line = Line::bold(Ink::First, Stroke::Solid);
const LIMIT: Line = Line::thin(Ink::Second, Stroke::Dashed);

/// A place on an axis of times.
fn place(at_days: f64) -> f64 {
    at_days * 86_400.0
}

fn short(day: DairyDay) -> String {
    day.date().format("%a %-d %b").to_string()
}

fn times(clock: &DairyClock) -> Axis {
    Axis::Times { clock: *clock }
}

/// Bands of 80 and 50 %, and the middle, of a curve.
fn bands(points: &[CurvePoint]) -> [Layer; 3] {
    let band = |wash, label: &str, range: fn(&CurvePoint) -> (f64, f64)| Layer::Band {
        points: points
            .iter()
            .map(|p| (place(p.at_days), range(p).0, range(p).1))
            .collect(),
        wash,
        label: Some(label.to_owned()),
    };
    [
        band(1, "4 in 5", |p| p.p80_pct),
        band(2, "half", |p| p.p50_pct),
        Layer::Line {
            points: points
                .iter()
                .map(|p| (place(p.at_days), p.expected_pct))
                .collect(),
            line: EXPECTED,
            label: Some("expected".to_owned()),
        },
    ]
}

/// A batch's growth: rind and blue, with what was seen, what is expected and how sure that
/// is, up to the day on which it is ready.
#[must_use]
pub fn growth(forecast: &BatchForecast, curves: &Curves, clock: &DairyClock) -> Figure {
    let day = |at: f64| clock.day_of(instant(at));
    let mut rind: Vec<Layer> = bands(&curves.rind).into();
    let looks = curves.rind_seen.iter().map(|(at, pct)| (place(*at), *pct));
    let name = (!curves.rind_seen.is_empty()).then(|| "seen".to_owned());
    rind.push(Layer::points(looks, Marker::Square, Ink::Ink, name));
    let mut blue: Vec<Layer> = bands(&curves.blue).into();
    blue.push(Layer::level(
        curves.ready_pct,
        LIMIT,
        format!("ready at {:.0} %", curves.ready_pct),
    ));
    let cores = curves.cores.iter().map(|(_, at, pct)| (place(*at), *pct));
    let name = (!curves.cores.is_empty()).then(|| "cores".to_owned());
    blue.push(Layer::points(cores, Marker::Diamond, Ink::Ink, name));
    let (pierced, done) = curves.pierced;
    let (early, middle, late) = curves.ready_days;
    let events = [
        (pierced, if done { "pierced" } else { "to be pierced" }),
        (curves.now_days, "now"),
        (middle, "ready"),
    ];
    let when = events.map(|(at, label)| Layer::When {
        x: place(at),
        label: label.to_owned(),
    });
    blue.extend(when);
    let panel = |label: &str, layers| Panel {
        label: label.to_owned(),
        range: Some((0.0, 100.0)),
        share: 1.0,
        layers,
    };
    Figure {
        title: format!("{}: how far the mould has come", forecast.batch),
        says: format!(
            "Ready about {} (4 in 5: {} to {}), when the middle wheel shows {:.0} % blue. Rests \
             on {} looks at the rind and {} cores.",
            short(day(middle)),
            short(day(early)),
            short(day(late)),
            curves.ready_pct,
            curves.rind_seen.len(),
            curves.cores.len(),
        ),
        x: times(clock),
        panels: vec![
            panel("rind cover, %", rind),
            panel("blue in the core, %", blue),
        ],
        width: Figure::SIZE.0,
        height: Figure::SIZE.1,
    }
}

/// A lower and an upper bound.
type Range = (f64, f64);

/// Expected, and the ranges of 50 and of 80 %.
type Fan = (f64, Range, Range);

/// How many wheels of those in the house are ready by each week's end: expected, and how
/// sure that is. Wheels of one batch are ready together; batches are independent.
#[must_use]
pub fn readiness(
    forecasts: &[BatchForecast],
    clock: &DairyClock,
    today: DairyDay,
    weeks: u16,
) -> Figure {
    let all: usize = forecasts.iter().map(|f| f.wheels_in_house).sum();
    let ends: Vec<DairyDay> = (0..=i64::from(weeks))
        .map(|week| today.plus(7 * week))
        .collect();
    let by = |end: DairyDay| {
        let at = days(clock.end_of(end));
        let (mut mean, mut variance) = (0.0, 0.0);
        for forecast in forecasts {
            let (mut wheels, mut ready) = (0.0, 0.0);
            for group in &forecast.groups {
                let n = group.wheels.len() as f64;
                wheels += n;
                ready += n * group.ready.by(at);
            }
            mean += ready;
            // As if the batch were one wheel that weighs as many.
            variance += ready * (wheels - ready).max(0.0);
        }
        let range = |deviations: f64| {
            let away = deviations * variance.sqrt();
            ((mean - away).max(0.0), (mean + away).min(all as f64))
        };
        (mean, range(0.6745), range(1.2816))
    };
    let points: Vec<_> = ends
        .iter()
        .map(|end| (place(days(clock.end_of(*end))), by(*end)))
        .collect();
    let band = |wash, label: &str, range: fn(&Fan) -> Range| {
        let points = points
            .iter()
            .map(|(x, values)| (*x, range(values).0, range(values).1));
        Layer::Band {
            points: points.collect(),
            wash,
            label: Some(label.to_owned()),
        }
    };
    let expected: Vec<(f64, f64)> = points.iter().map(|(x, (mean, ..))| (*x, *mean)).collect();
    let half = points
        .iter()
        .zip(&ends)
        .find(|((_, (mean, ..)), _)| *mean >= all as f64 / 2.0);
    let says = match half {
        Some((_, end)) => format!(
            "{all} wheels in the house; half of them are expected to be ready by {}.",
            short(*end)
        ),
        None => {
            format!("{all} wheels in the house; fewer than half are ready within {weeks} weeks.")
        }
    };
    Figure {
        title: "Wheels ready, week by week".to_owned(),
        says,
        x: times(clock),
        panels: vec![Panel {
            label: "wheels ready".to_owned(),
            range: Some((0.0, (all as f64).max(1.0))),
            share: 1.0,
            layers: vec![
                band(1, "4 in 5", |values| values.2),
                band(2, "half", |values| values.1),
                Layer::Line {
                    points: expected.clone(),
                    line: EXPECTED,
                    label: Some("expected".to_owned()),
                },
                Layer::Points {
                    marks: expected
                        .iter()
                        .map(|(x, y)| Mark {
                            x: *x,
                            y: *y,
                            text: Some(format!("{y:.0}")),
                        })
                        .collect(),
                    marker: Marker::Dot,
                    ink: Ink::First,
                    label: None,
                },
            ],
        }],
        width: Figure::SIZE.0,
        height: Figure::SIZE.1 * 0.75,
    }
}

/// A wheel's weight: what was weighed, what is expected and how sure that is.
#[must_use]
pub fn drying(wheel: WheelId, curve: &DryingCurve, clock: &DairyClock) -> Figure {
    let kilograms = |grams: f64| grams / 1000.0;
    let points = curve.expected.iter();
    let band = points.clone().map(|p| {
        let (low, high) = p.p80_g;
        (place(p.at_days), kilograms(low), kilograms(high))
    });
    let line = points.map(|p| (place(p.at_days), kilograms(p.expected_g)));
    let mut weighed = Vec::new();
    for (at, grams) in &curve.weighed {
        weighed.push(Mark {
            x: place(*at),
            y: kilograms(*grams),
            text: Some(format!("{:.2}", kilograms(*grams))),
        });
    }
    let says = match (curve.expected.last(), curve.weighed.first()) {
        (Some(end), Some((_, curd))) => format!(
            "{:.2} kg expected on {} (4 in 5: {:.2} to {:.2} kg), {:.0} % less than its curd.",
            kilograms(end.expected_g),
            short(clock.day_of(instant(end.at_days))),
            kilograms(end.p80_g.0),
            kilograms(end.p80_g.1),
            100.0 * (1.0 - end.expected_g / curd.max(1.0)),
        ),
        _ => "It has not been weighed.".to_owned(),
    };
    Figure {
        title: format!("{wheel}: how it dries"),
        says,
        x: times(clock),
        panels: vec![Panel {
            label: "weight, kg".to_owned(),
            range: None,
            share: 1.0,
            layers: vec![
                Layer::Band {
                    points: band.collect(),
                    wash: 1,
                    label: Some("4 in 5".to_owned()),
                },
                Layer::Line {
                    points: line.collect(),
                    line: EXPECTED,
                    label: Some("expected".to_owned()),
                },
                Layer::Points {
                    marks: weighed,
                    marker: Marker::Square,
                    ink: Ink::Ink,
                    label: Some("weighed".to_owned()),
                },
                Layer::When {
                    x: place(curve.now_days),
                    label: "now".to_owned(),
                },
            ],
        }],
        width: Figure::SIZE.0,
        height: Figure::SIZE.1 * 0.75,
    }
}

/// A room's air between two days, with its ranges where a recipe says them.
#[must_use]
pub fn room(
    room: RoomId,
    air: &RoomAir,
    ranges: Option<&Ranges>,
    clock: &DairyClock,
    (from, until): (DairyDay, DairyDay),
) -> Figure {
    let (from, until) = (clock.start_of(from), clock.end_of(until));
    let hours = || {
        air.between(from, until)
            .filter(|(at, _)| *at >= air.begins())
    };
    // An hour without a value breaks the line.
    let line = |value: &dyn Fn(&climate::Hour) -> Option<f64>| {
        let points = hours().map(|(at, hour)| {
            let y = hour.as_ref().and_then(value).unwrap_or(f64::NAN);
            (chart::at(at), y)
        });
        Layer::Line {
            points: points.collect(),
            line: Line::thin(Ink::First, Stroke::Solid),
            label: None,
        }
    };
    let panel = |label: &str, range: Option<(f64, f64)>, air: Layer| {
        let ends = [chart::at(from), chart::at(until)];
        let within = range.map(|(least, most)| Layer::Band {
            points: ends.map(|x| (x, least, most)).into(),
            wash: 1,
            label: Some("right".to_owned()),
        });
        Panel {
            label: label.to_owned(),
            range: None,
            share: 1.0,
            layers: within.into_iter().chain([air]).collect(),
        }
    };
    let out = ranges.map_or_else(Vec::new, |ranges| excursions(air, ranges, from, until, 2));
    let says = match out.as_slice() {
        [] if ranges.is_none() => "No recipe says what the room should be like.".to_owned(),
        [] => "Within its range, or out of it for less than two hours.".to_owned(),
        [one] => format!("From {}: {}.", clock.local(one.from), one.words()),
        [first, rest @ ..] => format!(
            "From {}: {}; and {} more.",
            clock.local(first.from),
            first.words(),
            match rest.len() {
                1 => "once".to_owned(),
                times => format!("{times} times"),
            }
        ),
    };
    Figure {
        title: format!("Room {room}: its air"),
        says,
        x: times(clock),
        panels: vec![
            panel(
                "temperature, °C",
                ranges.map(|r| r.temperature_c),
                line(&|hour| Some(hour.temperature.get())),
            ),
            panel(
                "relative humidity, %",
                ranges.map(|r| r.humidity_pct),
                line(&|hour| hour.humidity.map(|h| h.get())),
            ),
        ],
        width: Figure::SIZE.0,
        height: Figure::SIZE.1,
    }
}
