//! Words that fit their place: measured, wrapped, shrunk to a least size, and refused below.

use crate::drawing::{Placed, Run, Shape};
use crate::font::{Face, Shaped};
use crate::{Drawing, LabelError, Slot};

/// Longest text looked at, in bytes: far more than any field of a label shows.
const LONGEST: usize = 2_000;

/// How one text is set.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Style {
    /// White on black.
    pub white: bool,
    /// Where in its slot a line stands.
    pub align: Align,
    /// Most lines to wrap into.
    pub lines: usize,
    /// Largest letters, in dots of em.
    pub largest: f32,
    /// Smallest letters, in dots of em.
    pub smallest: f32,
}

/// Where in its slot a line stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Align {
    #[default]
    Left,
    Centre,
    Right,
}

/// A part of a text in one face.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Piece {
    pub text: String,
    pub face: Face,
}

/// What is never parted: what stands between two spaces.
struct Word {
    parts: Vec<(String, Face, Shaped)>,
    advance: f32,
}

/// Words side by side, in ems.
struct Line<'w> {
    words: Vec<&'w Word>,
    left: f32,
    right: f32,
    above: f32,
    below: f32,
}

/// Sets the pieces inside the slot, as large as they fit.
///
/// # Errors
/// [`LabelError::DoesNotFit`] when they do not at the smallest size, and
/// [`LabelError::NoLetter`] for a character that the font does not have.
pub(crate) fn set(
    drawing: &mut Drawing,
    pieces: &[Piece],
    style: Style,
    slot: Slot,
) -> Result<(), LabelError> {
    let does_not_fit = || LabelError::DoesNotFit {
        words: pieces.iter().map(|piece| piece.text.as_str()).collect(),
        least_mm: drawing.dpi.millimetres(style.smallest),
    };
    if pieces.iter().map(|piece| piece.text.len()).sum::<usize>() > LONGEST {
        return Err(does_not_fit());
    }
    let words = words(pieces)?;
    if words.is_empty() {
        return Ok(());
    }
    let space = space(pieces);
    let fits = |size: f32| wrap(&words, space, style.lines, size, slot);
    let mut best = (style.largest, fits(style.largest));
    if best.1.is_none() {
        let (mut size, mut too_large) = (style.smallest, style.largest);
        best = (size, fits(size));
        // Sixteen halvings end far below what a dot shows.
        for _ in 0..16 {
            let between = f32::midpoint(size, too_large);
            match fits(between) {
                Some(lines) => {
                    size = between;
                    best = (between, Some(lines));
                }
                None => too_large = between,
            }
        }
    }
    let (size, Some(lines)) = best else {
        return Err(does_not_fit());
    };
    let height: f32 = lines.iter().map(|line| line.above + line.below).sum();
    let mut top = slot.y as f32 + (slot.height as f32 - height * size) / 2.0;
    for line in &lines {
        let spare = slot.width as f32 - (line.right - line.left) * size;
        let indent = match style.align {
            Align::Left => 0.0,
            Align::Centre => spare / 2.0,
            Align::Right => spare,
        };
        let x = slot.x as f32 + indent - line.left * size;
        let baseline = top + line.above * size;
        for (offset, mut run) in line.runs(space, size) {
            run.x = x + offset * size;
            run.y = baseline;
            run.black = !style.white;
            drawing.shapes.push(Shape::Letters(run));
        }
        top += (line.above + line.below) * size;
    }
    Ok(())
}

/// Greedy lines of words at a size; `None` when they do not fit the slot.
fn wrap<'w>(
    words: &'w [Word],
    space: f32,
    most: usize,
    size: f32,
    slot: Slot,
) -> Option<Vec<Line<'w>>> {
    let (width, mut height) = (slot.width as f32 / size, slot.height as f32 / size);
    let mut lines: Vec<Line<'w>> = Vec::new();
    for word in words {
        if let Some(line) = lines.last_mut()
            && let Some(longer) = line.with(word, space, width)
        {
            *line = longer;
            continue;
        }
        lines.push(Line::of(vec![word], space));
    }
    for line in &lines {
        height -= line.above + line.below;
    }
    let fit = lines.len() <= most.max(1)
        && height >= 0.0
        && lines.iter().all(|line| line.right - line.left <= width);
    fit.then_some(lines)
}

