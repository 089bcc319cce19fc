//! What a label tells: the values that a template's fields stand for.

use std::collections::BTreeSet;
use std::fmt;

use facts::{BatchId, OrderId, Sscc, WheelId};
use gs1::{Count, Element, ElementString, Gtin, Measure};
use quantity::{DairyDay, Grams};
use serde::{Deserialize, Serialize};

use crate::{LabelError, Payload};

/// What every label of a dairy may say of it.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Dairy {
    /// Its name.
    pub name: String,
    /// The mark of the approved establishment, where local law asks for one, as the dairy
    /// writes it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub identification_mark: Option<String>,
    /// The domain of its Digital Link addresses, `https://id.example.org`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub link: Option<String>,
}

/// What a label says of a cheese.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Product {
    /// What it is called.
    pub name: String,
    /// Made with milk that was not pasteurised: the label must say so.
    #[serde(default)]
    pub raw_milk: bool,
    /// Its trade item number; without one, symbols hold our own short codes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gtin: Option<Gtin>,
    /// How it is to be kept.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub storage: Option<String>,
    /// Its ingredients; `**milk**` is emphasised.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ingredients: Option<String>,
}

/// A wheel's label: it goes with the wheel from portioning on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WheelLabel {
    /// The wheel.
    pub wheel: WheelId,
    /// Its batch, which is its lot.
    pub batch: BatchId,
    /// The day it was made.
    pub made: DairyDay,
    /// Its best-before day.
    #[serde(default)]
    pub best_before: Option<DairyDay>,
    /// What it weighed when it was weighed last, in grams.
    pub weight_g: Grams,
    /// The cheese.
    pub product: Product,
    /// The dairy.
    pub dairy: Dairy,
}

/// A case of wheels that leaves the dairy, with what it weighs.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CaseLabel {
    /// The case's number.
    pub case: Sscc,
    /// The order it goes to.
    #[serde(default)]
    pub order: Option<OrderId>,
    /// Who gets it.
    #[serde(default)]
    pub customer: Option<String>,
    /// The wheels in it, at least one.
    pub wheels: Vec<CaseWheel>,
    /// The earliest best-before day of its wheels.
    #[serde(default)]
    pub best_before: Option<DairyDay>,
    /// The cheese.
    pub product: Product,
    /// The dairy.
    pub dairy: Dairy,
}

/// One wheel of a case.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CaseWheel {
    /// The wheel.
    pub wheel: WheelId,
    /// Its batch.
    pub batch: BatchId,
    /// What it weighed when it was weighed last, in grams.
    pub weight_g: Grams,
}

/// A card that stands for something: a name, a line about it, and the code that a station
/// reads.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Card {
    /// The code, such as `S.S07`.
    pub code: String,
    /// What people call it.
    pub name: String,
    /// What to do with it, or where it is.
    #[serde(default)]
    pub note: String,
    /// The dairy's name.
    #[serde(default)]
    pub dairy: String,
}

/// What a label is of, with what it tells.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "kind", rename_all = "snake_case")]
pub enum Label {
    /// A wheel.
    Wheel(WheelLabel),
    /// A case.
    Case(CaseLabel),
    /// A stillage.
    Stillage(Card),
    /// A room's door.
    Room(Card),
    /// A place in a room.
    Position(Card),
    /// An action, a grade, a number or anything else that is scanned from a card.
    Action(Card),
    /// A person's badge.
    Badge(Card),
}

