//! A chart as shapes, for whatever draws them.

/// Shapes, the first at the bottom, in pixels from the upper left corner.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// Width.
    pub width: f64,
    /// Height.
    pub height: f64,
    /// The shapes.
    pub shapes: Vec<Shape>,
}

/// A shape.
#[derive(Debug, Clone, PartialEq)]
pub enum Shape {
    /// Joined straight lines.
    Path {
        /// The lines.
        steps: Vec<Step>,
        /// What fills the area inside.
        fill: Option<Ink>,
        /// What draws the lines.
        pen: Option<Pen>,
    },
    /// A circle.
    Circle {
        /// Its middle.
        x: f64,
        /// Its middle.
        y: f64,
        /// Its radius.
        r: f64,
        /// What fills it.
        fill: Option<Ink>,
        /// What draws its rim.
        pen: Option<Pen>,
    },
    /// Words on one line.
    Words(Words),
}

/// A step of a path.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Step {
    /// Lift the pen and go there.
    Move(f64, f64),
    /// Draw a straight line.
    Line(f64, f64),
    /// Back to where the pen was last set down.
    Close,
}

/// Words on one line.
#[derive(Debug, Clone, PartialEq)]
pub struct Words {
    /// Where the anchor is.
    pub x: f64,
    /// The line they stand on.
    pub y: f64,
    /// Height of the letters' em.
    pub size: f64,
    /// Which end of them is at `x`.
    pub anchor: Anchor,
    /// Whether they are bold.
    pub bold: bool,
    /// Whether they run upwards.
    pub upright: bool,
    /// Their colour.
    pub ink: Ink,
    /// The words.
    pub text: String,
}

/// Which part of the words is at their place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Anchor {
    /// Their beginning.
    Start,
    /// Their middle.
    Middle,
    /// Their end.
    End,
}

/// How a line is drawn.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pen {
    /// Its colour.
    pub ink: Ink,
    /// Its width.
    pub width: f64,
    /// Its dashes.
    pub stroke: Stroke,
}

/// Dashes: what tells lines apart without colour.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stroke {
    /// None.
    Solid,
    /// Long dashes.
    Dashed,
    /// Dots.
    Dotted,
    /// Dash and dot.
    DashDot,
}

impl Stroke {
    /// Lengths of line and gap, in pixels.
    #[must_use]
    pub const fn pattern(self) -> &'static [f64] {
        match self {
            Self::Solid => &[],
            Self::Dashed => &[10.0, 6.0],
            Self::Dotted => &[2.0, 5.0],
            Self::DashDot => &[12.0, 5.0, 2.0, 5.0],
        }
    }
}

/// A colour, by its part in a chart. On paper all are told apart by their darkness too.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Ink {
    /// The paper itself.
    Paper,
    /// Words and the main line.
    Ink,
    /// Axes and lesser words.
    Soft,
    /// Grid lines.
    Grid,
    /// The first of several lines.
    First,
    /// The second.
    Second,
    /// The third.
    Third,
    /// What someone should look at.
    Warn,
    /// The lightest band.
    Wash1,
    /// The middle band.
    Wash2,
    /// The darkest band.
    Wash3,
}

impl Ink {
    /// Every colour.
    pub const ALL: [Self; 11] = [
        Self::Paper,
        Self::Ink,
        Self::Soft,
        Self::Grid,
        Self::First,
        Self::Second,
        Self::Third,
        Self::Warn,
        Self::Wash1,
        Self::Wash2,
        Self::Wash3,
    ];

    /// Its name in style sheets.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Paper => "paper",
            Self::Ink => "ink",
            Self::Soft => "soft",
            Self::Grid => "grid",
            Self::First => "first",
            Self::Second => "second",
            Self::Third => "third",
            Self::Warn => "warn",
            Self::Wash1 => "wash1",
            Self::Wash2 => "wash2",
            Self::Wash3 => "wash3",
        }
    }

    /// Red, green and blue as printed.
    #[must_use]
    pub const fn rgb(self) -> [u8; 3] {
        match self {
            Self::Paper => [0xff, 0xff, 0xff],
            Self::Ink => [0x14, 0x20, 0x1f],
            Self::Soft => [0x51, 0x60, 0x5e],
            Self::Grid => [0xdd, 0xda, 0xd0],
            Self::First => [0x1b, 0x5d, 0x77],
            Self::Second => [0x8a, 0x5a, 0x00],
            Self::Third => [0x6b, 0x3f, 0xa0],
            Self::Warn => [0xb3, 0x21, 0x1a],
            Self::Wash1 => [0xe6, 0xef, 0xf3],
            Self::Wash2 => [0xc6, 0xdb, 0xe4],
            Self::Wash3 => [0x9c, 0xc0, 0xcf],
        }
    }
}
