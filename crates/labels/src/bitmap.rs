//! From the drawing to printer dots.

use ab_glyph_rasterizer::{Point, Rasterizer, point};

use crate::drawing::{Run, Shape};
use crate::font::Step;
use crate::{Dpi, Drawing, LabelError, Slot};

/// A label as the printer burns it: one bit a dot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bitmap {
    width: u32,
    height: u32,
    dpi: Dpi,
    /// PNG's own order: rows of whole bytes, leftmost dot in the high bit, 1 is white.
    rows: Vec<u8>,
}

/// A dot is black when at least this much of it is covered.
const HALF: f32 = 0.5;

impl Drawing {
    /// The label in printer dots.
    #[must_use]
    pub fn bitmap(&self) -> Bitmap {
        let mut bitmap = Bitmap {
            width: self.width,
            height: self.height,
            dpi: self.dpi,
            rows: vec![0xff; self.width.div_ceil(8) as usize * self.height as usize],
        };
        let mut rasterizer = Rasterizer::new(0, 0);
        for shape in &self.shapes {
            match shape {
                Shape::Bar { slot, black } => bitmap.fill(*slot, *black),
                Shape::Letters(run) => bitmap.letters(run, &mut rasterizer),
            }
        }
        bitmap
    }
}

impl Bitmap {
    /// Width in dots.
    #[must_use]
    pub const fn width(&self) -> u32 {
        self.width
    }

    /// Height in dots.
    #[must_use]
    pub const fn height(&self) -> u32 {
        self.height
    }

    /// The resolution it was laid out for.
    #[must_use]
    pub const fn dpi(&self) -> Dpi {
        self.dpi
    }

    /// Rows of whole bytes, leftmost dot in the high bit, 1 is white.
    pub(crate) fn rows(&self) -> impl Iterator<Item = &[u8]> {
        self.rows
            .chunks_exact(self.width.div_ceil(8).max(1) as usize)
    }

    /// Whether the dot is burnt. Outside the label nothing is.
    #[must_use]
    pub fn is_black(&self, x: u32, y: u32) -> bool {
        self.at(x, y)
            .and_then(|(byte, bit)| self.rows.get(byte).map(|dots| dots & bit == 0))
            .unwrap_or(false)
    }

    fn at(&self, x: u32, y: u32) -> Option<(usize, u8)> {
        let inside = x < self.width && y < self.height;
        inside.then(|| {
            let byte = y as usize * self.width.div_ceil(8) as usize + (x / 8) as usize;
            (byte, 0x80 >> (x % 8))
        })
    }

    fn set(&mut self, x: u32, y: u32, black: bool) {
        if let Some((byte, bit)) = self.at(x, y)
            && let Some(dots) = self.rows.get_mut(byte)
        {
            *dots = if black { *dots & !bit } else { *dots | bit };
        }
    }

    fn fill(&mut self, slot: Slot, black: bool) {
        let right = (slot.x + slot.width).min(self.width);
        let bottom = (slot.y + slot.height).min(self.height);
        let stride = self.width.div_ceil(8) as usize;
        for y in slot.y..bottom {
            let row = y as usize * stride;
            let mut x = slot.x;
            while x < right {
                let last = (x | 7).min(right - 1);
                let mask = (0xff_u8 >> (x % 8)) & (0xff_u8 << (7 - last % 8));
                if let Some(dots) = self.rows.get_mut(row + (x / 8) as usize) {
                    *dots = if black { *dots & !mask } else { *dots | mask };
                }
                x = last + 1;
            }
        }
    }

    fn letters(&mut self, run: &Run, rasterizer: &mut Rasterizer) {
        let Some(font) = run.face.font() else {
            return;
        };
        for placed in &run.glyphs {
            let outline = font.outline(placed.glyph);
            let Some([left, bottom, right, top]) = outline.ink else {
                continue;
            };
            // The glyph's own small window, in whole dots.
            let x = run.x + placed.x * run.size;
            let y = run.y - placed.y * run.size;
            let (from_x, from_y) = ((x + left * run.size).floor(), (y - top * run.size).floor());
            let width = (x + right * run.size).ceil() - from_x + 1.0;
            let height = (y - bottom * run.size).ceil() - from_y + 1.0;
            if from_x < 0.0 || from_y < 0.0 || width < 1.0 || height < 1.0 {
                continue; // outside every label
            }
            let (width, height) = (width as usize, height as usize);
            rasterizer.reset(width, height);
            let at =
                |ex: f32, ey: f32| point(x + ex * run.size - from_x, y - ey * run.size - from_y);
            draw(rasterizer, &outline.steps, at);
            let (from_x, from_y) = (from_x as u32, from_y as u32);
            rasterizer.for_each_pixel_2d(|column, row, covered| {
                if covered >= HALF {
                    self.set(from_x + column, from_y + row, run.black);
                }
            });
        }
    }

    /// A 1-bit PNG that carries its physical size.
    ///
    /// # Errors
    /// [`LabelError::Draw`] when the encoder refuses, which a bitmap made here never causes.
    pub fn png(&self) -> Result<Vec<u8>, LabelError> {
        let refused = |error: png::EncodingError| LabelError::Draw(error.to_string());
        let mut file = Vec::new();
        let mut encoder = png::Encoder::new(&mut file, self.width, self.height);
        encoder.set_color(png::ColorType::Grayscale);
        encoder.set_depth(png::BitDepth::One);
        encoder.set_compression(png::Compression::Fast);
        encoder.set_pixel_dims(Some(png::PixelDimensions {
            xppu: self.dpi.per_metre(),
            yppu: self.dpi.per_metre(),
            unit: png::Unit::Meter,
        }));
        let mut writer = encoder.write_header().map_err(refused)?;
        writer.write_image_data(&self.rows).map_err(refused)?;
        writer.finish().map_err(refused)?;
        Ok(file)
    }
}

fn draw(rasterizer: &mut Rasterizer, steps: &[Step], at: impl Fn(f32, f32) -> Point) {
    let (mut start, mut here) = (at(0.0, 0.0), at(0.0, 0.0));
    for step in steps {
        match *step {
            Step::Move(x, y) => {
                start = at(x, y);
                here = start;
            }
            Step::Line(x, y) => {
                let to = at(x, y);
                rasterizer.draw_line(here, to);
                here = to;
            }
            Step::Curve(cx, cy, x, y) => {
                let to = at(x, y);
                rasterizer.draw_quad(here, at(cx, cy), to);
                here = to;
            }
            Step::Close => {
                rasterizer.draw_line(here, start);
                here = start;
            }
        }
    }
}