/// The kinds of label; each has a template.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[allow(missing_docs)] // as those of `Label`
pub enum Kind {
    Wheel,
    Case,
    Stillage,
    Room,
    Position,
    Action,
    Badge,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 7] = [
        Self::Wheel,
        Self::Case,
        Self::Stillage,
        Self::Room,
        Self::Position,
        Self::Action,
        Self::Badge,
    ];

    /// Its name, as in a template.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Wheel => "wheel",
            Self::Case => "case",
            Self::Stillage => "stillage",
            Self::Room => "room",
            Self::Position => "position",
            Self::Action => "action",
            Self::Badge => "badge",
        }
    }

    /// The fields that a template of this kind may name.
    #[must_use]
    pub const fn fields(self) -> &'static [&'static str] {
        match self {
            Self::Wheel => &[
                "product",
                "gtin",
                "raw_milk",
                "storage",
                "ingredients",
                "dairy",
                "mark",
                "wheel",
                "batch",
                "made",
                "best_before",
                "weight",
                "copy",
            ],
            Self::Case => &[
                "product",
                "gtin",
                "raw_milk",
                "storage",
                "ingredients",
                "dairy",
                "mark",
                "case",
                "contents",
                "order",
                "customer",
                "count",
                "wheels",
                "batches",
                "best_before",
                "weight",
                "copy",
            ],
            _ => &["code", "name", "note", "dairy"],
        }
    }

    /// An invented label of this kind with every field filled: for previews.
    ///
    /// # Errors
    /// The JSON error, which a test keeps from happening.
    pub fn sample(self) -> Result<Label, serde_json::Error> {
        serde_json::from_str(match self {
            Self::Wheel => include_str!("../samples/wheel.json"),
            Self::Case => include_str!("../samples/case.json"),
            Self::Stillage => include_str!("../samples/stillage.json"),
            Self::Room => include_str!("../samples/room.json"),
            Self::Position => include_str!("../samples/position.json"),
            Self::Action => include_str!("../samples/action.json"),
            Self::Badge => include_str!("../samples/badge.json"),
        })
    }

    /// Whether its labels are printed one by one as the floor asks for them, so that one
    /// printed again must say so.
    #[must_use]
    pub const fn is_asked_for(self) -> bool {
        matches!(self, Self::Wheel | Self::Case)
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// How a template writes numbers and dates.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Notation {
    /// A date, in the letters of `strftime`.
    pub dates: String,
    /// A comma before decimals instead of a point.
    pub decimal_comma: bool,
}

impl Notation {
    fn date(&self, day: DairyDay) -> String {
        day.date().format(&self.dates).to_string()
    }

    fn weight(&self, grams: u64) -> String {
        let sign = if self.decimal_comma { ',' } else { '.' };
        format!("{}{sign}{:03} kg", grams / 1_000, grams % 1_000)
    }
}

/// What a field stands for.
pub(crate) enum Value {
    /// Words as they are; none leaves the text out.
    Words(String),
    /// Words in which `**…**` is emphasised.
    Marked(String),
}

impl Label {
    /// Its kind.
    #[must_use]
    pub const fn kind(&self) -> Kind {
        match self {
            Self::Wheel(_) => Kind::Wheel,
            Self::Case(_) => Kind::Case,
            Self::Stillage(_) => Kind::Stillage,
            Self::Room(_) => Kind::Room,
            Self::Position(_) => Kind::Position,
            Self::Action(_) => Kind::Action,
            Self::Badge(_) => Kind::Badge,
        }
    }

    /// What it is of, in one word.
    #[must_use]
    pub fn of(&self) -> String {
        match self {
            Self::Wheel(wheel) => wheel.wheel.to_string(),
            Self::Case(case) => case.case.to_string(),
            Self::Stillage(card)
            | Self::Room(card)
            | Self::Position(card)
            | Self::Action(card)
            | Self::Badge(card) => card.code.clone(),
        }
    }

    /// The fields of its kind with their values.
    pub(crate) fn fields(&self, notation: &Notation, copy: bool) -> Vec<(&'static str, Value)> {
        let mut fields = match self {
            Self::Wheel(wheel) => wheel.fields(notation),
            Self::Case(case) => case.fields(notation),
            Self::Stillage(card)
            | Self::Room(card)
            | Self::Position(card)
            | Self::Action(card)
            | Self::Badge(card) => card.fields(),
        };
        if self.kind().is_asked_for() {
            fields.push(("copy", words(if copy { "COPY" } else { "" })));
        }
        fields
    }

