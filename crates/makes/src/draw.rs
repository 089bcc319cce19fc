//! The chart of yields.

use chart::{Axis, Figure, Ink, Layer, Line, Mark, Marker, Panel, Stroke};

use crate::Individuals;

const LIMIT: Line = Line::thin(Ink::Ink, Stroke::Dashed);
const MIDDLE: Line = Line::thin(Ink::Soft, Stroke::Solid);

/// Yields of makes and how each differs from the one before, with their limits; what Nelson's
/// tests found is ringed and numbered.
#[must_use]
pub fn yields(chart: &Individuals) -> Figure {
    let places = || (0_u32..).map(f64::from).zip(&chart.points);
    let line = |points: Vec<(f64, f64)>| {
        [
            Layer::Line {
                points: points.clone(),
                line: Line::thin(Ink::First, Stroke::Solid),
                label: None,
            },
            Layer::points(points, Marker::Dot, Ink::First, None),
        ]
    };
    let told = places()
        .filter(|(_, point)| !point.tests.is_empty())
        .map(|(x, point)| {
            let numbers = point.tests.iter().map(|test| test.number().to_string());
            Mark {
                x,
                y: point.value,
                text: Some(numbers.collect::<Vec<_>>().join(" ")),
            }
        });
    let told: Vec<Mark> = told.collect();
    let says = match told.len() {
        0 => format!(
            "{} makes, none of them out of the ordinary.",
            chart.points.len()
        ),
        n => format!(
            "{n} of {} makes are out of the ordinary.",
            chart.points.len()
        ),
    };
    let mut upper = vec![
        Layer::level(chart.limits.1, LIMIT, "limit"),
        Layer::level(chart.limits.0, LIMIT, "limit"),
        Layer::level(chart.centre, MIDDLE, "mean"),
    ];
    upper.extend(line(places().map(|(x, point)| (x, point.value)).collect()));
    if !told.is_empty() {
        upper.push(Layer::Points {
            marks: told,
            marker: Marker::Ring,
            ink: Ink::Warn,
            label: Some("Nelson's test of that number".to_owned()),
        });
    }
    let mut lower = vec![
        Layer::level(chart.range_limit, LIMIT, "limit"),
        Layer::level(chart.mean_range, MIDDLE, "mean"),
    ];
    let ranges = places().filter_map(|(x, point)| Some((x, point.range?)));
    lower.extend(line(ranges.collect()));
    Figure {
        title: "Curd from 100 kg of milk, make by make".to_owned(),
        says,
        x: Axis::Names {
            label: "batch".to_owned(),
            names: chart
                .points
                .iter()
                .map(|point| point.batch.to_string())
                .collect(),
        },
        panels: vec![
            Panel {
                label: "curd, kg".to_owned(),
                range: None,
                share: 2.0,
                layers: upper,
            },
            Panel {
                label: "from the make before, kg".to_owned(),
                range: None,
                share: 1.0,
                layers: lower,
            },
        ],
        width: Figure::SIZE.0,
        height: Figure::SIZE.1,
    }
}
