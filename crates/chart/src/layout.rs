//! From a figure to shapes: scales, axes, layers, words.

mod layers;

use crate::axis::{Tick, numbers};
use crate::label::{Taken, apart};
use crate::text::{width, wrapped};
use crate::{Anchor, Axis, Drawing, Figure, Ink, Layer, Panel, Pen, Shape, Step, Stroke, Words};

/// Sizes of letters, in pixels: on a page 17 cm wide the least is 2.8 mm high, which is read
/// at arm's length.
const TITLE: f64 = 24.0;
const TEXT: f64 = 17.0;
const SMALL: f64 = 16.0;
/// Height of a line of words, in parts of their size.
const LEADING: f64 = 1.25;
/// Free space around everything.
const EDGE: f64 = 14.0;
/// Between panels.
const GAP: f64 = 20.0;
/// Least distance between marks of the vertical and of the horizontal axis.
const ROW: f64 = 44.0;
const COLUMN: f64 = 92.0;
/// Labels beside the panel take at most this share of the width.
const LABELS: f64 = 0.3;

/// What is drawn so far, and where words already stand.
struct Canvas {
    shapes: Vec<Shape>,
    taken: Vec<Taken>,
}

/// A panel's place on the canvas and what it shows there.
struct Frame {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
    x: (f64, f64),
    y: (f64, f64),
}

impl Frame {
    fn x(&self, place: f64) -> f64 {
        self.left + (place - self.x.0) / (self.x.1 - self.x.0) * (self.right - self.left)
    }

    fn y(&self, value: f64) -> f64 {
        self.bottom - (value - self.y.0) / (self.y.1 - self.y.0) * (self.bottom - self.top)
    }
}

/// A label beside a panel: where its line ends, and its words.
struct Beside {
    end: (f64, f64),
    lines: Vec<String>,
    ink: Ink,
}

pub(crate) fn draw(figure: &Figure) -> Drawing {
    let mut canvas = Canvas {
        shapes: Vec::new(),
        taken: Vec::new(),
    };
    let (wide, high) = (figure.width, figure.height);
    canvas.rectangle([0.0, 0.0, wide, high], Ink::Paper);
    let mut top = EDGE;
    for line in wrapped(&figure.title, wide - 2.0 * EDGE, |t| width(t, TITLE) * 1.06) {
        top += TITLE * LEADING;
        canvas.words(EDGE, top - TITLE * 0.3, &line, Style::TITLE);
    }
    for line in wrapped(&figure.says, wide - 2.0 * EDGE, |t| width(t, TEXT)) {
        top += TEXT * LEADING;
        canvas.words(EDGE, top - TEXT * 0.3, &line, Style::TEXT.ink(Ink::Soft));
    }
    top += 8.0;

    let across = domain_x(figure);
    let named = figure.panels.iter().flat_map(|panel| &panel.layers);
    let widest = named
        .filter_map(beside_text)
        .map(|text| width(text, SMALL))
        .fold(0.0, f64::max)
        .min(wide * LABELS);
    let right = wide - EDGE - if widest > 0.0 { widest + 16.0 } else { 8.0 };
    let domains: Vec<_> = figure.panels.iter().map(domain_y).collect();
    // The scale is not known before the height is: enough room for the longest number.
    let numbers_wide = domains
        .iter()
        .flat_map(|(low, high)| numbers(*low, *high, 6))
        .map(|tick| width(&tick.text, SMALL))
        .fold(0.0, f64::max);
    let left = EDGE + TEXT * LEADING + 6.0 + numbers_wide + 8.0;
    let most = ((right - left) / COLUMN) as usize;
    let ticks = figure.x.ticks(across.0, across.1, most.max(2));
    let foot = foot_height(&ticks, figure.x.label());

    let bottom = (high - EDGE - foot).max(top + 10.0);
    let shares: f64 = figure.panels.iter().map(|panel| panel.share).sum();
    let keys = |panel: &Panel| {
        if layers::has_key(panel) {
            SMALL * 1.5
        } else {
            0.0
        }
    };
    let fixed: f64 = figure.panels.iter().map(keys).sum();
    let gaps = GAP * figure.panels.len().saturating_sub(1) as f64;
    let free = (bottom - top - gaps - fixed).max(1.0);
    for (n, (panel, y)) in figure.panels.iter().zip(domains).enumerate() {
        top += keys(panel);
        let height = free * panel.share / shares.max(f64::MIN_POSITIVE);
        let frame = Frame {
            left,
            right,
            top,
            bottom: top + height,
            x: across,
            y,
        };
        canvas.panel(panel, &frame, &ticks, wide - EDGE);
        if n + 1 == figure.panels.len() {
            canvas.foot(&frame, &ticks, &figure.x);
        }
        top += height + GAP;
    }
    Drawing {
        width: wide,
        height: high,
        shapes: canvas.shapes,
    }
}

