//! A sheet: a head and rows, as CSV (RFC 4180) or as a page of an XLSX workbook.

use chrono::{DateTime, NaiveDate, NaiveDateTime, Utc};
use rust_xlsxwriter::{DocProperties, ExcelDateTime, Format, Workbook};

/// One cell. Kept apart by kind, so that a spreadsheet sorts dates and numbers as such.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// Words or a code.
    Text(String),
    /// A number.
    Number(f64),
    /// A date.
    Date(NaiveDate),
    /// An instant, in the site's local time.
    Time(NaiveDateTime),
    /// Nothing.
    Empty,
}

impl From<String> for Cell {
    fn from(text: String) -> Self {
        if text.is_empty() {
            Self::Empty
        } else {
            Self::Text(text)
        }
    }
}

impl From<&str> for Cell {
    fn from(text: &str) -> Self {
        text.to_owned().into()
    }
}

/// A sheet.
#[derive(Debug, Clone, PartialEq)]
pub struct Sheet {
    /// Its name, at most 31 characters.
    pub name: &'static str,
    /// The columns' heads.
    pub head: Vec<&'static str>,
    /// The rows.
    pub rows: Vec<Vec<Cell>>,
}

/// A workbook that could not be written: nothing in a sheet of ours causes one.
#[derive(Debug, thiserror::Error)]
#[error("the workbook could not be written: {0}")]
pub struct SheetError(#[from] rust_xlsxwriter::XlsxError);

impl Sheet {
    /// As CSV: comma, CR LF, ISO dates. A text that a spreadsheet would take for a formula
    /// has an apostrophe before it.
    #[must_use]
    pub fn csv(&self) -> String {
        let mut text = self.head.join(",");
        text.push_str("\r\n");
        for row in &self.rows {
            let cells: Vec<String> = row.iter().map(csv_cell).collect();
            text.push_str(&cells.join(","));
            text.push_str("\r\n");
        }
        text
    }
}

fn csv_cell(cell: &Cell) -> String {
    match cell {
        Cell::Text(text) => {
            let formula = text.starts_with(['=', '+', '-', '@', '\t', '\r']);
            let text = if formula {
                format!("'{text}")
            } else {
                text.clone()
            };
            if text.contains([',', '"', '\n', '\r']) {
                format!("\"{}\"", text.replace('"', "\"\""))
            } else {
                text
            }
        }
        Cell::Number(number) => number.to_string(),
        Cell::Date(date) => date.to_string(),
        Cell::Time(at) => at.format("%Y-%m-%dT%H:%M:%S").to_string(),
        Cell::Empty => String::new(),
    }
}

/// Sheets as one XLSX workbook, with heads that stay, filters and columns as wide as what is
/// in them. The same sheets at the same `now` give the same bytes.
///
/// # Errors
/// [`SheetError`]; none that our sheets can cause.
pub fn workbook(sheets: &[Sheet], title: &str, now: DateTime<Utc>) -> Result<Vec<u8>, SheetError> {
    let mut book = Workbook::new();
    let made = ExcelDateTime::from_timestamp(now.timestamp())?;
    book.set_properties(
        &DocProperties::new()
            .set_title(title)
            .set_creation_datetime(&made),
    );
    let bold = Format::new().set_bold().set_text_wrap();
    let date = Format::new().set_num_format("yyyy-mm-dd");
    let time = Format::new().set_num_format("yyyy-mm-dd hh:mm:ss");
    for sheet in sheets {
        let page = book.add_worksheet();
        page.set_name(sheet.name)?;
        page.set_freeze_panes(1, 0)?;
        for (column, head) in (0..).zip(&sheet.head) {
            page.write_string_with_format(0, column, *head, &bold)?;
        }
        for (row, cells) in (1..).zip(&sheet.rows) {
            for (column, cell) in (0..).zip(cells) {
                match cell {
                    Cell::Text(text) => page.write_string(row, column, text)?,
                    Cell::Number(number) => page.write_number(row, column, *number)?,
                    Cell::Date(day) => {
                        let at = day.and_time(chrono::NaiveTime::MIN).and_utc().timestamp();
                        let at = ExcelDateTime::from_timestamp(at)?;
                        page.write_datetime_with_format(row, column, at, &date)?
                    }
                    Cell::Time(at) => {
                        let at = ExcelDateTime::from_timestamp(at.and_utc().timestamp())?;
                        page.write_datetime_with_format(row, column, at, &time)?
                    }
                    Cell::Empty => page,
                };
            }
        }
        for (column, head) in sheet.head.iter().enumerate() {
            let longest = sheet
                .rows
                .iter()
                .filter_map(|row| row.get(column))
                .map(wide)
                .max();
            let wide = longest.unwrap_or(0).max(head.len().min(14)).clamp(6, 48);
            let column = u16::try_from(column).unwrap_or(u16::MAX);
            #[allow(clippy::cast_precision_loss)] // at most 48
            page.set_column_width(column, wide as f64 + 1.5)?;
        }
        let last_row = u32::try_from(sheet.rows.len()).unwrap_or(u32::MAX);
        let last_column = u16::try_from(sheet.head.len().saturating_sub(1)).unwrap_or(u16::MAX);
        page.autofilter(0, 0, last_row, last_column)?;
    }
    Ok(book.save_to_buffer()?)
}

fn wide(cell: &Cell) -> usize {
    match cell {
        Cell::Text(text) => text.chars().count(),
        Cell::Number(_) | Cell::Date(_) => 10,
        Cell::Time(_) => 19,
        Cell::Empty => 0,
    }
}
