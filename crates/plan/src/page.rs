//! The walking list on paper: A4, one person after the other, a box to tick at each stop.
//!
//! Written with the fonts that every PDF reader has (Helvetica, Windows Latin-1), so
//! nothing is embedded; a character outside that set prints as `?`.

use std::collections::BTreeMap;

use facts::PersonId;
use pdf_writer::{Content, Name, Pdf, Rect, Ref, Str};

use crate::{Plan, Stop};

/// A4 in points.
const WIDTH: f32 = 595.0;
const HEIGHT: f32 = 842.0;
const MARGIN: f32 = 40.0;
/// Distance between lines, points.
const LINE: f32 = 15.0;
/// Where the columns start: tick box, place, work, wheels, minutes, by, why.
const COLUMNS: [f32; 7] = [40.0, 58.0, 180.0, 296.0, 346.0, 384.0, 436.0];
const HEADS: [&str; 7] = ["", "where", "do", "wheels", "min", "by", "why"];

/// The first day's walking lists as a PDF file.
#[must_use]
pub fn walking_list_pdf(plan: &Plan, dairy: &str) -> Vec<u8> {
    let mut walks: BTreeMap<PersonId, Vec<&Stop>> = BTreeMap::new();
    for stop in plan.stops.iter().filter(|stop| stop.day == plan.from) {
        walks.entry(stop.person).or_default().push(stop);
    }
    let mut pages: Vec<Content> = Vec::new();
    for (person, stops) in &walks {
        let mut rest = stops.as_slice();
        let minutes: f64 = stops.iter().map(|stop| stop.minutes).sum();
        let wheels: usize = stops.iter().map(|stop| stop.wheels.len()).sum();
        let mut first = true;
        while first || !rest.is_empty() {
            let mut page = Page::begin();
            let title = format!("{person}: walking list for {}", plan.from);
            page.text(MARGIN, 16.0, true, &title);
            page.down(18.0);
            let sum = format!(
                "{dairy} · {} stops, {wheels} pieces of work on wheels, {:.0} min{}",
                stops.len(),
                minutes,
                if first { "" } else { " (continued)" }
            );
            page.text(MARGIN, 9.0, false, &sum);
            page.down(14.0);
            if first {
                for line in plan.lifting.iter().filter(|line| line.person == *person) {
                    page.wrapped(MARGIN, 8.0, &line.words);
                }
            }
            page.down(8.0);
            for (x, head) in COLUMNS.iter().zip(HEADS) {
                page.text(*x, 8.0, true, head);
            }
            page.rule();
            page.down(LINE);
            while let Some((stop, after)) = rest.split_first() {
                if page.y < MARGIN + 2.0 * LINE {
                    break;
                }
                page.stop(stop);
                rest = after;
            }
            pages.push(page.content);
            first = false;
        }
    }
    if pages.is_empty() {
        let mut page = Page::begin();
        page.text(
            MARGIN,
            16.0,
            true,
            &format!("Nothing is planned for {}", plan.from),
        );
        pages.push(page.content);
    }
    file(pages)
}

struct Page {
    content: Content,
    y: f32,
}

impl Page {
    fn begin() -> Self {
        Self {
            content: Content::new(),
            y: HEIGHT - MARGIN - 12.0,
        }
    }

    fn down(&mut self, by: f32) {
        self.y -= by;
    }

    fn text(&mut self, x: f32, size: f32, bold: bool, text: &str) {
        show(&mut self.content, x, self.y, size, bold, text);
    }

    /// Text over as many lines as it takes.
    fn wrapped(&mut self, x: f32, size: f32, text: &str) {
        let mut line = String::new();
        for word in text.split(' ') {
            let longer = if line.is_empty() {
                word.to_owned()
            } else {
                format!("{line} {word}")
            };
            if width(&longer, size) > WIDTH - MARGIN - x && !line.is_empty() {
                self.text(x, size, false, &line);
                self.down(size + 2.0);
                line = word.to_owned();
            } else {
                line = longer;
            }
        }
        self.text(x, size, false, &line);
        self.down(size + 2.0);
    }

    fn rule(&mut self) {
        self.content
            .set_line_width(0.5)
            .move_to(MARGIN, self.y - 4.0)
            .line_to(WIDTH - MARGIN, self.y - 4.0)
            .stroke();
    }

