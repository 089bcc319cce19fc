//! Words that fit their place: measured, wrapped, shrunk and at the last cut.

use std::fmt::Write as _;
use std::sync::{Arc, OnceLock};

use resvg::usvg::{self, Node, Options, Rect, Tree, fontdb};

use crate::{LabelError, Slot};

/// DejaVu Sans, regular and bold, and nothing from the machine: a label looks the same
/// wherever it is made.
fn fonts() -> Arc<fontdb::Database> {
    static FONTS: OnceLock<Arc<fontdb::Database>> = OnceLock::new();
    Arc::clone(FONTS.get_or_init(|| {
        let mut database = fontdb::Database::new();
        database.load_font_data(include_bytes!("../fonts/DejaVuSans.ttf").to_vec());
        database.load_font_data(include_bytes!("../fonts/DejaVuSans-Bold.ttf").to_vec());
        Arc::new(database)
    }))
}

/// Reads an SVG with the label's fonts.
pub(crate) fn parse(svg: &str) -> Result<Tree, LabelError> {
    let options = Options {
        font_family: FAMILY.to_owned(),
        fontdb: fonts(),
        ..Options::default()
    };
    Tree::from_str(svg, &options).map_err(|error| LabelError::Draw(error.to_string()))
}

const FAMILY: &str = "DejaVu Sans";

/// Longest text looked at, in characters: far more than any line of a label shows.
const LONGEST: usize = 160;

/// How one text is set.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Style {
    /// Bold or regular.
    pub bold: bool,
    /// White on black.
    pub inverse: bool,
    /// Where in its slot a line stands.
    pub align: Align,
    /// Most lines to wrap into.
    pub lines: usize,
    /// Largest letters, in dots of em.
    pub largest: f32,
    /// Smallest letters, in dots of em: rather than go below, the text is cut with "…".
    pub smallest: f32,
}

/// Where in its slot a line stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Align {
    Left,
    Centre,
    Right,
}

/// SVG text elements of the words, inside the slot whatever the words are.
pub(crate) fn set(words: &str, style: Style, slot: Slot) -> Result<String, LabelError> {
    let words = printable(words);
    let mut svg = String::new();
    let Some(block) = fit(&words, style, slot)? else {
        return Ok(svg);
    };
    let size = block.size;
    let mut top = slot.y as f32 + (slot.height as f32 - block.height * size) / 2.0;
    for line in block.lines {
        let Ink {
            left,
            top: above,
            right,
            bottom,
        } = line.ink;
        let spare = slot.width as f32 - (right - left) * size;
        let indent = match style.align {
            Align::Left => 0.0,
            Align::Centre => spare / 2.0,
            Align::Right => spare,
        };
        let x = slot.x as f32 + indent - left * size;
        let y = top - above * size;
        let weight = if style.bold { "bold" } else { "normal" };
        let fill = if style.inverse { "white" } else { "black" };
        // Writing to a String cannot fail.
        let _ = writeln!(
            svg,
            r#"<text xml:space="preserve" x="{x:.2}" y="{y:.2}" font-size="{size:.3}" font-weight="{weight}" fill="{fill}">{}</text>"#,
            escaped(&line.words)
        );
        top += (bottom - above) * size;
    }
    Ok(svg)
}

/// Lines set together at one size.
struct Block {
    lines: Vec<Line>,
    /// Height of all lines at a size of one.
    height: f32,
    /// Largest size at which all lines fit the slot, not above the style's largest.
    size: f32,
}

struct Line {
    words: String,
    ink: Ink,
}

/// What a line covers around its origin at a font size of one: its letters, and at
/// least the font's own line height, so that lines of unlike letters stand alike.
#[derive(Clone, Copy)]
struct Ink {
    left: f32,
    top: f32,
    right: f32,
    bottom: f32,
}