    /// The names of what its kind's symbols may hold.
    pub(crate) const fn payloads(kind: Kind) -> &'static [&'static str] {
        match kind {
            Kind::Wheel => &["identity", "address"],
            Kind::Case => &["number", "contents", "everything"],
            _ => &["code"],
        }
    }

    /// What a symbol holds. `None`: nothing, and the symbol is left out.
    ///
    /// # Errors
    /// [`LabelError::Elements`] when the values do not make an element string.
    pub(crate) fn payload(&self, name: &str) -> Result<Option<Payload>, LabelError> {
        let elements = |made: Result<ElementString, gs1::BadPairing>| {
            made.map(Payload::Elements)
                .map(Some)
                .map_err(|error| LabelError::Elements(error.to_string()))
        };
        match self {
            Self::Wheel(wheel) => match (name, wheel.elements()?) {
                ("identity", Some(made)) => Ok(Some(Payload::Elements(made))),
                ("identity", None) => Ok(Some(Payload::Code(wheel.code()))),
                (_, Some(made)) => match &wheel.dairy.link {
                    Some(domain) => made
                        .digital_link(domain)
                        .map(|link| Some(Payload::Address(link)))
                        .map_err(|error| LabelError::Elements(error.to_string())),
                    None => Ok(None),
                },
                (_, None) => Ok(None),
            },
            Self::Case(case) => {
                let number = ElementString::new([Element::Sscc(case.case)]);
                let contents = case.contents(name == "everything")?;
                match (name, number) {
                    ("number", number) => elements(number),
                    (_, Err(error)) => elements(Err(error)),
                    ("contents", Ok(_)) if contents.is_empty() => Ok(None),
                    ("contents", Ok(number)) => elements(ElementString::beside(&number, contents)),
                    (_, Ok(number)) => {
                        let number = number.elements().iter().cloned();
                        elements(ElementString::new(number.chain(contents)))
                    }
                }
            }
            Self::Stillage(card)
            | Self::Room(card)
            | Self::Position(card)
            | Self::Action(card)
            | Self::Badge(card) => Ok(Some(Payload::Code(card.code.clone()))),
        }
    }
}

fn words(text: &str) -> Value {
    Value::Words(text.to_owned())
}

/// More serials and lots than these do not fit a case's label, as on a pallet: its cases and
/// the dispatch note name them.
const LISTED_SERIALS: usize = 16;
const LISTED_LOTS: usize = 6;

fn listed(names: Vec<String>, most: usize, what: &str) -> Value {
    if names.len() <= most {
        return words(&names.join(", "));
    }
    words(&format!("{} {what}: see the dispatch note", names.len()))
}

fn maybe(text: Option<&str>) -> Value {
    words(text.unwrap_or_default())
}

/// A field that only says whether something is so: its words are the template's.
fn whether(so: bool) -> Value {
    words(if so { "yes" } else { "" })
}

fn wrong(error: impl fmt::Display) -> LabelError {
    LabelError::Elements(error.to_string())
}

impl Product {
    fn fields(&self, dairy: &Dairy) -> Vec<(&'static str, Value)> {
        let marked = |text: &Option<String>| Value::Marked(text.clone().unwrap_or_default());
        vec![
            ("product", words(&self.name)),
            (
                "gtin",
                maybe(self.gtin.map(|gtin| gtin.to_string()).as_deref()),
            ),
            ("raw_milk", whether(self.raw_milk)),
            ("storage", marked(&self.storage)),
            ("ingredients", marked(&self.ingredients)),
            ("dairy", words(&dairy.name)),
            ("mark", maybe(dairy.identification_mark.as_deref())),
        ]
    }
}

impl WheelLabel {
    /// The code as every station reads it: `W.<wheel>`.
    #[must_use]
    pub fn code(&self) -> String {
        format!("W.{}", self.wheel)
    }

