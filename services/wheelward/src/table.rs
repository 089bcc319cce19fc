//! The one table printer.

use comfy_table::{ContentArrangement, presets};

/// A table with a head.
pub struct Table(comfy_table::Table);

impl Table {
    /// A table with these column heads.
    pub fn new(head: &[&str]) -> Self {
        let mut table = comfy_table::Table::new();
        table
            .load_style(presets::NOTHING)
            .set_content_arrangement(ContentArrangement::Dynamic)
            .set_header(head.to_vec());
        if let Some(width) = width() {
            table.set_width(width);
        }
        Self(table)
    }

    /// Adds a row.
    pub fn row<const N: usize>(&mut self, cells: [String; N]) {
        self.0.add_row(cells.to_vec());
    }

    /// Adds a row of as many cells as there are heads.
    pub fn cells(&mut self, cells: Vec<String>) {
        self.0.add_row(cells);
    }

    /// The table as text.
    pub fn text(&self) -> String {
        let lines = self.0.lines().map(|line| format!("{}\n", line.trim_end()));
        lines.collect()
    }

    /// Prints the table.
    pub fn print(&self) {
        print!("{}", self.text());
    }
}

/// The terminal's width, or what the shell says it is.
pub fn width() -> Option<u16> {
    let told = std::env::var("COLUMNS")
        .ok()
        .and_then(|columns| columns.parse().ok());
    told.or_else(|| terminal_size::terminal_size().map(|(width, _)| width.0))
}
