//! Reports on A4: words, tables and charts from the top down, on as many pages as it takes.
//!
//! Written with the fonts that every PDF reader has (Helvetica, Windows Latin-1), so
//! nothing is embedded; a character outside that set prints as `?`.

mod ink;

use ink::{show, width};
use pdf_writer::{Content, Name, Pdf, Rect, Ref, TextStr};

use crate::text::wrapped;
use crate::{Drawing, Ink};

/// A4 in points, of which 72 make an inch.
const WIDTH: f32 = 595.0;
const HEIGHT: f32 = 842.0;
const MARGIN: f32 = 42.0;
/// Height of a line of words, in parts of their size.
const LEADING: f32 = 1.35;
/// Size of a table's words.
const TABLE: f32 = 9.0;
/// Between the rows of a checklist, so that a pen finds its box.
const BETWEEN_TICKS: f32 = 3.0;
/// Between a table's columns.
const GUTTER: f32 = 8.0;

/// A report being written.
pub struct Paper {
    title: String,
    foot: String,
    pages: Vec<Content>,
    /// Where the next line goes: so far from the lower edge.
    y: f32,
}

/// A column of a table.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Column<'a> {
    /// Its head.
    pub head: &'a str,
    /// Its part of the page's width, beside the others'.
    pub share: f32,
    /// Whether its words end at its right edge, as numbers do.
    pub right: bool,
}

impl Paper {
    /// A report with a title, on its first page and in the file's own description, and words
    /// at the foot of each page.
    #[must_use]
    pub fn new(title: &str, foot: &str) -> Self {
        let mut paper = Self {
            title: title.to_owned(),
            foot: foot.to_owned(),
            pages: Vec::new(),
            y: 0.0,
        };
        paper.words(17.0, true, title);
        paper
    }

    /// Space before what comes next, in points.
    pub fn space(&mut self, points: f32) {
        self.y -= points;
    }

    /// A heading, kept together with at least two lines of what it heads.
    pub fn heading(&mut self, text: &str) {
        self.space(6.0);
        self.keep(60.0);
        self.words(11.5, true, text);
    }

    /// A paragraph.
    pub fn paragraph(&mut self, text: &str) {
        self.words(9.5, false, text);
    }

    /// Small print.
    pub fn small(&mut self, text: &str) {
        self.words(8.0, false, text);
    }

    fn words(&mut self, size: f32, bold: bool, text: &str) {
        let most = f64::from(WIDTH - 2.0 * MARGIN);
        for line in wrapped(text, most, |t| f64::from(width(t, size, bold))) {
            self.keep(size * LEADING);
            self.y -= size * LEADING;
            let y = self.y;
            show(self.page(), [MARGIN, y], size, bold, Ink::Ink, &line);
        }
    }

    /// Goes on at the top of a page of its own, under a heading.
    pub fn page_of(&mut self, heading: &str) {
        self.turn_over();
        self.words(17.0, true, heading);
    }