    fn fields(&self, notation: &Notation) -> Vec<(&'static str, Value)> {
        let mut fields = self.product.fields(&self.dairy);
        let best = self.best_before.map(|day| notation.date(day));
        fields.extend([
            ("wheel", words(self.wheel.as_str())),
            ("batch", words(self.batch.as_str())),
            ("made", words(&notation.date(self.made))),
            ("best_before", maybe(best.as_deref())),
            (
                "weight",
                words(&notation.weight(self.weight_g.get().into())),
            ),
        ]);
        fields
    }

    /// What it says in GS1, for a cheese with a trade item number.
    ///
    /// # Errors
    /// [`LabelError::Elements`]: a weight from 1 000 kg.
    pub fn elements(&self) -> Result<Option<ElementString>, LabelError> {
        let Some(gtin) = self.product.gtin else {
            return Ok(None);
        };
        let mut elements = vec![
            Element::Gtin(gtin),
            Element::made(self.made.date()),
            Element::net_weight(self.weight_g).map_err(wrong)?,
            Element::lot(self.batch.as_str()).map_err(wrong)?,
            Element::serial(self.wheel.as_str()).map_err(wrong)?,
        ];
        elements.extend(self.best_before.map(|day| Element::best_before(day.date())));
        ElementString::new(elements).map(Some).map_err(wrong)
    }
}

impl CaseLabel {
    /// Net weight of its wheels, in grams.
    #[must_use]
    pub fn weight_g(&self) -> u64 {
        let weights = self.wheels.iter().map(|wheel| wheel.weight_g.get());
        weights.map(u64::from).sum()
    }

    /// Its batches, each once.
    fn batches(&self) -> BTreeSet<BatchId> {
        self.wheels.iter().map(|wheel| wheel.batch).collect()
    }

    fn fields(&self, notation: &Notation) -> Vec<(&'static str, Value)> {
        let mut fields = self.product.fields(&self.dairy);
        let best = self.best_before.map(|day| notation.date(day));
        let serials = self.wheels.iter().map(|w| w.wheel.to_string());
        let batches = self.batches().iter().map(ToString::to_string).collect();
        let order = self.order.map(|order| order.to_string());
        // What makes no element string is refused where the symbol is drawn.
        let contents = self.contents(false).unwrap_or_default();
        let contents = contents.iter().map(ToString::to_string).collect::<String>();
        fields.extend([
            ("case", words(&self.case.to_string())),
            ("contents", words(&contents)),
            ("order", maybe(order.as_deref())),
            ("customer", maybe(self.customer.as_deref())),
            ("count", words(&self.wheels.len().to_string())),
            (
                "wheels",
                listed(serials.collect(), LISTED_SERIALS, "wheels"),
            ),
            ("batches", listed(batches, LISTED_LOTS, "lots")),
            ("best_before", maybe(best.as_deref())),
            ("weight", words(&notation.weight(self.weight_g()))),
        ]);
        fields
    }

    /// What is inside, for a cheese with a trade item number: net weight and count; of
    /// everything also the lot, where all wheels share it, and the best-before day.
    fn contents(&self, everything: bool) -> Result<Vec<Element>, LabelError> {
        let Some(gtin) = self.product.gtin else {
            return Ok(Vec::new());
        };
        let inside = u32::try_from(self.wheels.len()).map_err(wrong)?;
        let mut elements = vec![
            Element::Contents(gtin),
            Element::NetWeight(Measure::kilograms(self.weight_g(), 3).map_err(wrong)?),
            Element::Inside(Count::new(inside).map_err(wrong)?),
        ];
        if everything {
            elements.extend(self.best_before.map(|day| Element::best_before(day.date())));
            let batches = self.batches();
            if let (Some(lot), 1) = (batches.first(), batches.len()) {
                elements.push(Element::lot(lot.as_str()).map_err(wrong)?);
            }
        }
        Ok(elements)
    }
}

impl Card {
    fn fields(&self) -> Vec<(&'static str, Value)> {
        vec![
            ("code", words(&self.code)),
            ("name", words(&self.name)),
            ("note", words(&self.note)),
            ("dairy", words(&self.dairy)),
        ]
    }
}