fn foot_height(ticks: &[Tick], label: &str) -> f64 {
    let line = SMALL * LEADING;
    let below = ticks.iter().any(|tick| tick.below.is_some());
    let lines = 1 + usize::from(below) + usize::from(!label.is_empty());
    8.0 + line * lines as f64
}

/// The words that stand beside the panel for a layer.
fn beside_text(layer: &Layer) -> Option<&str> {
    match layer {
        Layer::Band { label, .. }
        | Layer::Line { label, .. }
        | Layer::Steps { label, .. }
        | Layer::Level { label, .. } => label.as_deref(),
        Layer::Points { .. } | Layer::When { .. } | Layer::Note { .. } => None,
    }
}

/// Places and values that a layer reaches.
fn reach(layer: &Layer) -> Vec<(Option<f64>, Option<f64>)> {
    // What is not drawn takes no room.
    let both = |x: &f64, y: &f64| {
        let whole = x.is_finite() && y.is_finite();
        (whole.then_some(*x), whole.then_some(*y))
    };
    match layer {
        Layer::Band { points, .. } => points
            .iter()
            .flat_map(|(x, low, high)| [both(x, low), both(x, high)])
            .collect(),
        Layer::Line { points, .. } | Layer::Steps { points, .. } => {
            points.iter().map(|(x, y)| both(x, y)).collect()
        }
        Layer::Points { marks, .. } => marks.iter().map(|m| both(&m.x, &m.y)).collect(),
        Layer::Level { y, .. } => vec![(None, Some(*y))],
        Layer::When { x, .. } => vec![(Some(*x), None)],
        Layer::Note { x, y, .. } => vec![both(x, y)],
    }
}

/// From the least to the greatest; something to draw on when there is nothing, or only one.
fn extent(values: impl Iterator<Item = f64>, air: f64, alone: f64) -> (f64, f64) {
    let values = values.filter(|v| v.is_finite());
    let (low, high) = values.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), v| {
        (low.min(v), high.max(v))
    });
    if low > high {
        return (0.0, 1.0);
    }
    let air = match high > low {
        true => (high - low) * air,
        false => alone,
    };
    (low - air, high + air)
}

fn domain_x(figure: &Figure) -> (f64, f64) {
    if let Axis::Names { names, .. } = &figure.x {
        return (-0.5, names.len().max(1) as f64 - 0.5);
    }
    let alone = match figure.x {
        Axis::Times { .. } => 1800.0,
        _ => 0.5,
    };
    let layers = figure.panels.iter().flat_map(|panel| &panel.layers);
    extent(layers.flat_map(reach).filter_map(|(x, _)| x), 0.02, alone)
}

fn domain_y(panel: &Panel) -> (f64, f64) {
    let values = panel.layers.iter().flat_map(reach).filter_map(|(_, y)| y);
    let asked = panel.range.into_iter().flat_map(|(low, high)| [low, high]);
    let (low, high) = extent(values.chain(asked), 0.06, 0.5);
    // What was asked for needs no air beyond it.
    match panel.range {
        Some((least, most)) => {
            let keep = |edge: f64, asked: f64, air: f64| match (edge - asked).abs() <= air {
                true => asked,
                false => edge,
            };
            let air = (high - low) * 0.06;
            (keep(low, least, air), keep(high, most, air))
        }
        None => (low, high),
    }
}

/// How words are set.
#[derive(Clone, Copy)]
struct Style {
    size: f64,
    anchor: Anchor,
    bold: bool,
    ink: Ink,
}

impl Style {
    const TITLE: Self = Self {
        size: TITLE,
        anchor: Anchor::Start,
        bold: true,
        ink: Ink::Ink,
    };
    const TEXT: Self = Self {
        size: TEXT,
        bold: false,
        ..Self::TITLE
    };
    const SMALL: Self = Self {
        size: SMALL,
        ..Self::TEXT
    };

    const fn ink(self, ink: Ink) -> Self {
        Self { ink, ..self }
    }

    const fn anchor(self, anchor: Anchor) -> Self {
        Self { anchor, ..self }
    }

    const fn bold(self) -> Self {
        Self { bold: true, ..self }
    }
}

impl Canvas {
    fn rectangle(&mut self, [left, top, right, bottom]: Taken, fill: Ink) {
        self.shapes.push(Shape::Path {
            steps: vec![
                Step::Move(left, top),
                Step::Line(right, top),
                Step::Line(right, bottom),
                Step::Line(left, bottom),
                Step::Close,
            ],
            fill: Some(fill),
            pen: None,
        });
    }

    fn stroke(&mut self, from: (f64, f64), to: (f64, f64), ink: Ink, thick: f64, stroke: Stroke) {
        self.shapes.push(Shape::Path {
            steps: vec![Step::Move(from.0, from.1), Step::Line(to.0, to.1)],
            fill: None,
            pen: Some(Pen {
                ink,
                width: thick,
                stroke,
            }),
        });
    }

