//! How each kind of layer is drawn.

use super::{Canvas, Frame, LEADING, SMALL, Style};
use crate::label::{Taken, overlap};
use crate::text::{width, wrapped};
use crate::{Anchor, Ink, Layer, Mark, Marker, Panel, Pen, Shape, Step, Stroke};

/// Size of a mark.
const MARK: f64 = 4.5;
/// A ring goes around a mark.
const RING: f64 = 9.0;
/// Words of a note are at most so wide.
const NOTE: f64 = 360.0;

/// Whether the panel needs a line of keys above it.
pub(super) fn has_key(panel: &Panel) -> bool {
    panel
        .layers
        .iter()
        .any(|layer| matches!(layer, Layer::Points { label: Some(_), .. }))
}

/// Where a layer's name belongs: the end of its line, and its colour.
pub(super) fn end(layer: &Layer, right: f64) -> Option<(f64, f64, Ink)> {
    let finite = |(x, y): &&(f64, f64)| x.is_finite() && y.is_finite();
    match layer {
        Layer::Band { points, .. } => {
            let last = points
                .iter()
                .rfind(|p| p.0.is_finite() && p.2.is_finite())?;
            Some((last.0, last.2, Ink::Soft))
        }
        Layer::Line { points, line, .. } | Layer::Steps { points, line, .. } => {
            let last = points.iter().rfind(finite)?;
            Some((last.0, last.1, line.ink))
        }
        Layer::Level { y, line, .. } => y.is_finite().then_some((right, *y, line.ink)),
        Layer::Points { .. } | Layer::When { .. } | Layer::Note { .. } => None,
    }
}

impl Canvas {
    /// The shapes of a layer.
    pub(super) fn layer(&mut self, layer: &Layer, frame: &Frame) {
        match layer {
            Layer::Band { points, wash, .. } => self.band(points, *wash, frame),
            Layer::Line { points, line, .. } => {
                let drawn = points.iter().map(|(x, y)| vec![(*x, *y)]);
                self.line(drawn, *line, frame);
            }
            Layer::Steps { points, line, .. } => {
                let mut before: Option<f64> = None;
                let drawn = points.iter().map(|(x, y)| {
                    let along = before.replace(*y).map(|kept| (*x, kept));
                    along.into_iter().chain([(*x, *y)]).collect()
                });
                let drawn: Vec<Vec<(f64, f64)>> = drawn.collect();
                self.line(drawn.into_iter(), *line, frame);
            }
            Layer::Points {
                marks, marker, ink, ..
            } => {
                let seen = |mark: &&Mark| mark.x.is_finite() && mark.y.is_finite();
                for mark in marks.iter().filter(seen) {
                    self.mark(frame.x(mark.x), frame.y(mark.y), *marker, *ink);
                }
            }
            Layer::Level { y, line, .. } => {
                if y.is_finite() {
                    let (from, to) = ((frame.left, frame.y(*y)), (frame.right, frame.y(*y)));
                    let thick = if line.bold { 2.5 } else { 1.5 };
                    self.stroke(from, to, line.ink, thick, line.stroke);
                }
            }
            Layer::When { x, .. } => {
                if x.is_finite() {
                    let (from, to) = ((frame.x(*x), frame.top), (frame.x(*x), frame.bottom));
                    self.stroke(from, to, Ink::Ink, 1.5, Stroke::Dashed);
                }
            }
            Layer::Note { .. } => {}
        }
    }

    /// Notes must not hide what is measured.
    pub(super) fn keep_clear(&mut self, layer: &Layer, frame: &Frame) {
        let places: Vec<(f64, f64)> = match layer {
            Layer::Level { y, .. } if y.is_finite() => {
                let y = frame.y(*y);
                self.taken.push([frame.left, y - 3.0, frame.right, y + 3.0]);
                return;
            }
            Layer::Points { marks, .. } => marks.iter().map(|mark| (mark.x, mark.y)).collect(),
            Layer::Line { points, .. } | Layer::Steps { points, .. } => points.clone(),
            _ => return,
        };
        for (x, y) in places {
            if x.is_finite() && y.is_finite() {
                let (x, y) = (frame.x(x), frame.y(y));
                self.taken.push([x - MARK, y - MARK, x + MARK, y + MARK]);
            }
        }
    }

