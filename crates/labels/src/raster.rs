//! From the drawing to printer dots.

use resvg::tiny_skia::{Color, Pixmap, Transform};
use resvg::usvg::Tree;

use crate::{Dpi, LabelError};

/// A label as the printer burns it: one bit a dot.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bitmap {
    width: u32,
    height: u32,
    dpi: Dpi,
    /// PNG's own order: rows of whole bytes, leftmost dot in the high bit, 1 is white.
    rows: Vec<u8>,
}

/// Grey darker than this becomes a black dot.
const HALF: u8 = 128;

impl Bitmap {
    pub(crate) fn draw(tree: &Tree, width: u32, height: u32, dpi: Dpi) -> Result<Self, LabelError> {
        let mut page = Pixmap::new(width, height)
            .ok_or_else(|| LabelError::Draw(format!("{width} by {height} dots")))?;
        page.fill(Color::WHITE);
        resvg::render(tree, Transform::identity(), &mut page.as_mut());

        let stride = width.div_ceil(8) as usize;
        let mut rows = vec![0xff_u8; stride * height as usize];
        let lines = page.pixels().chunks_exact(width as usize);
        for (row, line) in rows.chunks_exact_mut(stride).zip(lines) {
            for (bits, dots) in row.iter_mut().zip(line.chunks(8)) {
                for (place, dot) in dots.iter().enumerate() {
                    // Only black and white are drawn, so any one channel is the grey.
                    if dot.green() < HALF {
                        *bits &= !(0x80 >> place);
                    }
                }
            }
        }
        Ok(Self {
            width,
            height,
            dpi,
            rows,
        })
    }

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

    /// Whether the dot is burnt. Outside the label nothing is.
    #[must_use]
    pub fn is_black(&self, x: u32, y: u32) -> bool {
        if x >= self.width {
            return false;
        }
        let at = y as usize * self.width.div_ceil(8) as usize + (x / 8) as usize;
        self.rows
            .get(at)
            .is_some_and(|bits| bits & (0x80 >> (x % 8)) == 0)
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
