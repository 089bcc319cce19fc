//! What one symbol holds.

use std::fmt;

use facts::Sscc;

use crate::{Element, Gtin, SEPARATOR};

/// Elements that may not stand together, or not alone. The pairings are those of the GS1
/// Barcode Syntax Dictionary.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadPairing {
    /// Nothing in it.
    #[error("a symbol needs at least one element")]
    Empty,
    /// One AI stands twice.
    #[error("({0}) stands here twice")]
    Twice(String),
    /// An AI without one that must stand beside it.
    #[error("({ai}) needs {needs} beside it")]
    Alone {
        /// The AI.
        ai: String,
        /// What must stand beside it.
        needs: &'static str,
    },
    /// Two AIs that exclude each other.
    #[error("({0}) and ({1}) may not stand in one symbol")]
    Together(&'static str, &'static str),
    /// Two net weights in kilograms.
    #[error("a symbol tells one net weight only")]
    Weights,
    /// An item whose weight varies, without its weight.
    #[error(
        "({0}) is of a product whose weight varies (its number starts with 9): it needs a net weight beside it"
    )]
    NoWeight(Gtin),
    /// An element that was read and not understood cannot be written.
    #[error("{0:?} is not understood: leave it out")]
    Unread(String),
}

/// Elements in the order in which a symbol holds them.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ElementString(Vec<Element>);

impl ElementString {
    /// Elements for a symbol: those of predefined length first, so that few separators are
    /// needed, else in the order given.
    ///
    /// # Errors
    /// [`BadPairing`] says which element is missing or may not stand here.
    pub fn new(elements: impl IntoIterator<Item = Element>) -> Result<Self, BadPairing> {
        let mut elements: Vec<Element> = elements.into_iter().collect();
        elements.sort_by_key(Element::is_ended_by_separator);
        let string = Self(elements);
        string.check()?;
        Ok(string)
    }

    /// Elements for a second symbol on the same label, whose first symbol holds what these
    /// need beside them: a case's number may stand in a bar code of its own.
    ///
    /// # Errors
    /// [`BadPairing`] says which element is missing or may not stand here.
    pub fn beside(
        first: &Self,
        elements: impl IntoIterator<Item = Element>,
    ) -> Result<Self, BadPairing> {
        let mut elements: Vec<Element> = elements.into_iter().collect();
        elements.sort_by_key(Element::is_ended_by_separator);
        Self(first.0.iter().chain(&elements).cloned().collect()).check()?;
        Ok(Self(elements))
    }

    /// Elements as they were read: not checked against each other, since a stranger's label
    /// should be understood as far as it goes.
    pub(crate) const fn as_read(elements: Vec<Element>) -> Self {
        Self(elements)
    }

    /// Whether the elements may stand together.
    ///
    /// # Errors
    /// [`BadPairing`] says which element is missing or may not stand here.
    pub fn check(&self) -> Result<(), BadPairing> {
        if self.0.is_empty() {
            return Err(BadPairing::Empty);
        }
        for (nth, element) in self.0.iter().enumerate() {
            if let Element::Unread(text) = element {
                return Err(BadPairing::Unread(text.clone()));
            }
            if self.0[..nth].iter().any(|other| other.ai() == element.ai()) {
                return Err(BadPairing::Twice(element.ai().to_string()));
            }
        }
        let has = |test: fn(&Element) -> bool| self.0.iter().any(test);
        let item = has(|e| matches!(e, Element::Gtin(_)));
        let inside = has(|e| matches!(e, Element::Contents(_)));
        let case = has(|e| matches!(e, Element::Sscc(_)));
        let counted = has(|e| matches!(e, Element::Inside(_)));
        if item && inside {
            return Err(BadPairing::Together("01", "02"));
        }
        if item && counted {
            return Err(BadPairing::Together("01", "37"));
        }
        let weights = |e: &&Element| matches!(e, Element::NetWeight(_));
        if self.0.iter().filter(weights).count() > 1 {
            return Err(BadPairing::Weights);
        }
        for element in &self.0 {
            let (holds, needs) = match element {
                Element::Contents(_) => (counted, "(37)"),
                Element::Inside(_) => (case && inside, "(00) and (02)"),
                Element::Serial(_) | Element::Source(_) => (item, "(01)"),
                Element::Lot(_)
                | Element::Made(_)
                | Element::Packed(_)
                | Element::BestBefore(_)
                | Element::SellBy(_)
                | Element::UseBy(_)
                | Element::Pieces(_)
                | Element::NetWeight(_)
                | Element::NetPounds(_) => (item || inside, "(01) or (02)"),
                Element::GrossWeight(_) => (case || item, "(00) or (01)"),
                _ => continue,
            };
            if !holds {
                return Err(BadPairing::Alone {
                    ai: element.ai().to_string(),
                    needs,
                });
            }
        }
        let weighed = has(|e| matches!(e, Element::NetWeight(_) | Element::NetPounds(_)));
        for element in &self.0 {
            if let Element::Gtin(gtin) | Element::Contents(gtin) = element
                && gtin.varies()
                && !weighed
            {
                return Err(BadPairing::NoWeight(*gtin));
            }
        }
        Ok(())
    }

    /// The elements.
    #[must_use]
    pub fn elements(&self) -> &[Element] {
        &self.0
    }

    /// The characters of the symbol without the FNC1 at its start; [`SEPARATOR`] ends each
    /// value of variable length but the last.
    #[must_use]
    pub fn data(&self) -> String {
        let mut data = String::new();
        for (nth, element) in self.0.iter().enumerate() {
            data += &element.ai();
            data += &element.value();
            if element.is_ended_by_separator() && nth + 1 < self.0.len() {
                data.push(SEPARATOR);
            }
        }
        data
    }

    /// The trade item it names (AI 01), if it names one.
    #[must_use]
    pub fn gtin(&self) -> Option<Gtin> {
        self.0.iter().find_map(|element| match element {
            Element::Gtin(gtin) => Some(*gtin),
            _ => None,
        })
    }

    /// The lot (AI 10), if it names one.
    #[must_use]
    pub fn lot(&self) -> Option<&str> {
        self.0.iter().find_map(|element| match element {
            Element::Lot(lot) => Some(lot.as_str()),
            _ => None,
        })
    }

    /// The serial (AI 21), if it names one.
    #[must_use]
    pub fn serial(&self) -> Option<&str> {
        self.0.iter().find_map(|element| match element {
            Element::Serial(serial) => Some(serial.as_str()),
            _ => None,
        })
    }

    /// The case or pallet (AI 00), if it names one.
    #[must_use]
    pub fn sscc(&self) -> Option<Sscc> {
        self.0.iter().find_map(|element| match element {
            Element::Sscc(number) => Some(*number),
            _ => None,
        })
    }
}

impl fmt::Display for ElementString {
    /// For people: `(01)99521234543216(10)26W05-3`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|element| element.fmt(f))
    }
}