    /// The words of a layer that stand inside the panel.
    pub(super) fn words_of(&mut self, layer: &Layer, frame: &Frame) {
        match layer {
            Layer::Points { marks, .. } => {
                for mark in marks {
                    if let Some(text) = &mark.text
                        && mark.x.is_finite()
                        && mark.y.is_finite()
                    {
                        self.above(frame.x(mark.x), frame.y(mark.y), text);
                    }
                }
            }
            Layer::When { x, label } if x.is_finite() => {
                self.note((frame.x(*x), frame.top), label, frame, false);
            }
            Layer::Note { x, y, text } if x.is_finite() && y.is_finite() => {
                self.note((frame.x(*x), frame.y(*y)), text, frame, true);
            }
            _ => {}
        }
    }

    fn band(&mut self, points: &[(f64, f64, f64)], wash: u8, frame: &Frame) {
        let fill = match wash {
            0 | 1 => Ink::Wash1,
            2 => Ink::Wash2,
            _ => Ink::Wash3,
        };
        let whole = |p: &(f64, f64, f64)| p.0.is_finite() && p.1.is_finite() && p.2.is_finite();
        for run in points.split(|p| !whole(p)).filter(|run| run.len() > 1) {
            let edge = |p: &(f64, f64, f64), y: f64| (frame.x(p.0), frame.y(y));
            let lower = run.iter().map(|p| edge(p, p.1));
            let upper = run.iter().rev().map(|p| edge(p, p.2));
            let steps = lower.chain(upper).enumerate().map(|(n, (x, y))| match n {
                0 => Step::Move(x, y),
                _ => Step::Line(x, y),
            });
            self.shapes.push(Shape::Path {
                steps: steps.chain([Step::Close]).collect(),
                fill: Some(fill),
                // An edge, so that bands are told apart where their washes are not.
                pen: Some(Pen {
                    ink: Ink::Soft,
                    width: 0.5,
                    stroke: Stroke::Solid,
                }),
            });
        }
    }

    /// A line through the places that each point stands for; a gap where one is not finite.
    fn line(
        &mut self,
        points: impl Iterator<Item = Vec<(f64, f64)>>,
        line: crate::Line,
        frame: &Frame,
    ) {
        let mut steps = Vec::new();
        let mut down = false;
        for places in points {
            let whole = places.iter().all(|(x, y)| x.is_finite() && y.is_finite());
            // After a gap only the point itself is known, not the way there.
            let known = if down { 0 } else { places.len() - 1 };
            for (x, y) in places.iter().skip(known).filter(|_| whole) {
                let (x, y) = (frame.x(*x), frame.y(*y));
                steps.push(if down {
                    Step::Line(x, y)
                } else {
                    Step::Move(x, y)
                });
                down = true;
            }
            down = whole;
        }
        if steps.is_empty() {
            return;
        }
        self.shapes.push(Shape::Path {
            steps,
            fill: None,
            pen: Some(Pen {
                ink: line.ink,
                width: if line.bold { 3.0 } else { 1.75 },
                stroke: line.stroke,
            }),
        });
    }