    /// A table; its head, if it has one, is repeated on each page. A row is as high as its
    /// longest cell needs.
    pub fn table(&mut self, columns: &[Column<'_>], rows: &[Vec<String>]) {
        self.rows(columns, rows, false);
    }

    /// A table with a box to tick before each row: the first column is left free for it.
    pub fn checklist(&mut self, columns: &[Column<'_>], rows: &[Vec<String>]) {
        self.rows(columns, rows, true);
    }

    fn rows(&mut self, columns: &[Column<'_>], rows: &[Vec<String>], ticked: bool) {
        let heads: Vec<String> = columns.iter().map(|c| c.head.to_owned()).collect();
        let head = Row::of(columns, &heads, true);
        self.keep(3.0 * TABLE * LEADING);
        self.head(&head);
        for row in rows {
            let row = Row::of(columns, row, false);
            if self.room() < row.height() {
                self.turn_over();
                self.head(&head);
            }
            if ticked {
                let low = self.y - TABLE * LEADING - 1.0;
                self.page()
                    .set_line_width(0.7)
                    .rect(MARGIN, low, TABLE, TABLE)
                    .stroke();
            }
            self.row(&row);
            if ticked {
                self.space(BETWEEN_TICKS);
            }
        }
        self.space(4.0);
    }

    fn head(&mut self, head: &Row) {
        if head.cells.iter().all(|cell| cell.lines.is_empty()) {
            return;
        }
        self.row(head);
        let y = self.y - 3.0;
        self.page()
            .set_line_width(0.5)
            .move_to(MARGIN, y)
            .line_to(WIDTH - MARGIN, y)
            .stroke();
        self.space(3.0);
    }

    fn row(&mut self, row: &Row) {
        let top = self.y;
        for cell in &row.cells {
            let mut y = top;
            for line in &cell.lines {
                y -= TABLE * LEADING;
                let x = match cell.right {
                    Some(right) => right - width(line, TABLE, row.bold),
                    None => cell.left,
                };
                show(self.page(), [x, y], TABLE, row.bold, Ink::Ink, line);
            }
        }
        self.y = top - row.height();
    }

    /// A chart across the page, on the next page if this one has no room.
    pub fn figure(&mut self, drawing: &Drawing) {
        let scale = (WIDTH - 2.0 * MARGIN) / drawing.width as f32;
        let high = drawing.height as f32 * scale;
        self.keep(high + 6.0);
        let top = self.y - 6.0;
        ink::draw(self.page(), drawing, [MARGIN, top], scale);
        self.y = top - high;
    }

    /// The file.
    #[must_use]
    pub fn finish(mut self) -> Vec<u8> {
        self.page();
        let mut pdf = Pdf::new();
        let mut next = 0;
        let mut id = || {
            next += 1;
            Ref::new(next)
        };
        let (catalog, tree, info, regular, bold) = (id(), id(), id(), id(), id());
        let ids: Vec<(Ref, Ref)> = self.pages.iter().map(|_| (id(), id())).collect();
        pdf.catalog(catalog).pages(tree).lang(TextStr("en"));
        pdf.document_info(info).title(TextStr(&self.title));
        let count = i32::try_from(ids.len()).unwrap_or(i32::MAX);
        let kids = ids.iter().map(|(page, _)| *page);
        pdf.pages(tree).kids(kids).count(count);
        for (n, (mut content, (page, stream))) in (1..).zip(self.pages.into_iter().zip(&ids)) {
            let foot = format!("{} Page {n} of {count}", self.foot);
            let place = [MARGIN, MARGIN - 16.0];
            show(&mut content, place, 7.5, false, Ink::Soft, &foot);
            let mut written = pdf.page(*page);
            written
                .media_box(Rect::new(0.0, 0.0, WIDTH, HEIGHT))
                .parent(tree)
                .contents(*stream);
            let mut resources = written.resources();
            let mut fonts = resources.fonts();
            fonts.pair(ink::REGULAR, regular).pair(ink::BOLD, bold);
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

    fn room(&self) -> f32 {
        match self.pages.is_empty() {
            true => 0.0,
            false => self.y - MARGIN,
        }
    }

    /// Goes on to the next page unless this one has so much room.
    fn keep(&mut self, high: f32) {
        if self.room() < high {
            self.turn_over();
        }
    }

    fn turn_over(&mut self) {
        self.pages.push(Content::new());
        self.y = HEIGHT - MARGIN;
    }

    fn page(&mut self) -> &mut Content {
        if self.pages.is_empty() {
            self.turn_over();
        }
        let last = self.pages.len() - 1;
        &mut self.pages[last]
    }
}

/// A row of a table, its words broken into lines.
struct Row {
    cells: Vec<Cell>,
    bold: bool,
}

struct Cell {
    left: f32,
    /// Where its words end, if they do at its right edge.
    right: Option<f32>,
    lines: Vec<String>,
}

impl Row {
    fn of(columns: &[Column<'_>], words: &[String], bold: bool) -> Self {
        let shares: f32 = columns.iter().map(|column| column.share).sum();
        let mut left = MARGIN;
        let cell = |(column, words): (&Column<'_>, &String)| {
            let wide = column.share / shares * (WIDTH - 2.0 * MARGIN);
            let most = wide - GUTTER;
            let cell = Cell {
                left,
                right: column.right.then_some(left + most),
                lines: wrapped(words, f64::from(most), |t| f64::from(width(t, TABLE, bold))),
            };
            left += wide;
            cell
        };
        Self {
            cells: columns.iter().zip(words).map(cell).collect(),
            bold,
        }
    }

    fn height(&self) -> f32 {
        let lines = self.cells.iter().map(|cell| cell.lines.len()).max();
        lines.unwrap_or(0).max(1) as f32 * TABLE * LEADING
    }
}
