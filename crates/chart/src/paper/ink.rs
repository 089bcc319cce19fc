//! Shapes and words in a PDF page's own terms.

use pdf_writer::{Content, Name, Str};

use crate::text::helvetica;
use crate::{Anchor, Drawing, Ink, Pen, Shape, Step, Words};

pub(super) const REGULAR: Name<'_> = Name(b"R");
pub(super) const BOLD: Name<'_> = Name(b"B");

/// Helvetica-Bold is wider than Helvetica by about this much.
const BOLDER: f32 = 1.07;

/// Where a quarter circle's handles stand, in radii: 4/3 · (√2 − 1).
const ROUND: f32 = 0.552_285;

/// Width of words as Helvetica sets them.
pub(super) fn width(text: &str, size: f32, bold: bool) -> f32 {
    helvetica(text, f64::from(size)) as f32 * if bold { BOLDER } else { 1.0 }
}

/// Words on one line, from the left.
pub(super) fn show(
    content: &mut Content,
    [x, y]: [f32; 2],
    size: f32,
    bold: bool,
    ink: Ink,
    text: &str,
) {
    fill(content, ink);
    content
        .begin_text()
        .set_font(if bold { BOLD } else { REGULAR }, size)
        .next_line(x, y)
        .show(Str(&latin(text)))
        .end_text();
    fill(content, Ink::Ink);
}

/// A chart whose upper left corner is at a place, at so many points a pixel.
pub(super) fn draw(content: &mut Content, drawing: &Drawing, [x, y]: [f32; 2], scale: f32) {
    content.save_state();
    // Charts count from the top down.
    content.transform([scale, 0.0, 0.0, -scale, x, y]);
    for shape in &drawing.shapes {
        match shape {
            Shape::Path {
                steps,
                fill: area,
                pen,
            } => {
                for step in steps {
                    match *step {
                        Step::Move(x, y) => content.move_to(x as f32, y as f32),
                        Step::Line(x, y) => content.line_to(x as f32, y as f32),
                        Step::Close => content.close_path(),
                    };
                }
                paint(content, *area, pen.as_ref());
            }
            Shape::Circle {
                x,
                y,
                r,
                fill: area,
                pen,
            } => {
                circle(content, *x as f32, *y as f32, *r as f32);
                paint(content, *area, pen.as_ref());
            }
            Shape::Words(words) => set(content, words),
        }
    }
    content.restore_state();
}

fn circle(content: &mut Content, x: f32, y: f32, r: f32) {
    let h = r * ROUND;
    content
        .move_to(x + r, y)
        .cubic_to(x + r, y + h, x + h, y + r, x, y + r)
        .cubic_to(x - h, y + r, x - r, y + h, x - r, y)
        .cubic_to(x - r, y - h, x - h, y - r, x, y - r)
        .cubic_to(x + h, y - r, x + r, y - h, x + r, y)
        .close_path();
}

fn paint(content: &mut Content, area: Option<Ink>, pen: Option<&Pen>) {
    if let Some(ink) = area {
        fill(content, ink);
    }
    if let Some(pen) = pen {
        let [r, g, b] = part(pen.ink);
        let dashes = pen.stroke.pattern().iter().map(|d| *d as f32);
        content
            .set_stroke_rgb(r, g, b)
            .set_line_width(pen.width as f32)
            .set_dash_pattern(dashes, 0.0);
    }
    match (area, pen) {
        (Some(_), Some(_)) => content.fill_nonzero_and_stroke(),
        (Some(_), None) => content.fill_nonzero(),
        (None, Some(_)) => content.stroke(),
        (None, None) => content.end_path(),
    };
}

fn set(content: &mut Content, words: &Words) {
    let wide = f64::from(width(&words.text, words.size as f32, words.bold));
    let back = match words.anchor {
        Anchor::Start => 0.0,
        Anchor::Middle => wide / 2.0,
        Anchor::End => wide,
    };
    // Down is positive here: letters are turned over to stand upright.
    let matrix = match words.upright {
        true => [
            0.0,
            -1.0,
            -1.0,
            0.0,
            words.x as f32,
            (words.y + back) as f32,
        ],
        false => [1.0, 0.0, 0.0, -1.0, (words.x - back) as f32, words.y as f32],
    };
    fill(content, words.ink);
    content
        .begin_text()
        .set_font(if words.bold { BOLD } else { REGULAR }, words.size as f32)
        .set_text_matrix(matrix)
        .show(Str(&latin(&words.text)))
        .end_text();
}

fn fill(content: &mut Content, ink: Ink) {
    let [r, g, b] = part(ink);
    content.set_fill_rgb(r, g, b);
}

fn part(ink: Ink) -> [f32; 3] {
    ink.rgb().map(|part| f32::from(part) / 255.0)
}

/// Windows Latin-1.
fn latin(text: &str) -> Vec<u8> {
    let byte = |c: char| match c {
        ' '..='~' | '\u{a0}'..='\u{ff}' => u8::try_from(u32::from(c)).unwrap_or(b'?'),
        '€' => 0x80,
        '…' => 0x85,
        '‘' => 0x91,
        '’' => 0x92,
        '“' => 0x93,
        '”' => 0x94,
        '•' => 0x95,
        '–' => 0x96,
        '—' => 0x97,
        _ => b'?',
    };
    text.chars().map(byte).collect()
}
