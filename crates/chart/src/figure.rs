//! A chart as data: one horizontal axis, one panel or several above each other.

use crate::{Axis, Drawing, Ink, Stroke, layout, svg};

/// A chart.
///
/// Horizontal places are numbers: seconds since 1970 for [`Axis::Times`] (see [`crate::at`]),
/// 0, 1, 2 … for [`Axis::Names`]. A point whose place or value is not finite is left out, and
/// a line is broken there.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// What it shows, in a few words; printed above it.
    pub title: String,
    /// What there is to see in it, in a sentence or two: printed below the title, and read
    /// out to those who cannot see the chart.
    pub says: String,
    /// The horizontal axis, shared by all panels.
    pub x: Axis,
    /// From the top down.
    pub panels: Vec<Panel>,
    /// Width in pixels, of which a screen shows 96 to the inch.
    pub width: f64,
    /// Height in pixels.
    pub height: f64,
}

/// One vertical axis and what is drawn against it.
#[derive(Debug, Clone, PartialEq)]
pub struct Panel {
    /// The quantity and its unit.
    pub label: String,
    /// Values that are shown at the least; what is drawn widens it.
    pub range: Option<(f64, f64)>,
    /// How much of the height it takes, beside the other panels.
    pub share: f64,
    /// What is drawn, the first at the bottom; bands lie below everything else.
    pub layers: Vec<Layer>,
}

/// One thing that is drawn.
#[derive(Debug, Clone, PartialEq)]
pub enum Layer {
    /// The area between two lines.
    Band {
        /// Place, lower and upper value.
        points: Vec<(f64, f64, f64)>,
        /// How dark: a wash from 1 (light) to 3.
        wash: u8,
        /// Its name, beside its upper edge.
        label: Option<String>,
    },
    /// A line through points.
    Line {
        /// Place and value.
        points: Vec<(f64, f64)>,
        /// How it looks.
        line: Line,
        /// Its name, at its end.
        label: Option<String>,
    },
    /// A line that keeps each value until the next.
    Steps {
        /// Place and value.
        points: Vec<(f64, f64)>,
        /// How it looks.
        line: Line,
        /// Its name, at its end.
        label: Option<String>,
    },
    /// Points, not joined.
    Points {
        /// Where.
        marks: Vec<Mark>,
        /// Their shape.
        marker: Marker,
        /// Their colour.
        ink: Ink,
        /// Their name, above the panel.
        label: Option<String>,
    },
    /// A value that holds all along the axis: an aim, a limit.
    Level {
        /// The value.
        y: f64,
        /// How it looks.
        line: Line,
        /// Its name, at its end.
        label: Option<String>,
    },
    /// A moment or place: something happened there.
    When {
        /// The place.
        x: f64,
        /// What happened.
        label: String,
    },
    /// Words with a line to the point they are about.
    Note {
        /// The place.
        x: f64,
        /// The value.
        y: f64,
        /// The words.
        text: String,
    },
}

/// A point.
#[derive(Debug, Clone, PartialEq)]
pub struct Mark {
    /// Its place.
    pub x: f64,
    /// Its value.
    pub y: f64,
    /// A word or number above it.
    pub text: Option<String>,
}

impl Mark {
    /// A point without words.
    #[must_use]
    pub const fn new(x: f64, y: f64) -> Self {
        Self { x, y, text: None }
    }
}

/// How a line looks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Line {
    /// Its colour.
    pub ink: Ink,
    /// Its dashes.
    pub stroke: Stroke,
    /// Whether it is drawn thick.
    pub bold: bool,
}

impl Line {
    /// A thin line.
    #[must_use]
    pub const fn thin(ink: Ink, stroke: Stroke) -> Self {
        let bold = false;
        Self { ink, stroke, bold }
    }

    /// A thick line.
    #[must_use]
    pub const fn bold(ink: Ink, stroke: Stroke) -> Self {
        let bold = true;
        Self { ink, stroke, bold }
    }
}

/// The shape of a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Marker {
    /// A filled circle.
    Dot,
    /// A circle around what is there.
    Ring,
    /// A filled square.
    Square,
    /// A filled triangle.
    Triangle,
    /// A filled diamond.
    Diamond,
    /// Two crossed strokes.
    Cross,
}

impl Layer {
    /// Points without words.
    pub fn points(
        places: impl IntoIterator<Item = (f64, f64)>,
        marker: Marker,
        ink: Ink,
        label: Option<String>,
    ) -> Self {
        let marks = places.into_iter().map(|(x, y)| Mark::new(x, y)).collect();
        Self::Points {
            marks,
            marker,
            ink,
            label,
        }
    }

    /// A level with its name.
    pub fn level(y: f64, line: Line, label: impl Into<String>) -> Self {
        let label = Some(label.into());
        Self::Level { y, line, label }
    }
}

impl Figure {
    /// The usual size: as wide as a page of a report or of a screen.
    pub const SIZE: (f64, f64) = (960.0, 600.0);

    /// The chart as shapes.
    #[must_use]
    pub fn drawing(&self) -> Drawing {
        layout::draw(self)
    }

    /// The chart as an SVG element, to stand in a page or in a file by itself. Its colours
    /// are those of ink on paper until a page that carries [`crate::CSS`] says otherwise.
    #[must_use]
    pub fn svg(&self) -> String {
        svg::write(&self.drawing(), &self.title, &self.says)
    }
}
