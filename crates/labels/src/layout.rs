//! A template and a label's values become a drawing.

use crate::content::{Label, Value};
use crate::font::Face;
use crate::symbol::{self, Form, Payload};
use crate::template::{Ground, Part, SymbolField, Template, TextField};
use crate::text::{self, Align, Piece, Style};
use crate::{Dpi, Drawing, Kind, LabelError, LabelJob, Slot, Templates};

/// Thickness of a frame's lines, in millimetres.
const LINE_MM: f32 = 0.375;

impl Templates {
    /// Lays a job's label out for one printer resolution.
    ///
    /// Invariant: nothing is drawn outside its field's place, and nothing is left out that
    /// does not fit.
    ///
    /// # Errors
    /// [`LabelError`] when a text or symbol does not fit, or the label's values make no
    /// element string.
    pub fn draw(&self, job: &LabelJob, dpi: Dpi) -> Result<Drawing, LabelError> {
        self.lay_out(&job.label, job.copy, dpi)
    }

    /// The same for a label that no fact asks for, such as a stillage's.
    ///
    /// # Errors
    /// As [`Templates::draw`].
    pub fn draw_label(&self, label: &Label, dpi: Dpi) -> Result<Drawing, LabelError> {
        self.lay_out(label, false, dpi)
    }

    /// The places that a kind's template keeps for its texts and symbols.
    ///
    /// # Errors
    /// [`LabelError::Draw`] only if our own template were damaged.
    pub fn places(&self, kind: Kind, dpi: Dpi) -> Result<Vec<Slot>, LabelError> {
        let template = self.of(kind)?;
        let texts = template.texts.iter().map(|text| text.place_mm);
        let symbols = template.symbols.iter().map(|symbol| symbol.place_mm);
        Ok(texts
            .chain(symbols)
            .map(|place| Slot::mm(dpi, place))
            .collect())
    }

    /// What the symbols of a label hold, in the order of its template.
    ///
    /// # Errors
    /// [`LabelError::Elements`] when the label's values make no element string.
    pub fn symbols(&self, label: &Label) -> Result<Vec<(Form, Payload)>, LabelError> {
        let mut symbols = Vec::new();
        for field in &self.of(label.kind())?.symbols {
            if let Some(payload) = label.payload(&field.holds)? {
                symbols.push((field.form, payload));
            }
        }
        Ok(symbols)
    }

    fn lay_out(&self, label: &Label, copy: bool, dpi: Dpi) -> Result<Drawing, LabelError> {
        Layout::new(self.of(label.kind())?, label, copy, dpi).draw()
    }
}

struct Layout<'a> {
    template: &'a Template,
    label: &'a Label,
    values: Vec<(&'static str, Value)>,
    drawing: Drawing,
}

impl<'a> Layout<'a> {
    fn new(template: &'a Template, label: &'a Label, copy: bool, dpi: Dpi) -> Self {
        let [width, height] = template.size_mm;
        let page = Slot::mm(dpi, [0.0, 0.0, width, height]);
        Self {
            template,
            label,
            values: label.fields(&template.notation, copy),
            drawing: Drawing::blank(page.width, page.height, dpi),
        }
    }

    fn draw(mut self) -> Result<Drawing, LabelError> {
        for field in &self.template.texts {
            if let Some(pieces) = self.pieces(field) {
                self.text(field, &pieces)?;
            }
        }
        for field in &self.template.symbols {
            self.symbol(field)?;
        }
        Ok(self.drawing)
    }

    fn value(&self, name: &str) -> Option<&Value> {
        let named = self.values.iter().find(|(field, _)| *field == name);
        named.map(|(_, value)| value)
    }

    fn says_nothing(&self, name: &str) -> bool {
        match self.value(name) {
            Some(Value::Words(text) | Value::Marked(text)) => text.trim().is_empty(),
            None => true,
        }
    }

    /// What a text says; nothing when a field in it says nothing.
    fn pieces(&self, field: &TextField) -> Option<Vec<Piece>> {
        if field
            .when
            .as_deref()
            .is_some_and(|when| self.says_nothing(when))
        {
            return None;
        }
        let mut pieces = Vec::new();
        let mut add = |text: &str, emphasised: bool| {
            let face = if emphasised { Face::Bold } else { field.face };
            pieces.push(Piece {
                text: text.to_owned(),
                face,
            });
        };
        for part in &field.parts {
            match part {
                Part::Words(text, emphasised) => add(text, *emphasised),
                Part::Field(name, _) if self.says_nothing(name) => return None,
                Part::Field(name, emphasised) => match self.value(name)? {
                    Value::Words(text) => add(text, *emphasised),
                    Value::Marked(text) => {
                        for (nth, part) in text.split("**").enumerate() {
                            add(part, *emphasised || nth % 2 == 1);
                        }
                    }
                },
            }
        }
        Some(pieces)
    }

    fn text(&mut self, field: &TextField, pieces: &[Piece]) -> Result<(), LabelError> {
        let dpi = self.drawing.dpi;
        let slot = Slot::mm(dpi, field.place_mm);
        let line = dpi.dots(LINE_MM).round() as u32;
        let mut style = Style {
            white: false,
            align: field.align,
            lines: field.lines,
            largest: dpi.dots(field.largest_mm),
            smallest: dpi.dots(field.smallest_mm),
        };
        let inside = match field.ground {
            Ground::Bare => slot,
            Ground::Frame => {
                self.drawing.frame(slot, line);
                style.align = Align::Centre;
                slot.inset(3 * line, line)
            }
            Ground::Band => {
                self.drawing.bar(slot, true);
                style.align = Align::Centre;
                style.white = true;
                slot.inset(3 * line, 0)
            }
        };
        text::set(&mut self.drawing, pieces, style, inside)
    }

    fn symbol(&mut self, field: &SymbolField) -> Result<(), LabelError> {
        let Some(payload) = self.label.payload(&field.holds)? else {
            return Ok(());
        };
        let dpi = self.drawing.dpi;
        let slot = Slot::mm(dpi, field.place_mm);
        // A dot less than asked for would be a tenth of a millimetre; half a dot is rounding.
        let least = dpi.dots(field.least_module_mm).round().max(1.0) as u32;
        symbol::draw(&mut self.drawing, field.form, &payload, slot, least)
    }
}
