//! A label as shapes in whole printer dots: what the raster and the PDF are made from.

use crate::font::Face;
use crate::{Dpi, Slot};

/// A label or a page, laid out for one printer resolution.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// Width in dots.
    pub width: u32,
    /// Height in dots.
    pub height: u32,
    /// The resolution it is laid out for.
    pub dpi: Dpi,
    pub(crate) shapes: Vec<Shape>,
}

/// Something drawn; later shapes lie over earlier ones.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Shape {
    /// A filled rectangle.
    Bar { slot: Slot, black: bool },
    /// Letters on one baseline.
    Letters(Run),
}

/// Letters of one face and size on one baseline.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Run {
    pub face: Face,
    /// Dots of em.
    pub size: f32,
    /// Where the baseline begins, in dots from the top left corner.
    pub x: f32,
    pub y: f32,
    pub black: bool,
    /// Each glyph with its offset from the beginning, in ems, up being positive.
    pub glyphs: Vec<Placed>,
    /// What it says, for people who search a PDF.
    pub words: String,
}

/// A glyph at its place in a run.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Placed {
    pub glyph: u16,
    pub x: f32,
    pub y: f32,
    /// The byte of the run's words that it begins with.
    pub from: usize,
}

impl Drawing {
    pub(crate) const fn blank(width: u32, height: u32, dpi: Dpi) -> Self {
        Self {
            width,
            height,
            dpi,
            shapes: Vec::new(),
        }
    }

    /// Width and height in millimetres.
    #[must_use]
    pub fn size_mm(&self) -> (f32, f32) {
        let mm = |dots: u32| self.dpi.millimetres(dots as f32);
        (mm(self.width), mm(self.height))
    }

    /// Everything it says, in the order of drawing: one line a run of letters.
    #[must_use]
    pub fn words(&self) -> Vec<&str> {
        self.shapes
            .iter()
            .filter_map(|shape| match shape {
                Shape::Letters(run) => Some(run.words.as_str()),
                Shape::Bar { .. } => None,
            })
            .collect()
    }

    pub(crate) fn bar(&mut self, slot: Slot, black: bool) {
        self.shapes.push(Shape::Bar { slot, black });
    }

    /// A frame of lines as thick as `line`, inside the slot.
    pub(crate) fn frame(&mut self, slot: Slot, line: u32) {
        self.bar(slot, true);
        self.bar(slot.inset(line, line), false);
    }

    /// Puts another drawing of the same resolution on this one, its corner at `left`, `top`.
    pub(crate) fn place(&mut self, other: &Self, left: u32, top: u32) {
        self.shapes
            .extend(other.shapes.iter().map(|shape| match shape {
                Shape::Bar { slot, black } => Shape::Bar {
                    slot: Slot {
                        x: slot.x + left,
                        y: slot.y + top,
                        ..*slot
                    },
                    black: *black,
                },
                Shape::Letters(run) => Shape::Letters(Run {
                    x: run.x + left as f32,
                    y: run.y + top as f32,
                    ..run.clone()
                }),
            }));
    }
}