    fn mark(&mut self, x: f64, y: f64, marker: Marker, ink: Ink) {
        let corners: &[(f64, f64)] = match marker {
            Marker::Dot | Marker::Ring => {
                let ring = marker == Marker::Ring;
                self.shapes.push(Shape::Circle {
                    x,
                    y,
                    r: if ring { RING } else { MARK },
                    fill: (!ring).then_some(ink),
                    pen: ring.then_some(Pen {
                        ink,
                        width: 2.5,
                        stroke: Stroke::Solid,
                    }),
                });
                return;
            }
            Marker::Cross => {
                let (a, b) = (MARK, 2.0);
                self.stroke((x - a, y - a), (x + a, y + a), ink, b, Stroke::Solid);
                self.stroke((x - a, y + a), (x + a, y - a), ink, b, Stroke::Solid);
                return;
            }
            Marker::Square => &[(-1.0, -1.0), (1.0, -1.0), (1.0, 1.0), (-1.0, 1.0)],
            Marker::Triangle => &[(0.0, -1.4), (1.3, 1.0), (-1.3, 1.0)],
            Marker::Diamond => &[(0.0, -1.5), (1.3, 0.0), (0.0, 1.5), (-1.3, 0.0)],
        };
        let steps = corners.iter().enumerate().map(|(n, (dx, dy))| {
            let (x, y) = (x + dx * MARK, y + dy * MARK);
            match n {
                0 => Step::Move(x, y),
                _ => Step::Line(x, y),
            }
        });
        self.shapes.push(Shape::Path {
            steps: steps.chain([Step::Close]).collect(),
            fill: Some(ink),
            pen: None,
        });
    }

    /// Names of the points, above the panel.
    pub(super) fn key(&mut self, panel: &Panel, frame: &Frame) {
        let y = frame.top - SMALL * 0.75;
        let mut x = frame.left + MARK;
        for layer in &panel.layers {
            if let Layer::Points {
                label: Some(label),
                marker,
                ink,
                ..
            } = layer
            {
                self.mark(x, y - SMALL * 0.3, *marker, *ink);
                self.words(x + 14.0, y, label, Style::SMALL);
                x += 14.0 + width(label, SMALL) + 24.0;
            }
        }
    }

    /// A word above a mark.
    fn above(&mut self, x: f64, y: f64, text: &str) {
        let style = Style::SMALL.anchor(Anchor::Middle).bold();
        let half = width(text, SMALL) / 2.0 + 2.0;
        let bottom = y - RING - 3.0;
        self.words(x, bottom, text, style);
        self.taken
            .push([x - half, bottom - SMALL, x + half, y + RING]);
    }

    /// Words near a point, where there is room for them, on paper of their own.
    fn note(&mut self, (x, y): (f64, f64), text: &str, frame: &Frame, leader: bool) {
        let lines = wrapped(text, NOTE, |t| width(t, SMALL));
        let line = SMALL * LEADING;
        let wide = lines.iter().map(|l| width(l, SMALL)).fold(0.0, f64::max) + 8.0;
        let high = line * lines.len() as f64 + 4.0;
        let away = if leader { 22.0 } else { 5.0 };
        let place = |right: bool, down: f64| -> Taken {
            let left = if right { x + away } else { x - away - wide };
            let top = if leader {
                y + down - high / 2.0
            } else {
                y + down
            };
            [left, top, left + wide, top + high]
        };
        let downs: &[f64] = match leader {
            true => &[
                -46.0, 46.0, -62.0, 62.0, -80.0, 80.0, -98.0, 98.0, -114.0, 114.0, -132.0, 132.0,
                -150.0, 150.0, -28.0, 28.0,
            ],
            false => &[2.0, 24.0, 46.0, 68.0, 90.0],
        };
        let inside = |b: &Taken| {
            b[0] >= frame.left && b[2] <= frame.right && b[1] >= frame.top && b[3] <= frame.bottom
        };
        let free = |b: &Taken| !self.taken.iter().any(|other| overlap(b, other));
        let tries = downs
            .iter()
            .flat_map(|down| [place(true, *down), place(false, *down)]);
        let tries: Vec<Taken> = tries.collect();
        let found = tries
            .iter()
            .find(|b| inside(b) && free(b))
            .or_else(|| tries.iter().find(|b| inside(b)));
        let Some(&[left, top, right, bottom]) = found.or(tries.first()) else {
            return;
        };
        if leader {
            let near = if left > x { left } else { right };
            let middle = (top + bottom) / 2.0;
            self.stroke((x, y), (near, middle), Ink::Ink, 1.0, Stroke::Solid);
        }
        self.rectangle([left, top, right, bottom], Ink::Paper);
        self.taken.push([left, top, right, bottom]);
        let mut under = top + 2.0 + SMALL;
        for words in &lines {
            self.words(left + 4.0, under, words, Style::SMALL);
            under += line;
        }
    }
}
