//! What years behind a dairy cost, as a picture.

use chart::{Axis, Figure, Ink, Layer, Line, Marker, Panel, Stroke};

use super::age::AgeMeasured;

/// Memory, start and disk against the facts that there ever were.
pub fn figure(measured: &[AgeMeasured]) -> Figure {
    let panel = |label: &str, of: &dyn Fn(&AgeMeasured) -> f64| {
        let points = measured.iter().map(|m| (m.facts as f64 / 1e6, of(m)));
        let points: Vec<_> = points.collect();
        let line = Line {
            ink: Ink::First,
            stroke: Stroke::Solid,
            bold: true,
        };
        Panel {
            label: label.to_owned(),
            range: Some((0.0, 0.0)),
            share: 1.0,
            layers: vec![
                Layer::Line {
                    points: points.clone(),
                    line,
                    label: None,
                },
                Layer::points(points, Marker::Dot, Ink::First, None),
            ],
        }
    };
    let years = measured.iter().map(|m| m.years.to_string());
    let years: Vec<String> = years.collect();
    Figure {
        title: "What a dairy's past costs".to_owned(),
        says: format!(
            "A floor of Larkholm's size (invented) with {} years behind it: the seven workers that follow the log and the broker together, after a start; the first answer of the slowest of those that answer. The past has no orders and no office in it. wheelward bench --years {} --figures FOLDER",
            years.join(", "),
            years.join(" ")
        ),
        x: Axis::Numbers {
            label: "facts that there ever were, million".to_owned(),
        },
        panels: vec![
            panel("memory, MB", &AgeMeasured::memory_together_mb),
            panel("start, s", &AgeMeasured::slowest_start_s),
            panel("disk, MB", &|m| m.disk_mb.values().sum()),
        ],
        width: Figure::SIZE.0,
        height: Figure::SIZE.1,
    }
}
