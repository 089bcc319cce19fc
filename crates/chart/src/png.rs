//! A chart as pixels.

use std::sync::{Arc, OnceLock};

use resvg::tiny_skia::{Pixmap, Transform};
use resvg::usvg::{Options, Tree, fontdb};

use crate::Figure;

/// The letters that labels are printed with, so that a picture looks the same on every
/// machine.
const LETTERS: [&[u8]; 2] = [
    include_bytes!("../../labels/fonts/DejaVuSans.ttf"),
    include_bytes!("../../labels/fonts/DejaVuSans-Bold.ttf"),
];

/// Why there is no picture.
#[derive(Debug, thiserror::Error)]
pub enum PngError {
    /// The size is nothing, or more than a picture may have.
    #[error("a picture of {0} by {1} pixels cannot be made: choose another size")]
    Size(f64, f64),
    /// Reported by the renderer; a defect, not an input.
    #[error("the chart could not be drawn as pixels: {0}")]
    Drawing(String),
}

impl Figure {
    /// The chart as a PNG picture, `scale` pixels to each of its own: 1 for a screen, 3 for
    /// print.
    ///
    /// # Errors
    /// [`PngError`].
    pub fn png(&self, scale: f64) -> Result<Vec<u8>, PngError> {
        if !(self.width > 0.0 && self.height > 0.0) {
            return Err(PngError::Size(self.width * scale, self.height * scale));
        }
        png_of(&self.svg(), scale)
    }
}

/// A figure that was drawn elsewhere, as a PNG picture: see [`Figure::png`].
///
/// # Errors
/// [`PngError`].
pub fn png_of(svg: &str, scale: f64) -> Result<Vec<u8>, PngError> {
    let options = Options {
        fontdb: letters(),
        font_family: "DejaVu Sans".to_owned(),
        ..Options::default()
    };
    let tree =
        Tree::from_str(svg, &options).map_err(|error| PngError::Drawing(error.to_string()))?;
    let size = tree.size();
    let (wide, high) = (
        f64::from(size.width()) * scale,
        f64::from(size.height()) * scale,
    );
    let refused = || PngError::Size(wide, high);
    if !(wide >= 1.0 && high >= 1.0 && wide <= 20_000.0 && high <= 20_000.0) {
        return Err(refused());
    }
    let mut pixels = Pixmap::new(wide.round() as u32, high.round() as u32).ok_or_else(refused)?;
    let zoom = Transform::from_scale(scale as f32, scale as f32);
    resvg::render(&tree, zoom, &mut pixels.as_mut());
    pixels
        .encode_png()
        .map_err(|error| PngError::Drawing(error.to_string()))
}

fn letters() -> Arc<fontdb::Database> {
    static READ: OnceLock<Arc<fontdb::Database>> = OnceLock::new();
    let read = || {
        let mut fonts = fontdb::Database::new();
        for face in LETTERS {
            fonts.load_font_data(face.to_vec());
        }
        Arc::new(fonts)
    };
    READ.get_or_init(read).clone()
}
