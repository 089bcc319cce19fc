//! A seal as a QR symbol, for a page that lies in a binder.

use qrcodegen::{QrCode, QrCodeEcc};

use crate::{Mark, Seal};

/// Light modules around the symbol (ISO/IEC 18004: four).
const QUIET: i32 = 4;

fn code(seal: &Seal) -> Option<QrCode> {
    // Medium correction: the page gets wet. A seal's 600 bytes fit easily.
    QrCode::encode_text(&seal.to_string(), QrCodeEcc::Medium).ok()
}

/// The symbol as an SVG picture, one unit a module, with what it seals in words below it:
/// a page to be printed. `None` only for a text too long for any symbol, which no seal is.
#[must_use]
pub fn qr_svg(seal: &Seal) -> Option<String> {
    let code = code(seal)?;
    let side = code.size() + 2 * QUIET;
    let mut path = String::new();
    for y in 0..code.size() {
        for x in 0..code.size() {
            if code.get_module(x, y) {
                path += &format!("M{} {}h1v1h-1z", x + QUIET, y + QUIET);
            }
        }
    }
    let statement = &seal.statement;
    let head = statement.head.to_string();
    let (front, back) = head.split_at(head.len() / 2);
    let sealed = statement.sealed_at.format("%Y-%m-%d %H:%M UTC");
    let mut lines = vec![
        format!("Seal of {}, dairy day {}", statement.site, statement.day),
        format!(
            "records {} to {}, sealed {sealed}",
            statement.first, statement.last
        ),
        format!("head {front}"),
        format!("     {back}"),
    ];
    if let Some(number) = statement.number {
        lines.push(format!("mark {}", Mark::of(seal, number)));
    }
    lines.push("Keep this page apart from the computer.".to_owned());
    let height = side + i32::try_from(lines.len()).unwrap_or(0) * 4;
    let words: String = (1..)
        .zip(&lines)
        .map(|(n, line)| {
            let y = side + n * 4 - 4;
            format!("<text x=\"{QUIET}\" y=\"{y}\" xml:space=\"preserve\">{line}</text>")
        })
        .collect();
    Some(format!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"120mm\" viewBox=\"0 0 {side} {height}\" data-side=\"{side}\" shape-rendering=\"crispEdges\" font-family=\"monospace\" font-size=\"3\"><rect width=\"{side}\" height=\"{height}\" fill=\"#fff\"/><path d=\"{path}\"/>{words}</svg>\n"
    ))
}
