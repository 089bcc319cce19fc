//! A label's layout as data: a TOML file with places in millimetres, read and checked.

use std::ops::Range;

use chrono::NaiveDate;
use recipe::{Located, Origin};
use serde::Deserialize;
use toml::Spanned;

use crate::content::{Kind, Label, Notation};
use crate::font::Face;
use crate::symbol::Form;
use crate::text::Align;

/// Smallest letters unless a template says otherwise, in millimetres of em. DejaVu Sans has
/// an x-height of 0.547 em, so this keeps the 1.2 mm x-height that Regulation (EU)
/// 1169/2011, article 13(2), asks of mandatory particulars.
const LEAST_LETTER_MM: f32 = 2.2;

/// Letters smaller than this are no letters: x-height 0.55 mm.
const NO_LETTER_MM: f32 = 1.0;

/// Smallest module unless a template says otherwise, in millimetres: half a millimetre is
/// still read from a wet, curved label at arm's length (common practice, no source).
const LEAST_MODULE_MM: f32 = 0.5;

/// One kind's layout.
#[derive(Debug, Clone)]
pub(crate) struct Template {
    pub kind: Kind,
    /// Width and height, in millimetres.
    pub size_mm: [f32; 2],
    pub notation: Notation,
    pub texts: Vec<TextField>,
    pub symbols: Vec<SymbolField>,
}

/// A text at its place.
#[derive(Debug, Clone)]
pub(crate) struct TextField {
    /// What it says, part by part.
    pub parts: Vec<Part>,
    /// The field without which it is left out.
    pub when: Option<String>,
    /// Left, top, width, height, in millimetres.
    pub place_mm: [f32; 4],
    pub face: Face,
    pub align: Align,
    pub lines: usize,
    pub largest_mm: f32,
    pub smallest_mm: f32,
    pub ground: Ground,
}

/// A part of a text.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) enum Part {
    /// As it stands in the template, emphasised or not.
    Words(String, bool),
    /// A field's value, emphasised or not.
    Field(String, bool),
}

/// What words stand on.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Deserialize)]
#[serde(rename_all = "snake_case")]
pub(crate) enum Ground {
    /// The bare label.
    #[default]
    Bare,
    /// In a frame.
    Frame,
    /// White on a black band.
    Band,
}

