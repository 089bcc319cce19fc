//! A wheel's life drawn: where it stood and what was done, and what was measured on it.

use chart::{Axis, Figure, Ink, Layer, Line, Marker, Panel, Stroke, at};
use chrono::{DateTime, TimeDelta, Utc};
use maud::{Markup, html};
use ripening::What;
use ripening::answer::Happened;

use super::frame::figure;
use super::say;
use crate::gateway::Gateway;
use crate::words::Tongue;

/// The line's width, and its margin at both ends, in its own units.
const WIDTH: f64 = 1000.0;
const MARGIN: f64 = 10.0;

/// Stays in rooms as bars, turns as ticks, everything else as marks, from left to right.
pub fn line(gateway: &Gateway, t: Tongue, notes: &[Happened]) -> Markup {
    let (Some(first), Some(last)) = (notes.first(), notes.last()) else {
        return html! {};
    };
    let (from, last) = (first.at, last.at);
    let end = last.max(gateway.now().min(last + TimeDelta::days(3)));
    let span = (end - from).num_minutes().max(1) as f64;
    let x = |at: DateTime<Utc>| {
        MARGIN + (at - from).num_minutes() as f64 / span * (WIDTH - 2.0 * MARGIN)
    };
    let rooms: Vec<_> = notes
        .iter()
        .filter_map(|note| match note.what {
            What::Moved { room, .. } => Some((note.at, room)),
            _ => None,
        })
        .collect();
    let stays: Vec<_> = rooms.chunk_by(|a, b| a.1 == b.1).collect();
    let turns = || {
        notes
            .iter()
            .filter(|note| matches!(note.what, What::Turned))
    };
    let others = notes
        .iter()
        .filter(|note| !matches!(note.what, What::Turned | What::Moved { .. }));
    html! {
        div.scroll { svg.life-line viewBox="0 0 1000 150" role="img" aria-label=(t.with("wheel-line", [
            ("from", say::time(gateway, from).into()), ("to", say::time(gateway, end).into()),
        ])) {
            line.axis x1="10" y1="90" x2="990" y2="90" {}
            @for (nth, stay) in stays.iter().enumerate() {
                @if let Some((since, room)) = stay.first() {
                    @let until = stays.get(nth + 1).and_then(|next| next.first()).map_or(end, |(at, _)| *at);
                    @let (left, right) = (x(*since), x(until));
                    rect.stay.even[nth % 2 == 1] x=(px(left)) y="48" width=(px((right - left).max(2.0))) height="24" {}
                    @if right - left > 34.0 { text x=(px(left + 6.0)) y="66" { (room) } }
                }
            }
            @for note in turns() {
                line.turned x1=(px(x(note.at))) y1="80" x2=(px(x(note.at))) y2="100" {}
            }
            @for (nth, note) in others.enumerate() {
                circle.event cx=(px(x(note.at))) cy=(if nth % 2 == 0 { 34 } else { 116 }) r="6" {}
            }
            text x="10" y="145" { (say::time(gateway, from)) }
            text x="990" y="145" text-anchor="end" { (say::time(gateway, end)) }
        } }
        p.hint { (t.say("wheel-line-hint")) }
    }
}

/// Weights, and rind and blue as seen and as the iron found it.
pub fn measures(gateway: &Gateway, t: Tongue, notes: &[Happened]) -> Markup {
    let of = |value: fn(&What) -> Option<f64>| -> Vec<(f64, f64)> {
        let points = notes
            .iter()
            .filter_map(|note| Some((at(note.at), value(&note.what)?)));
        points.collect()
    };
    let weights = of(|what| match what {
        What::Portioned { weight, .. } | What::Weighed { weight } => Some(f64::from(weight.get())),
        _ => None,
    });
    let rind = of(|what| match what {
        What::RindSeen { cover } => Some(cover.get()),
        _ => None,
    });
    let blue = of(|what| match what {
        What::Ironed { coverage, .. } => Some(coverage.get()),
        _ => None,
    });
    if weights.len() < 2 && rind.is_empty() && blue.is_empty() {
        return html! {};
    }
    let says = format!(
        "Weighings: {}; looks at the rind: {}; cores: {}.",
        weights.len(),
        rind.len(),
        blue.len()
    );
    let pierced = notes
        .iter()
        .filter(|note| matches!(note.what, What::Pierced { .. }));
    let pierced = pierced.map(|note| Layer::When {
        x: at(note.at),
        label: "pierced".to_owned(),
    });
    let line = |points: Vec<(f64, f64)>, ink, stroke, marker, label: &str| {
        [
            Layer::Line {
                points: points.clone(),
                line: Line::thin(ink, stroke),
                label: Some(label.to_owned()),
            },
            Layer::points(points, marker, ink, None),
        ]
    };
    let mut cover: Vec<Layer> = pierced.collect();
    cover.extend(line(
        rind,
        Ink::Second,
        Stroke::Dashed,
        Marker::Diamond,
        "rind cover",
    ));
    cover.extend(line(
        blue,
        Ink::First,
        Stroke::Solid,
        Marker::Square,
        "blue through the core",
    ));
    let panel = |label: &str, range, share, layers| Panel {
        label: label.to_owned(),
        range,
        share,
        layers,
    };
    let mut panels = vec![panel("%", Some((0.0, 100.0)), 1.2, cover)];
    if weights.len() > 1 {
        let weights = line(weights, Ink::First, Stroke::Solid, Marker::Dot, "weight");
        panels.push(panel("weight, g", None, 1.0, weights.into()));
    }
    let height = 90.0 + 190.0 * panels.len() as f64;
    let drawn = Figure {
        title: "What was measured".to_owned(),
        says,
        x: Axis::Times {
            clock: gateway.site().clock,
        },
        panels,
        width: Figure::SIZE.0,
        height,
    };
    figure(t, &drawn)
}

fn px(value: f64) -> String {
    format!("{value:.1}")
}
