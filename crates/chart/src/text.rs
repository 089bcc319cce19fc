//! How wide words are, before anybody has set them.

/// Advance widths of Helvetica from space to tilde, thousandths of the size (from the
/// font's published metrics).
const HELVETICA: [u16; 95] = [
    278, 278, 355, 556, 556, 889, 667, 191, 333, 333, 389, 584, 278, 333, 278, 278, 556, 556, 556,
    556, 556, 556, 556, 556, 556, 556, 278, 278, 584, 584, 584, 556, 1015, 667, 667, 722, 722, 667,
    611, 778, 722, 278, 500, 667, 556, 833, 722, 778, 667, 778, 722, 667, 611, 722, 667, 944, 667,
    667, 611, 278, 278, 278, 469, 556, 333, 556, 556, 500, 556, 556, 278, 556, 556, 222, 222, 500,
    222, 833, 556, 556, 556, 556, 333, 500, 278, 556, 500, 722, 500, 500, 500, 334, 260, 334, 584,
];

/// DejaVu Sans, which draws the pictures, is wider than Helvetica by about this much, and so
/// are some systems' own letters.
const WIDEST: f64 = 1.16;

/// Width in Helvetica, in units of the size's.
pub(crate) fn helvetica(text: &str, size: f64) -> f64 {
    let units: f64 = text
        .chars()
        .map(|c| {
            let place = u32::from(c)
                .checked_sub(32)
                .and_then(|p| usize::try_from(p).ok());
            let known = place.and_then(|p| HELVETICA.get(p).copied());
            let other = match c {
                '\u{a0}' => 278,
                '…' | '—' => 1000,
                // A letter with an accent, as wide as most.
                _ => 600,
            };
            f64::from(known.unwrap_or(other))
        })
        .sum();
    units * size / 1000.0
}

/// Width that is enough whatever letters a page uses.
pub(crate) fn width(text: &str, size: f64) -> f64 {
    helvetica(text, size) * WIDEST
}

/// Words over as many lines as they need; a word longer than a line keeps a line of its own.
/// A no-break space keeps a number and its unit together.
pub(crate) fn wrapped(text: &str, most: f64, width: impl Fn(&str) -> f64) -> Vec<String> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split(' ').filter(|word| !word.is_empty()) {
        let longer = match line.is_empty() {
            true => word.to_owned(),
            false => format!("{line} {word}"),
        };
        if !line.is_empty() && width(&longer) > most {
            lines.push(std::mem::replace(&mut line, word.to_owned()));
        } else {
            line = longer;
        }
    }
    if !line.is_empty() {
        lines.push(line);
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_go_to_the_next_line_where_they_no_longer_fit() {
        let four = |line: &str| line.chars().count() as f64;
        assert_eq!(wrapped("one two  three", 7.0, four), ["one two", "three"]);
        assert_eq!(wrapped("a unbreakable", 4.0, four), ["a", "unbreakable"]);
        assert!(wrapped("", 4.0, four).is_empty());
    }
}
