//! A drawing as SVG (SVG 1.1), for pages and files.

use std::fmt::Write as _;

use crate::{Anchor, Drawing, Ink, Pen, Shape, Step, Words};

/// Colours for pages: a page that carries these rules shows its charts in its own light or
/// dark. Without them a chart has the colours of print. The page says which with
/// `data-theme="dark"`, or `"device"` to follow the device.
pub const CSS: &str = include_str!("chart.css");

pub(crate) fn write(drawing: &Drawing, title: &str, says: &str) -> String {
    let name = fingerprint(title, says);
    let (wide, high) = (number(drawing.width), number(drawing.height));
    let mut svg = String::new();
    let mut add = |text: std::fmt::Arguments<'_>| {
        // Writing to memory cannot fail.
        let _ = svg.write_fmt(text);
    };
    add(format_args!(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"chart\" role=\"img\" \
         aria-labelledby=\"{name}-t {name}-d\" viewBox=\"0 0 {wide} {high}\" \
         width=\"{wide}\" height=\"{high}\" font-family=\"DejaVu Sans, system-ui, sans-serif\">\n\
         <title id=\"{name}-t\">{}</title>\n<desc id=\"{name}-d\">{}</desc>\n",
        escaped(title),
        escaped(says),
    ));
    for shape in &drawing.shapes {
        match shape {
            Shape::Path { steps, fill, pen } => {
                add(format_args!(
                    "<path{} d=\"{}\"/>\n",
                    look(*fill, pen.as_ref()),
                    path(steps)
                ));
            }
            Shape::Circle { x, y, r, fill, pen } => {
                add(format_args!(
                    "<circle{} cx=\"{}\" cy=\"{}\" r=\"{}\"/>\n",
                    look(*fill, pen.as_ref()),
                    number(*x),
                    number(*y),
                    number(*r)
                ));
            }
            Shape::Words(words) => add(format_args!("{}\n", text(words))),
        }
    }
    svg.push_str("</svg>\n");
    svg
}

/// Presentation attributes: a page's policy may forbid styles inside elements, and its own
/// rules win over these.
fn look(fill: Option<Ink>, pen: Option<&Pen>) -> String {
    let classes: Vec<String> = [
        fill.map(|ink| format!("f-{}", ink.name())),
        pen.map(|pen| format!("s-{}", pen.ink.name())),
    ]
    .into_iter()
    .flatten()
    .collect();
    let mut look = format!(" class=\"{}\" fill=\"{}\"", classes.join(" "), colour(fill));
    if let Some(pen) = pen {
        let (ink, width) = (colour(Some(pen.ink)), number(pen.width));
        let _ = write!(look, " stroke=\"{ink}\" stroke-width=\"{width}\"");
        let dashes = pen.stroke.pattern();
        if !dashes.is_empty() {
            let dashes: Vec<_> = dashes.iter().map(|d| number(*d)).collect();
            let _ = write!(look, " stroke-dasharray=\"{}\"", dashes.join(" "));
        }
        look.push_str(" stroke-linejoin=\"round\"");
    }
    look
}

fn text(words: &Words) -> String {
    let (x, y) = (number(words.x), number(words.y));
    let anchor = match words.anchor {
        Anchor::Start => "",
        Anchor::Middle => " text-anchor=\"middle\"",
        Anchor::End => " text-anchor=\"end\"",
    };
    let bold = if words.bold {
        " font-weight=\"700\""
    } else {
        ""
    };
    let turned = match words.upright {
        true => format!(" transform=\"rotate(-90 {x} {y})\""),
        false => String::new(),
    };
    format!(
        "<text class=\"f-{}\" fill=\"{}\" x=\"{x}\" y=\"{y}\" font-size=\"{}\"{anchor}{bold}{turned}>{}</text>",
        words.ink.name(),
        colour(Some(words.ink)),
        number(words.size),
        escaped(&words.text)
    )
}

fn path(steps: &[Step]) -> String {
    let steps = steps.iter().map(|step| match step {
        Step::Move(x, y) => format!("M{} {}", number(*x), number(*y)),
        Step::Line(x, y) => format!("L{} {}", number(*x), number(*y)),
        Step::Close => "Z".to_owned(),
    });
    steps.collect()
}

fn colour(ink: Option<Ink>) -> String {
    ink.map_or_else(
        || "none".to_owned(),
        |ink| {
            let [r, g, b] = ink.rgb();
            format!("#{r:02x}{g:02x}{b:02x}")
        },
    )
}

/// A tenth of a pixel is as fine as an eye sees.
fn number(value: f64) -> String {
    let text = format!("{value:.1}");
    let short = text.strip_suffix(".0").unwrap_or(&text);
    match short {
        "-0" => "0".to_owned(),
        other => other.to_owned(),
    }
}

/// XML text; what XML cannot carry becomes a blank.
fn escaped(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            c if c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}') => safe.push(' '),
            c => safe.push(c),
        }
    }
    safe
}

/// A name for the elements that speak for the chart, so that several charts stand in one
/// page: the FNV-1a hash of what it says.
fn fingerprint(title: &str, says: &str) -> String {
    let bytes = title.bytes().chain([0]).chain(says.bytes());
    let hash = bytes.fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
        (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
    });
    format!("chart-{hash:016x}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_people_wrote_cannot_break_out_of_the_picture() {
        assert_eq!(
            escaped("\"<b>\" & co\u{1b}"),
            "&quot;&lt;b&gt;&quot; &amp; co "
        );
    }

    #[test]
    fn every_colour_has_a_rule_for_light_and_dark() {
        for ink in Ink::ALL {
            let name = ink.name();
            assert!(CSS.contains(&format!(".f-{name}")), "no fill for {name}");
            let variable = format!("--chart-{name}:");
            assert_eq!(CSS.matches(&variable).count(), 3, "{name}");
            let [r, g, b] = ink.rgb();
            let light = format!("{variable} #{r:02x}{g:02x}{b:02x};");
            assert!(CSS.contains(&light), "{name} differs from print");
        }
    }
}
