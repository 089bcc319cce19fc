//! Where everything stands on a wheel's label.

use std::fmt::Write as _;

use crate::text::{self, Align, Style};
use crate::{Bitmap, Dpi, LabelError, LabelJob, Slot, symbol};

/// The label's width and height, in millimetres.
const SIZE_MM: (f32, f32) = (100.0, 60.0);

/// Smallest letters, in millimetres of em. DejaVu Sans has an x-height of 0.547 em, so
/// this keeps the 1.2 mm x-height that Regulation (EU) 1169/2011, article 13(2), asks
/// of mandatory particulars.
const SMALLEST_MM: f32 = 2.2;

/// One wheel's label, laid out for one printer resolution.
///
/// Invariant: slots do not overlap, and nothing is drawn outside them.
#[derive(Debug, Clone)]
pub struct WheelLabel {
    dpi: Dpi,
    width: u32,
    height: u32,
    slots: Vec<Slot>,
    body: String,
}

impl WheelLabel {
    /// Lays a job out.
    ///
    /// # Errors
    /// [`LabelError`] when the drawing library refuses; no job that could be read causes it.
    pub fn new(job: &LabelJob, dpi: Dpi) -> Result<Self, LabelError> {
        let page = Slot::mm(dpi, 0.0, 0.0, SIZE_MM.0, SIZE_MM.1);
        let mut label = Self {
            dpi,
            width: page.width,
            height: page.height,
            slots: Vec::new(),
            body: String::new(),
        };
        label.name_the_wheel(job)?;
        label.tell_its_make(job)?;
        label.warn(job)?;
        label.name_the_dairy(job)?;
        label.draw_symbol(job)?;
        Ok(label)
    }

    fn name_the_wheel(&mut self, job: &LabelJob) -> Result<(), LabelError> {
        let product = Style {
            lines: 2,
            ..self.bold(8.2)
        };
        self.text(&job.product, product, [2.5, 2.5, 95.0, 9.5])?;
        self.text(
            job.wheel.as_str(),
            uncut(self.bold(13.0)),
            [2.5, 13.0, 95.0, 13.5],
        )
    }

    fn tell_its_make(&mut self, job: &LabelJob) -> Result<(), LabelError> {
        let grams = job.weight_g.get();
        let weight = format!("{}.{:03} kg", grams / 1000, grams % 1000);
        let made = job.made.date().format("%-d %b %Y").to_string();
        let rows = [
            (27.5, "Batch", job.batch.as_str()),
            (32.6, "Made", &made),
            (37.7, "Portioned", &weight),
        ];
        for (y, caption, value) in rows {
            self.text(caption, self.plain(3.2), [2.5, y, 18.0, 4.4])?;
            self.text(value, uncut(self.bold(3.8)), [21.5, y, 48.5, 4.4])?;
        }
        Ok(())
    }

    fn warn(&mut self, job: &LabelJob) -> Result<(), LabelError> {
        self.text("Contains", self.plain(3.2), [2.5, 42.8, 18.0, 4.8])?;
        self.text("MILK", self.bold(4.2), [21.5, 42.8, 13.0, 4.8])?;
        if job.raw_milk {
            self.boxed(
                "MADE WITH RAW MILK",
                self.bold(3.4),
                [36.0, 42.8, 34.0, 4.8],
            )?;
        }
        self.banded(
            "RIPENING – NOT YET FOR SALE",
            self.bold(4.0),
            [2.5, 48.3, 67.5, 5.0],
        )
    }

    fn name_the_dairy(&mut self, job: &LabelJob) -> Result<(), LabelError> {
        self.text(&job.site_name, self.plain(3.0), [2.5, 54.0, 43.0, 3.8])?;
        if let Some(mark) = &job.identification_mark {
            let right = Style {
                align: Align::Right,
                ..uncut(self.bold(3.0))
            };
            self.text(mark, right, [46.5, 54.0, 23.5, 3.8])?;
        }
        Ok(())
    }