    fn stop(&mut self, stop: &Stop) {
        self.content
            .set_line_width(0.7)
            .rect(COLUMNS[0], self.y - 1.0, 8.0, 8.0)
            .stroke();
        let place: Vec<String> = [
            stop.room.map(|room| room.to_string()),
            stop.position.map(|position| position.to_string()),
            stop.carrier.map(|carrier| carrier.to_string()),
        ]
        .into_iter()
        .flatten()
        .collect();
        let mut work = stop.kind.words().to_owned();
        if let Some(to) = stop.to {
            work.push_str(&format!(" to {to}"));
        }
        let wheels = if stop.wheels.len() == stop.of {
            stop.of.to_string()
        } else {
            format!("{} of {}", stop.wheels.len(), stop.of)
        };
        let late = if stop.due < stop.day { "LATE " } else { "" };
        let cells = [
            place.join(" "),
            work,
            wheels,
            format!("{:.0}", stop.minutes.max(1.0)),
            format!("{late}{}", stop.due.date().format("%-d %b")),
            stop.because.clone(),
        ];
        for (n, cell) in cells.iter().enumerate() {
            let x = COLUMNS[n + 1];
            let end = COLUMNS.get(n + 2).copied().unwrap_or(WIDTH - MARGIN + 4.0);
            let size = if n == 5 { 6.5 } else { 8.5 };
            self.text(x, size, false, &fitted(cell, size, end - x - 4.0));
        }
        self.down(LINE);
    }
}

fn show(content: &mut Content, x: f32, y: f32, size: f32, bold: bool, text: &str) {
    let font = if bold { Name(b"B") } else { Name(b"R") };
    content
        .begin_text()
        .set_font(font, size)
        .next_line(x, y)
        .show(Str(&latin(text)))
        .end_text();
}

fn file(pages: Vec<Content>) -> Vec<u8> {
    let mut pdf = Pdf::new();
    let mut next = 1;
    let mut id = || {
        next += 1;
        Ref::new(next - 1)
    };
    let (catalog, tree, regular, bold) = (id(), id(), id(), id());
    let ids: Vec<(Ref, Ref)> = pages.iter().map(|_| (id(), id())).collect();
    pdf.catalog(catalog).pages(tree);
    let count = i32::try_from(ids.len()).unwrap_or(i32::MAX);
    pdf.pages(tree)
        .kids(ids.iter().map(|(page, _)| *page))
        .count(count);
    for (n, (mut content, (page, stream))) in pages.into_iter().zip(&ids).enumerate() {
        let foot = format!(
            "A plan advises: scan what you do. Page {} of {count}",
            n + 1
        );
        show(&mut content, MARGIN, MARGIN - 14.0, 7.0, false, &foot);
        let mut written = pdf.page(*page);
        written
            .media_box(Rect::new(0.0, 0.0, WIDTH, HEIGHT))
            .parent(tree)
            .contents(*stream);
        let mut resources = written.resources();
        let mut fonts = resources.fonts();
        fonts.pair(Name(b"R"), regular).pair(Name(b"B"), bold);
        drop(fonts);
        drop(resources);
        drop(written);
        pdf.stream(*stream, &content.finish());
    }
    for (id, name) in [(regular, &b"Helvetica"[..]), (bold, &b"Helvetica-Bold"[..])] {
        pdf.type1_font(id)
            .base_font(Name(name))
            .encoding_predefined(Name(b"WinAnsiEncoding"));
    }
    pdf.finish()
}

/// Windows Latin-1.
fn latin(text: &str) -> Vec<u8> {
    text.chars()
        .map(|c| match c {
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
        })
        .collect()
}

/// Cut to a width, with dots where something is missing.
fn fitted(text: &str, size: f32, most: f32) -> String {
    if width(text, size) <= most {
        return text.to_owned();
    }
    let mut cut = String::new();
    for c in text.chars() {
        cut.push(c);
        if width(&cut, size) + width("…", size) > most {
            cut.pop();
            break;
        }
    }
    format!("{}…", cut.trim_end())
}

/// Advance widths of Helvetica from space to tilde, thousandths of the size (from the
/// font's published metrics).
const HELVETICA: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556,
    556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667,
    611, 778, 722, 278, 500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667,
    667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500,
    222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
];

fn width(text: &str, size: f32) -> f32 {
    let units: f32 = text
        .chars()
        .map(|c| {
            let place = u32::from(c)
                .checked_sub(32)
                .and_then(|p| usize::try_from(p).ok());
            let known = place.and_then(|p| HELVETICA.get(p).copied());
            // The dots are a full em wide; everything else outside ASCII is a letter.
            f32::from(known.unwrap_or(if c == '…' { 1000 } else { 600 }))
        })
        .sum();
    units * size / 1000.0
}