/// A symbol at its place.
#[derive(Debug, Clone)]
pub(crate) struct SymbolField {
    pub form: Form,
    /// What it holds, by name.
    pub holds: String,
    /// Left, top, width, height, in millimetres.
    pub place_mm: [f32; 4],
    pub least_module_mm: f32,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    kind: Kind,
    size_mm: Spanned<[f32; 2]>,
    dates: Option<Spanned<String>>,
    #[serde(default)]
    decimal_comma: bool,
    #[serde(default)]
    text: Vec<Spanned<TextTable>>,
    #[serde(default)]
    symbol: Vec<Spanned<SymbolTable>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct TextTable {
    words: Spanned<String>,
    when: Option<Spanned<String>>,
    place_mm: Spanned<[f32; 4]>,
    letter_mm: Spanned<f32>,
    least_letter_mm: Option<Spanned<f32>>,
    #[serde(default)]
    bold: bool,
    #[serde(default)]
    align: Align,
    lines: Option<Spanned<usize>>,
    #[serde(default)]
    ground: Ground,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SymbolTable {
    form: Spanned<Form>,
    holds: Spanned<String>,
    place_mm: Spanned<[f32; 4]>,
    least_module_mm: Option<Spanned<f32>>,
}

impl Template {
    /// Reads a template and checks that every field is on the label, in a place of its own,
    /// and stands for something that its kind has.
    ///
    /// # Errors
    /// [`Located`] points at the first thing that is wrong.
    pub(crate) fn parse(origin: &Origin<'_>) -> Result<Self, Located> {
        let file: File = origin.toml()?;
        let size_mm = read_size(origin, &file.size_mm)?;
        let notation = Notation {
            dates: read_dates(origin, file.dates.as_ref())?,
            decimal_comma: file.decimal_comma,
        };
        let kind = file.kind;
        let mut texts = Vec::new();
        for table in &file.text {
            texts.push(read_text(origin, table.get_ref(), kind)?);
        }
        let mut symbols = Vec::new();
        for table in &file.symbol {
            symbols.push(read_symbol(origin, table.get_ref(), kind)?);
        }
        let texts_places = file.text.iter().map(|table| &table.get_ref().place_mm);
        let places = texts_places.chain(file.symbol.iter().map(|table| &table.get_ref().place_mm));
        let mut places: Vec<_> = places.collect();
        places.sort_by_key(|place| place.span().start);
        check_places(origin, size_mm, &places)?;
        let says = |field: &str| {
            texts.iter().any(|text| {
                text.when.as_deref() == Some(field)
                    || text
                        .parts
                        .iter()
                        .any(|part| matches!(part, Part::Field(name, _) if name == field))
            })
        };
        if kind.is_asked_for() && !says("copy") {
            let message = "no text stands for {copy}: a label printed again must say so";
            return Err(origin.error(0..0, message));
        }
        Ok(Self {
            kind,
            size_mm,
            notation,
            texts,
            symbols,
        })
    }
}

fn read_size(origin: &Origin<'_>, size: &Spanned<[f32; 2]>) -> Result<[f32; 2], Located> {
    let [width, height] = *size.get_ref();
    if (10.0..=300.0).contains(&width) && (10.0..=420.0).contains(&height) {
        Ok([width, height])
    } else {
        let message = "size_mm is width and height: 10 to 300 and 10 to 420 millimetres";
        Err(origin.error(size.span(), message))
    }
}

fn read_dates(origin: &Origin<'_>, dates: Option<&Spanned<String>>) -> Result<String, Located> {
    use std::fmt::Write as _;
    let Some(dates) = dates else {
        return Ok("%-d %b %Y".to_owned());
    };
    let pattern = dates.get_ref();
    let mut written = String::new();
    // Writing fails for a letter that chrono does not know and for a time of day.
    if write!(written, "{}", NaiveDate::MIN.format(pattern)).is_err() || !pattern.contains('%') {
        let message = format!(
            "dates is {pattern:?}: write it like \"%-d %b %Y\" or \"%d.%m.%Y\", with %d day, \
             %m month, %b its name, %Y year"
        );
        return Err(origin.error(dates.span(), message));
    }
    Ok(pattern.clone())
}

fn read_text(origin: &Origin<'_>, table: &TextTable, kind: Kind) -> Result<TextField, Located> {
    let known = |name: &str, span: Range<usize>| {
        if kind.fields().contains(&name) {
            return Ok(());
        }
        let message = format!(
            "a {kind} label has no field {{{name}}}: it has {}",
            kind.fields().join(", ")
        );
        Err(origin.error(span, message))
    };
    let parts = read_words(origin, &table.words)?;
    for part in &parts {
        if let Part::Field(name, _) = part {
            known(name, place_of(origin, &table.words, name))?;
        }
    }
    if let Some(when) = &table.when {
        known(when.get_ref(), when.span())?;
    }
    let largest_mm = *table.letter_mm.get_ref();
    let smallest_mm = match &table.least_letter_mm {
        Some(least) if *least.get_ref() < NO_LETTER_MM => {
            let message = format!("nobody reads letters below {NO_LETTER_MM} mm");
            return Err(origin.error(least.span(), message));
        }
        Some(least) => *least.get_ref(),
        None => LEAST_LETTER_MM,
    };
    if !(smallest_mm..=200.0).contains(&largest_mm) {
        let message = format!(
            "letter_mm is {largest_mm}: it is the size to begin with, from the smallest \
             ({smallest_mm} mm) to 200"
        );
        return Err(origin.error(table.letter_mm.span(), message));
    }
    let lines = match &table.lines {
        Some(lines) if !(1..=50).contains(lines.get_ref()) => {
            return Err(origin.error(lines.span(), "lines is 1 to 50"));
        }
        Some(lines) => *lines.get_ref(),
        None => 1,
    };
    Ok(TextField {
        parts,
        when: table.when.as_ref().map(|when| when.get_ref().clone()),
        place_mm: *table.place_mm.get_ref(),
        face: if table.bold {
            Face::Bold
        } else {
            Face::Regular
        },
        align: table.align,
        lines,
        largest_mm,
        smallest_mm,
        ground: table.ground,
    })
}

/// Where a field stands in the template's words; their beginning where escapes hide it.
fn place_of(origin: &Origin<'_>, words: &Spanned<String>, name: &str) -> Range<usize> {
    let span = words.span();
    let at = origin
        .text
        .get(span.clone())
        .and_then(|text| text.find(&format!("{{{name}}}")));
    at.map_or(span.clone(), |at| span.start + at..span.end)
}

/// Parts of `Contains **MILK** of {product}`.
fn read_words(origin: &Origin<'_>, words: &Spanned<String>) -> Result<Vec<Part>, Located> {
    let mut parts = Vec::new();
    let mut emphasised = false;
    let mut rest = words.get_ref().as_str();
    while !rest.is_empty() {
        let end = rest.find("**").into_iter().chain(rest.find('{')).min();
        let (plain, after) = rest.split_at(end.unwrap_or(rest.len()));
        if !plain.is_empty() {
            parts.push(Part::Words(plain.to_owned(), emphasised));
        }
        rest = if let Some(after) = after.strip_prefix("**") {
            emphasised = !emphasised;
            after
        } else if let Some(field) = after.strip_prefix('{') {
            let (name, after) = field.split_once('}').ok_or_else(|| {
                let message = "a field begins with { and has no }: write it like {product}";
                origin.error(words.span(), message)
            })?;
            parts.push(Part::Field(name.to_owned(), emphasised));
            after
        } else {
            after
        };
    }
    if emphasised {
        let message = "** begins an emphasis that has no end: write it like **milk**";
        return Err(origin.error(words.span(), message));
    }
    Ok(parts)
}

fn read_symbol(
    origin: &Origin<'_>,
    table: &SymbolTable,
    kind: Kind,
) -> Result<SymbolField, Located> {
    let holds = table.holds.get_ref();
    let may_hold = Label::payloads(kind);
    if !may_hold.contains(&holds.as_str()) {
        let message = format!(
            "a {kind} label's symbol cannot hold {holds:?}: it holds {}",
            may_hold.join(", ")
        );
        return Err(origin.error(table.holds.span(), message));
    }
    let form = *table.form.get_ref();
    let fits = match holds.as_str() {
        "identity" => form == Form::Datamatrix,
        "address" | "code" => form != Form::Gs1128,
        "number" | "contents" => form != Form::Qr,
        _ => form == Form::Datamatrix,
    };
    if !fits {
        let message = format!(
            "{holds:?} does not go into this form of symbol: gs1128 holds number or contents, \
             qr holds address or code, datamatrix holds all of them"
        );
        return Err(origin.error(table.form.span(), message));
    }
    let least_module_mm = match &table.least_module_mm {
        Some(least) if !(0.25..=5.0).contains(least.get_ref()) => {
            let message = "least_module_mm is 0.25 to 5 millimetres";
            return Err(origin.error(least.span(), message));
        }
        Some(least) => *least.get_ref(),
        None => LEAST_MODULE_MM,
    };
    Ok(SymbolField {
        form,
        holds: holds.clone(),
        place_mm: *table.place_mm.get_ref(),
        least_module_mm,
    })
}

fn check_places(
    origin: &Origin<'_>,
    [width, height]: [f32; 2],
    places: &[&Spanned<[f32; 4]>],
) -> Result<(), Located> {
    /// Places may touch; what is less than this is rounding.
    const NOTHING_MM: f32 = 0.001;
    for (nth, place) in places.iter().enumerate() {
        let [x, y, w, h] = *place.get_ref();
        let numbers = [x, y, w, h].iter().all(|number| number.is_finite());
        if !numbers || w <= 0.0 || h <= 0.0 {
            let message = "place_mm is left, top, width and height in millimetres";
            return Err(origin.error(place.span(), message));
        }
        if x < 0.0 || y < 0.0 || x + w > width + NOTHING_MM || y + h > height + NOTHING_MM {
            let message = format!(
                "this place ends at {} and {} mm, outside the label of {width} by {height} mm",
                x + w,
                y + h
            );
            return Err(origin.error(place.span(), message));
        }
        for other in &places[..nth] {
            let [ox, oy, ow, oh] = *other.get_ref();
            let apart = x + NOTHING_MM > ox + ow
                || ox + NOTHING_MM > x + w
                || y + NOTHING_MM > oy + oh
                || oy + NOTHING_MM > y + h;
            if !apart {
                let line = origin.error(other.span(), "").line;
                let message = format!("this place overlaps the one in line {line}");
                return Err(origin.error(place.span(), message));
            }
        }
    }
    Ok(())
}