impl<'w> Line<'w> {
    fn of(words: Vec<&'w Word>, space: f32) -> Self {
        let mut line = Self {
            words: Vec::new(),
            left: 0.0,
            right: 0.0,
            above: 0.0,
            below: 0.0,
        };
        let mut at = 0.0;
        for (nth, word) in words.iter().enumerate() {
            if nth > 0 {
                at += space;
            }
            for (_, _, part) in &word.parts {
                line.left = line.left.min(at + part.left);
                line.right = line.right.max(at + part.right);
                line.above = line.above.max(part.above);
                line.below = line.below.max(part.below);
                at += part.advance;
            }
        }
        line.words = words;
        line
    }

    /// The line with one word more, if it is no longer than `width`.
    fn with(&self, word: &'w Word, space: f32, width: f32) -> Option<Self> {
        // A quick no before the exact measure.
        if self.right + word.advance > width + space {
            return None;
        }
        let mut words = self.words.clone();
        words.push(word);
        let longer = Self::of(words, space);
        (longer.right - longer.left <= width).then_some(longer)
    }

    /// Runs of one face each, with how far each begins after the line does, in ems.
    fn runs(&self, space: f32, size: f32) -> Vec<(f32, Run)> {
        let mut runs: Vec<(f32, Run)> = Vec::new();
        let mut at = 0.0;
        for (nth, word) in self.words.iter().enumerate() {
            if nth > 0 {
                at += space;
            }
            for (part_nth, (text, face, part)) in word.parts.iter().enumerate() {
                let gap = if nth > 0 && part_nth == 0 { " " } else { "" };
                if runs.last().is_none_or(|(_, run)| run.face != *face) {
                    let run = Run {
                        face: *face,
                        size,
                        x: 0.0,
                        y: 0.0,
                        black: true,
                        glyphs: Vec::new(),
                        words: String::new(),
                    };
                    runs.push((at, run));
                } else if let Some((_, run)) = runs.last_mut() {
                    run.words += gap;
                }
                if let Some((start, run)) = runs.last_mut() {
                    let from = run.words.len();
                    run.glyphs.extend(part.glyphs.iter().map(|glyph| Placed {
                        x: glyph.x + at - *start,
                        from: glyph.from + from,
                        ..*glyph
                    }));
                    run.words += text;
                }
                at += part.advance;
            }
        }
        runs
    }
}

fn space(pieces: &[Piece]) -> f32 {
    let face = pieces.first().map_or(Face::Regular, |piece| piece.face);
    face.font().map_or(0.3, |font| font.shape(" ").advance)
}

fn words(pieces: &[Piece]) -> Result<Vec<Word>, LabelError> {
    let mut words: Vec<Word> = Vec::new();
    let mut joined = false;
    for piece in pieces {
        let font = piece
            .face
            .font()
            .ok_or_else(|| LabelError::Draw("the label's own font is damaged".to_owned()))?;
        let text = printable(&piece.text);
        if text.is_empty() {
            continue;
        }
        for (nth, text) in text.split(' ').enumerate() {
            // A space before this part, and not only the seam of two faces.
            joined &= nth == 0;
            if text.is_empty() {
                continue;
            }
            let shaped = font.shape(text);
            if let Some(missing) = shaped.glyphs.iter().find(|placed| placed.glyph == 0) {
                let character = text[missing.from..].chars().next().unwrap_or(' ');
                return Err(LabelError::NoLetter {
                    character,
                    words: text.to_owned(),
                });
            }
            let advance = shaped.advance;
            let part = (text.to_owned(), piece.face, shaped);
            match words.last_mut().filter(|_| joined) {
                Some(word) => {
                    word.parts.push(part);
                    word.advance += advance;
                }
                None => words.push(Word {
                    parts: vec![part],
                    advance,
                }),
            }
            joined = true;
        }
        joined = !text.ends_with(' ') && !words.is_empty();
    }
    Ok(words)
}

/// The text as one line of characters that a label may carry: white space closed up,
/// control and direction-override characters left out.
fn printable(words: &str) -> String {
    let mut line = String::new();
    for c in words.chars() {
        if c.is_whitespace() || c.is_control() {
            if !line.ends_with(' ') {
                line.push(' ');
            }
        } else if !matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{206f}' | '\u{feff}' | '\u{fffe}' | '\u{ffff}')
        {
            line.push(c);
        }
    }
    line
}
