//! Many cards on A4 pages, with lines to cut along.

use crate::text::{self, Align, Piece, Style};
use crate::{Dpi, Drawing, LabelError, Slot, font::Face};

/// A4, in millimetres.
const A4_MM: [f32; 2] = [210.0, 297.0];
/// Kept white on every side: what an office printer cannot print on.
const MARGIN_MM: f32 = 7.0;
/// The line at the top that says what the sheet is.
const HEAD_MM: f32 = 6.0;
/// Length of the marks to cut along, in millimetres.
const MARK_MM: f32 = 3.0;

/// Cards of one size on as many A4 pages as they take, at 300 dots an inch.
///
/// # Errors
/// [`LabelError`] when a card is larger than a page.
pub fn sheet(title: &str, cards: &[Drawing]) -> Result<Vec<Drawing>, LabelError> {
    let dpi = Dpi::D300;
    let Some(first) = cards.first() else {
        return Ok(Vec::new());
    };
    let page = Slot::mm(dpi, [0.0, 0.0, A4_MM[0], A4_MM[1]]);
    let dots = |mm: f32| dpi.dots(mm).round() as u32;
    let (margin, head) = (dots(MARGIN_MM), dots(HEAD_MM));
    let columns = (page.width - 2 * margin) / first.width;
    let rows = (page.height - 2 * margin - head) / first.height;
    let alike =
        |card: &Drawing| (card.width, card.height, card.dpi) == (first.width, first.height, dpi);
    if columns * rows == 0 || !cards.iter().all(alike) {
        let message = "the cards of a sheet are of one size, and at least one fits an A4 page";
        return Err(LabelError::Draw(message.to_owned()));
    }
    let left = (page.width - columns * first.width) / 2;
    let top = margin + head + (page.height - 2 * margin - head - rows * first.height) / 2;
    let mut pages = Vec::new();
    let on_one = (columns * rows) as usize;
    let count = cards.len().div_ceil(on_one);
    for (nth, some) in cards.chunks(on_one).enumerate() {
        let mut drawing = Drawing::blank(page.width, page.height, dpi);
        let words = format!("{title} – page {} of {count}", nth + 1);
        let heading = Slot {
            x: left,
            y: margin,
            width: columns * first.width,
            height: head,
        };
        head_line(&mut drawing, words, heading)?;
        for (card, place) in some.iter().zip(0..) {
            let (column, row) = (place % columns, place / columns);
            let (x, y) = (left + column * first.width, top + row * first.height);
            drawing.place(card, x, y);
        }
        for column in 0..=columns {
            for row in 0..=rows {
                let (x, y) = (left + column * first.width, top + row * first.height);
                cut_mark(&mut drawing, x, y, dots(MARK_MM));
            }
        }
        pages.push(drawing);
    }
    Ok(pages)
}

fn head_line(drawing: &mut Drawing, words: String, slot: Slot) -> Result<(), LabelError> {
    let style = Style {
        white: false,
        align: Align::Left,
        lines: 1,
        largest: drawing.dpi.dots(3.4),
        smallest: drawing.dpi.dots(2.0),
    };
    let piece = Piece {
        text: words,
        face: Face::Regular,
    };
    text::set(drawing, &[piece], style, slot)
}

/// A thin cross where corners meet.
fn cut_mark(drawing: &mut Drawing, x: u32, y: u32, length: u32) {
    let half = length / 2;
    let (left, top) = (x.saturating_sub(half), y.saturating_sub(half));
    let across = Slot {
        x: left,
        y,
        width: length,
        height: 1,
    };
    let down = Slot {
        x,
        y: top,
        width: 1,
        height: length,
    };
    drawing.bar(across, true);
    drawing.bar(down, true);
}