    fn words(&mut self, x: f64, y: f64, text: &str, style: Style) {
        self.shapes.push(Shape::Words(Words {
            x,
            y,
            size: style.size,
            anchor: style.anchor,
            bold: style.bold,
            upright: false,
            ink: style.ink,
            text: text.to_owned(),
        }));
    }

    /// A panel with its grid, its layers, and the words beside it.
    fn panel(&mut self, panel: &Panel, frame: &Frame, ticks: &[Tick], edge: f64) {
        let bands = |layer: &&Layer| matches!(layer, Layer::Band { .. });
        for band in panel.layers.iter().filter(bands) {
            self.layer(band, frame);
        }
        let rows = ((frame.bottom - frame.top) / ROW) as usize;
        for tick in numbers(frame.y.0, frame.y.1, rows.clamp(2, 8)) {
            let y = frame.y(tick.at);
            let (from, to) = ((frame.left, y), (frame.right, y));
            self.stroke(from, to, Ink::Grid, 1.0, Stroke::Solid);
            let style = Style::SMALL.anchor(Anchor::End).ink(Ink::Soft);
            self.words(frame.left - 8.0, y + SMALL * 0.35, &tick.text, style);
        }
        for tick in ticks {
            let x = frame.x(tick.at);
            let (from, to) = ((x, frame.bottom), (x, frame.bottom + 6.0));
            self.stroke(from, to, Ink::Soft, 1.0, Stroke::Solid);
        }
        let corner = (frame.left, frame.bottom);
        self.stroke(
            (frame.left, frame.top),
            corner,
            Ink::Soft,
            1.0,
            Stroke::Solid,
        );
        self.stroke(
            corner,
            (frame.right, frame.bottom),
            Ink::Soft,
            1.0,
            Stroke::Solid,
        );
        self.shapes.push(Shape::Words(Words {
            x: EDGE + TEXT,
            y: (frame.top + frame.bottom) / 2.0,
            size: TEXT,
            anchor: Anchor::Middle,
            bold: false,
            upright: true,
            ink: Ink::Ink,
            text: panel.label.clone(),
        }));
        self.key(panel, frame);
        self.taken.clear();
        for layer in panel.layers.iter().filter(|layer| !bands(layer)) {
            self.layer(layer, frame);
            self.keep_clear(layer, frame);
        }
        // Words last, so that nothing is drawn over them.
        for layer in &panel.layers {
            self.words_of(layer, frame);
        }
        self.beside(panel, frame, edge);
    }

    /// The marks under the last panel.
    fn foot(&mut self, frame: &Frame, ticks: &[Tick], x: &Axis) {
        let line = SMALL * LEADING;
        let mut below = frame.bottom + 8.0 + SMALL;
        let style = Style::SMALL.anchor(Anchor::Middle).ink(Ink::Soft);
        for tick in ticks {
            self.words(frame.x(tick.at), below, &tick.text, style);
            if let Some(text) = &tick.below {
                self.words(frame.x(tick.at), below + line, text, style);
            }
        }
        if ticks.iter().any(|tick| tick.below.is_some()) {
            below += line;
        }
        if !x.label().is_empty() {
            let middle = (frame.left + frame.right) / 2.0;
            let style = Style::TEXT.anchor(Anchor::Middle);
            self.words(middle, below + line, x.label(), style);
        }
    }

    /// The names of lines, levels and bands, at their right ends.
    fn beside(&mut self, panel: &Panel, frame: &Frame, edge: f64) {
        let from = frame.right + 14.0;
        let line = SMALL * LEADING;
        let mut labels: Vec<Beside> = panel
            .layers
            .iter()
            .filter_map(|layer| {
                let text = beside_text(layer)?;
                let (x, y, ink) = layers::end(layer, frame.x.1)?;
                Some(Beside {
                    end: (frame.x(x), frame.y(y)),
                    lines: wrapped(text, edge - from, |t| width(t, SMALL)),
                    ink,
                })
            })
            .collect();
        labels.sort_by(|a, b| a.end.1.total_cmp(&b.end.1));
        let wanted: Vec<_> = labels
            .iter()
            .map(|label| (label.end.1, line * label.lines.len() as f64))
            .collect();
        let top = frame.top - SMALL * 0.5;
        let middles = apart(&wanted, top, frame.bottom + SMALL * 0.5);
        for ((label, middle), (_, height)) in labels.iter().zip(middles).zip(&wanted) {
            let reach = (frame.right + 12.0, middle);
            let shifted = (middle - label.end.1).abs() > 2.0;
            if shifted || label.end.0 < frame.right - 1.0 {
                let begin = (label.end.0.max(frame.left), label.end.1);
                self.stroke(begin, reach, Ink::Soft, 0.75, Stroke::Dotted);
            }
            let mut y = middle - height / 2.0 + SMALL;
            for words in &label.lines {
                self.words(from, y, words, Style::SMALL.ink(label.ink));
                y += line;
            }
        }
    }
}