    /// The place is large enough for a symbol of 26 by 26 modules at half a millimetre
    /// and more, which GS1 element strings of product, lot, serial and weight need.
    fn draw_symbol(&mut self, job: &LabelJob) -> Result<(), LabelError> {
        let code = job.scan_code();
        let slot = self.slot([71.5, 27.5, 26.0, 26.0]);
        let path = symbol::path(&code, slot)?;
        let _ = writeln!(self.body, r#"<path d="{path}"/>"#);
        let centred = Style {
            align: Align::Centre,
            ..uncut(self.plain(3.0))
        };
        self.text(&code, centred, [71.5, 54.0, 26.0, 3.8])
    }

    fn plain(&self, largest_mm: f32) -> Style {
        Style {
            bold: false,
            inverse: false,
            align: Align::Left,
            lines: 1,
            largest: self.dpi.dots(largest_mm),
            smallest: self.dpi.dots(SMALLEST_MM),
        }
    }

    fn bold(&self, largest_mm: f32) -> Style {
        Style {
            bold: true,
            ..self.plain(largest_mm)
        }
    }

    fn slot(&mut self, [x, y, width, height]: [f32; 4]) -> Slot {
        let slot = Slot::mm(self.dpi, x, y, width, height);
        self.slots.push(slot);
        slot
    }

    fn text(&mut self, words: &str, style: Style, place_mm: [f32; 4]) -> Result<(), LabelError> {
        let slot = self.slot(place_mm);
        self.body += &text::set(words, style, slot)?;
        Ok(())
    }

    /// Words in a frame.
    fn boxed(&mut self, words: &str, style: Style, place_mm: [f32; 4]) -> Result<(), LabelError> {
        let slot = self.slot(place_mm);
        let line = self.dpi.dots(0.375).round() as u32;
        self.rectangle(slot, "black");
        self.rectangle(slot.inset(line, line), "white");
        let style = Style {
            align: Align::Centre,
            ..style
        };
        self.body += &text::set(words, style, slot.inset(4 * line, line))?;
        Ok(())
    }

    /// White words on a black band.
    fn banded(&mut self, words: &str, style: Style, place_mm: [f32; 4]) -> Result<(), LabelError> {
        let slot = self.slot(place_mm);
        self.rectangle(slot, "black");
        let style = Style {
            align: Align::Centre,
            inverse: true,
            ..style
        };
        self.body += &text::set(
            words,
            style,
            slot.inset(self.dpi.dots(1.5).round() as u32, 0),
        )?;
        Ok(())
    }

    fn rectangle(
        &mut self,
        Slot {
            x,
            y,
            width,
            height,
        }: Slot,
        fill: &str,
    ) {
        // Writing to a String cannot fail.
        let _ = writeln!(
            self.body,
            r#"<rect x="{x}" y="{y}" width="{width}" height="{height}" fill="{fill}"/>"#
        );
    }

    /// The drawing as SVG, one unit a printer dot.
    #[must_use]
    pub fn svg(&self) -> String {
        let (width, height) = (self.width, self.height);
        format!(
            r#"<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" viewBox="0 0 {width} {height}" font-family="DejaVu Sans">
<rect width="{width}" height="{height}" fill="white"/>
{}</svg>
"#,
            self.body
        )
    }

    /// The label in printer dots.
    ///
    /// # Errors
    /// [`LabelError::Draw`] when the drawing library refuses its own SVG.
    pub fn bitmap(&self) -> Result<Bitmap, LabelError> {
        Bitmap::draw(
            &text::parse(&self.svg())?,
            self.width,
            self.height,
            self.dpi,
        )
    }

    /// The label as a 1-bit PNG.
    ///
    /// # Errors
    /// As [`WheelLabel::bitmap`].
    pub fn png(&self) -> Result<Vec<u8>, LabelError> {
        self.bitmap()?.png()
    }

    /// The places things were drawn in, in the order of drawing.
    #[must_use]
    pub fn slots(&self) -> &[Slot] {
        &self.slots
    }
}

/// For codes, which shrink but are never cut: half a code names something else.
fn uncut(style: Style) -> Style {
    Style {
        smallest: 0.0,
        ..style
    }
}