/// The largest way to set the words: on as few lines as give the largest letters. Nothing
/// for words that leave no mark.
fn fit(words: &str, style: Style, slot: Slot) -> Result<Option<Block>, LabelError> {
    let Some(mut best) = block(&[words], style, slot)? else {
        return Ok(None);
    };
    if style.lines > 1
        && let Some((first, second)) = halves(words)
        && let Some(two) = block(&[first, second], style, slot)?
        && two.size > best.size
    {
        best = two;
    }
    if best.size >= style.smallest {
        return Ok(Some(best));
    }
    cut(words, style, slot)
}

/// The longest beginning of the words that fits at the smallest size, then "…".
fn cut(words: &str, style: Style, slot: Slot) -> Result<Option<Block>, LabelError> {
    let ends: Vec<usize> = words.char_indices().map(|(at, _)| at).collect();
    let uncut = Style {
        smallest: 0.0,
        ..style
    };
    let shortened = |kept: usize| -> Result<Option<Block>, LabelError> {
        let end = ends.get(kept).copied().unwrap_or(words.len());
        fit(&format!("{}…", words[..end].trim_end()), uncut, slot)
    };
    let (mut fits, mut too_long) = (0, ends.len());
    let mut best = shortened(0)?;
    while fits + 1 < too_long {
        let kept = usize::midpoint(fits, too_long);
        match shortened(kept)? {
            Some(block) if block.size >= style.smallest => {
                best = Some(block);
                fits = kept;
            }
            _ => too_long = kept,
        }
    }
    Ok(best)
}

fn block(lines: &[&str], style: Style, slot: Slot) -> Result<Option<Block>, LabelError> {
    let mut block = Block {
        lines: Vec::new(),
        height: 0.0,
        size: style.largest,
    };
    for words in lines {
        let Some(ink) = measure(words, style.bold)? else {
            continue;
        };
        block.height += ink.bottom - ink.top;
        block.size = block.size.min(slot.width as f32 / (ink.right - ink.left));
        block.lines.push(Line {
            words: (*words).to_owned(),
            ink,
        });
    }
    block.size = block.size.min(slot.height as f32 / block.height);
    Ok((!block.lines.is_empty()).then_some(block))
}

/// The words on two lines of most equal length; nothing for a single word.
fn halves(words: &str) -> Option<(&str, &str)> {
    words
        .match_indices(' ')
        .map(|(at, _)| (&words[..at], &words[at + 1..]))
        .min_by_key(|(first, second)| first.chars().count().max(second.chars().count()))
}

/// Measures a line with the very code that draws it.
fn measure(words: &str, bold: bool) -> Result<Option<Ink>, LabelError> {
    /// A size large enough that the parser's rounding does not show.
    const EM: f32 = 100.0;
    let weight = if bold { "bold" } else { "normal" };
    let tree = parse(&format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"><text xml:space="preserve" font-size="{EM}" font-weight="{weight}">{}</text></svg>"#,
        escaped(words)
    ))?;
    Ok(first_text(tree.root()).map(|text| {
        let line = text.bounding_box();
        let letters = text.flattened().bounding_box();
        let both =
            |of: fn(&Rect) -> f32, pick: fn(f32, f32) -> f32| pick(of(&line), of(&letters)) / EM;
        Ink {
            left: both(Rect::left, f32::min),
            top: both(Rect::top, f32::min),
            right: both(Rect::right, f32::max),
            bottom: both(Rect::bottom, f32::max),
        }
    }))
}

fn first_text(group: &usvg::Group) -> Option<&usvg::Text> {
    group.children().iter().find_map(|node| match node {
        Node::Text(text) => Some(&**text),
        Node::Group(inner) => first_text(inner),
        Node::Path(_) | Node::Image(_) => None,
    })
}

/// The text as one line of characters that XML and a label may carry: white space
/// closed up, control and direction-override characters left out.
fn printable(words: &str) -> String {
    let mut line = words
        .split(|c: char| c.is_whitespace() || c.is_control())
        .filter(|word| !word.is_empty())
        .collect::<Vec<_>>()
        .join(" ");
    line.retain(|c| !matches!(c, '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{fffe}' | '\u{ffff}'));
    if let Some((end, _)) = line.char_indices().nth(LONGEST) {
        line.truncate(end);
        line.push('…');
    }
    line
}

fn escaped(words: &str) -> String {
    words
        .replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}
