//! Long lists, a part at a time: so many rows, and the way to those before and after.

use maud::{Markup, html};

use crate::words::Tongue;

/// Rows shown at a time.
pub const ROWS: usize = 200;

/// The rows from a place on, as far as one page shows them.
pub fn part<T>(rows: &[T], from: usize) -> &[T] {
    let rows = rows.get(from..).unwrap_or_default();
    rows.get(..ROWS).unwrap_or(rows)
}

/// Which rows these are of how many, and the way to the others; nothing when all are shown.
/// `address` gives the page that begins at a row.
pub fn links(t: Tongue, from: usize, count: usize, address: impl Fn(usize) -> String) -> Markup {
    if count <= ROWS && from == 0 {
        return html! {};
    }
    let last = (from + ROWS).min(count);
    html! {
        p.row {
            (t.with("part", [
                ("first", (from + 1).min(count).into()), ("last", last.into()), ("count", count.into()),
            ]))
            @if from > 0 { a.button href=(address(from.saturating_sub(ROWS))) { (t.say("part-before")) } }
            @if last < count { a.button href=(address(last)) { (t.say("part-next")) } }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_row_is_on_exactly_one_page() {
        for count in [0, 1, 199, 200, 201, 1_000, 20_123] {
            let rows: Vec<usize> = (0..count).collect();
            let mut seen: Vec<usize> = Vec::new();
            let mut from = 0;
            loop {
                seen.extend(part(&rows, from).iter().copied());
                from += ROWS;
                if from >= count {
                    break;
                }
            }
            assert_eq!(seen, rows);
            assert!(part(&rows, count).is_empty());
            assert!(part(&rows, usize::MAX).is_empty());
        }
    }
}
