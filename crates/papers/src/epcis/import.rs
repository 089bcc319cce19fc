//! A supplier's EPCIS message as facts about what came in.
//!
//! Taken are events in which goods are received, or shipped to us: each quantity becomes a
//! milk lot or another lot. Whatever a message says besides is kept with it as the JSON it
//! was, and flagged, because it may matter: an unknown extension is never dropped.

use chrono::{DateTime, Utc};
use facts::{Amount, Document, Event, LotId, LotReceived, MilkReceived, Unit};
use quantity::{Litres, calendar};
use serde_json::{Map, Value};

use crate::dairy::{Bought, Dairy, Imported};

/// A message that cannot be taken at all.
#[derive(Debug, thiserror::Error)]
pub enum Refused {
    /// Not JSON.
    #[error(
        "the message is not JSON ({0}): EPCIS in XML is not read here, ask the supplier for EPCIS 2.0 as JSON-LD"
    )]
    NotJson(#[from] serde_json::Error),
    /// JSON, but no EPCIS.
    #[error(
        "the message is JSON, but no EPCIS: it has no event, and no epcisBody with an eventList"
    )]
    NoEvents,
}

/// One delivery that was taken.
#[derive(Debug, Clone, PartialEq)]
pub struct Taken {
    /// When, as the message says.
    pub at: DateTime<Utc>,
    /// What: milk or another lot received.
    pub event: Event,
}

/// What came of a message.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Import {
    /// What was taken.
    pub taken: Vec<Taken>,
    /// What a person has to look at: events that were left, and what was not understood.
    pub flags: Vec<String>,
}

/// Fields of an event that are understood, or that say nothing about goods received.
const KNOWN: [&str; 25] = [
    "@context",
    "id",
    "isA",
    "type",
    "eventID",
    "eventTime",
    "recordTime",
    "eventTimeZoneOffset",
    "action",
    "epcList",
    "quantityList",
    "childEPCs",
    "childQuantityList",
    "parentID",
    "outputEPCList",
    "outputQuantityList",
    "inputEPCList",
    "inputQuantityList",
    "bizStep",
    "disposition",
    "readPoint",
    "bizLocation",
    "bizTransactionList",
    "sourceList",
    "destinationList",
];

/// Reads a message.
///
/// # Errors
/// [`Refused`] when it is no EPCIS in JSON.
pub fn import(message: &str, dairy: &Dairy) -> Result<Import, Refused> {
    let message: Value = serde_json::from_str(message)?;
    let list = message
        .pointer("/epcisBody/eventList")
        .or_else(|| message.pointer("/epcisBody/queryResults/resultsBody/eventList"));
    let events: Vec<&Value> = match (list, &message) {
        (Some(Value::Array(events)), _) | (None, Value::Array(events)) => events.iter().collect(),
        (None, Value::Object(event)) if event.contains_key("eventTime") => vec![&message],
        _ => return Err(Refused::NoEvents),
    };
    let mut import = Import::default();
    for (number, event) in (1..).zip(events) {
        match event {
            Value::Object(event) => take(number, event, dairy, &mut import),
            _ => import
                .flags
                .push(format!("event {number} is no object: left")),
        }
    }
    Ok(import)
}

/// The last part of a name of the vocabulary, however it is written: `receiving`,
/// `urn:epcglobal:cbv:bizstep:receiving`, `https://ref.gs1.org/cbv/BizStep-receiving`.
fn short(text: &str) -> &str {
    let text = text.rsplit(['/', ':', '#']).next().unwrap_or(text);
    text.split_once('-').map_or(text, |(_, last)| last)
}

fn text<'v>(event: &'v Map<String, Value>, key: &str) -> Option<&'v str> {
    event.get(key)?.as_str()
}

fn take(number: usize, event: &Map<String, Value>, dairy: &Dairy, import: &mut Import) {
    let ty = text(event, "type")
        .or_else(|| text(event, "isA"))
        .unwrap_or("event");
    let name = format!("event {number} ({ty})");
    let step = text(event, "bizStep").map(short).unwrap_or_default();
    if event.contains_key("errorDeclaration") {
        import.flags.push(format!(
            "{name} takes back what was said before: look up what it corrects, nothing was changed here"
        ));
        return;
    }
    if !matches!(step, "receiving" | "accepting" | "shipping" | "arriving") {
        let step = if step.is_empty() { "no step" } else { step };
        import.flags.push(format!(
            "{name} is about {step}, not about goods that came in: left"
        ));
        return;
    }
    let time = text(event, "eventTime").and_then(|text| DateTime::parse_from_rfc3339(text).ok());
    let Some(at) = time.and_then(|at| calendar::instant(at.to_utc()).ok()) else {
        import
            .flags
            .push(format!("{name} has no time that can be read: left"));
        return;
    };
    let quantities = ["quantityList", "childQuantityList", "outputQuantityList"]
        .iter()
        .filter_map(|key| event.get(*key)?.as_array())
        .flatten();
    let pieces = ["epcList", "childEPCs", "outputEPCList"]
        .iter()
        .filter_map(|key| event.get(*key)?.as_array())
        .flatten();
    let strange = strange(event);
    if let Some(strange) = &strange {
        import.flags.push(format!(
            "{name} says more than is understood, kept with the lot: {strange}"
        ));
    }
    let with = Message {
        at,
        document: document(event),
        supplier: source(event),
        strange,
    };
    let before = import.taken.len();
    for quantity in quantities {
        let class = quantity.get("epcClass").and_then(Value::as_str);
        let amount = quantity.get("quantity").and_then(Value::as_f64);
        let unit = quantity
            .get("uom")
            .and_then(Value::as_str)
            .unwrap_or_default();
        match class {
            Some(class) => with.one(&name, class, amount, unit, dairy, import),
            None => import
                .flags
                .push(format!("{name} has a quantity of nothing named: left")),
        }
    }
    for piece in pieces {
        match piece.as_str() {
            Some(piece) => with.one(&name, piece, Some(1.0), "", dairy, import),
            None => import
                .flags
                .push(format!("{name} names a piece that is no text: left")),
        }
    }
    if import.taken.len() == before {
        import.flags.push(format!("{name} names no goods: left"));
    }
}

/// What holds for everything in one event.
struct Message {
    at: DateTime<Utc>,
    document: Option<Document>,
    supplier: Option<String>,
    strange: Option<String>,
}

impl Message {
    fn one(
        &self,
        name: &str,
        class: &str,
        amount: Option<f64>,
        unit: &str,
        dairy: &Dairy,
        import: &mut Import,
    ) {
        let (lot, theirs) = lot_of(class);
        let Some(lot) = lot else {
            import
                .flags
                .push(format!("{name} names goods without a code: left"));
            return;
        };
        if theirs != lot.as_str() {
            import.flags.push(format!(
                "{name}: {class} is kept here as lot {lot}; check that no other lot has this code"
            ));
        }
        let known = dairy
            .imports
            .iter()
            .find(|import| class.starts_with(&import.starts));
        let supplier = known
            .map(|known| known.supplier.clone())
            .or_else(|| self.supplier.clone())
            .unwrap_or_else(|| "SUPPLIER MISSING".to_owned());
        let event = match known {
            Some(Imported {
                is: Bought::Milk, ..
            }) => {
                let Some(volume_l) = litres(amount, unit) else {
                    let said =
                        amount.map_or_else(|| "no amount".to_owned(), |a| format!("{a} {unit}"));
                    import.flags.push(format!(
                        "{name}: {class} is milk, but {said} is no volume in litres: left, enter it by hand"
                    ));
                    return;
                };
                Event::from(MilkReceived {
                    lot,
                    supplier,
                    volume_l,
                    temperature_c: None,
                    fat_pct: None,
                    protein_pct: None,
                    supplier_lot: Some(theirs),
                    document: self.document.clone(),
                    extensions: self.strange.clone(),
                })
            }
            other => {
                let (kind, product) = match other {
                    Some(Imported {
                        is: Bought::Lot(kind),
                        product,
                        ..
                    }) => (*kind, product.clone()),
                    _ => {
                        import.flags.push(format!(
                            "{name}: {class} is not in the papers file: taken as a lot of something else, say what it is"
                        ));
                        (facts::LotKind::Other, class.to_owned())
                    }
                };
                let amount = match amount_of(amount, unit) {
                    Ok(amount) => amount,
                    Err(flag) => {
                        import.flags.push(format!("{name}: {class}: {flag}"));
                        None
                    }
                };
                Event::from(LotReceived {
                    lot,
                    kind,
                    product,
                    supplier,
                    supplier_lot: Some(theirs),
                    amount,
                    use_by: None,
                    document: self.document.clone(),
                    extensions: self.strange.clone(),
                })
            }
        };
        import.taken.push(Taken { at: self.at, event });
    }
}

/// Volume in litres, by its unit of UN/ECE Recommendation 20.
fn litres(amount: Option<f64>, unit: &str) -> Option<Litres> {
    let factor = match unit {
        "LTR" => 1.0,
        "HLT" => 100.0,
        "MLT" => 0.001,
        "MTQ" => 1000.0,
        // A US gallon, exactly (NIST SP 811).
        "GLL" => 3.785_411_784,
        _ => return None,
    };
    Litres::new(amount? * factor).ok()
}

fn amount_of(amount: Option<f64>, unit: &str) -> Result<Option<Amount>, String> {
    let Some(value) = amount else {
        return Ok(None);
    };
    let (value, unit) = match unit {
        "GRM" => (value, Unit::G),
        "KGM" => (value, Unit::Kg),
        "TNE" => (value * 1000.0, Unit::Kg),
        // A pound, exactly (NIST SP 811).
        "LBR" => (value * 0.453_592_37, Unit::Kg),
        "MLT" => (value, Unit::Ml),
        "LTR" => (value, Unit::L),
        "" | "EA" | "H87" | "C62" => (value, Unit::Piece),
        other => {
            return Err(format!(
                "{value} {other} is in a unit not known here: taken without an amount"
            ));
        }
    };
    Ok(Some(Amount { value, unit }))
}

/// Our code for a lot, and theirs. Theirs is the lot (or serial) of a Digital Link or of an
/// EPC URN, else all of it.
fn lot_of(class: &str) -> (Option<LotId>, String) {
    let after = |ai: &str| {
        let (_, rest) = class.split_once(ai)?;
        rest.split(['/', '?', '#'])
            .next()
            .filter(|lot| !lot.is_empty())
    };
    let urn = || {
        let last = class.strip_prefix("urn:epc:")?.rsplit('.').next()?;
        (last != "*").then_some(last)
    };
    let theirs = after("/10/")
        .or_else(|| after("/21/"))
        .or_else(urn)
        .unwrap_or(class)
        .to_owned();
    let code: String = theirs
        .chars()
        .map(|c| {
            if c.is_ascii_alphanumeric() || c == '-' || c == '_' {
                c
            } else {
                '-'
            }
        })
        .collect();
    // The end of a long code tells lots apart; its beginning is the same for all.
    let kept = &code[code.len().saturating_sub(20)..];
    (LotId::new(kept).ok(), theirs)
}

fn document(event: &Map<String, Value>) -> Option<Document> {
    let list = event.get("bizTransactionList")?.as_array()?;
    let of = |wanted: &str| {
        list.iter().find_map(|transaction| {
            let ty = transaction.get("type").and_then(Value::as_str).map(short);
            let number = transaction.get("bizTransaction")?.as_str()?;
            (ty == Some(wanted)).then(|| number.to_owned())
        })
    };
    let [advice, order] = ["desadv", "po"].map(of);
    let advice = advice.map(|number| ("despatch advice", number));
    let (kind, number) = advice.or_else(|| order.map(|number| ("purchase order", number)))?;
    Some(Document {
        kind: kind.to_owned(),
        number,
    })
}

fn source(event: &Map<String, Value>) -> Option<String> {
    let list = event.get("sourceList")?.as_array()?;
    let of = |wanted: &str| {
        list.iter().find_map(|source| {
            let ty = source.get("type").and_then(Value::as_str).map(short);
            (ty == Some(wanted))
                .then(|| source.get("source")?.as_str().map(str::to_owned))
                .flatten()
        })
    };
    of("owning_party")
        .or_else(|| of("possessing_party"))
        .or_else(|| of("location"))
}

/// What the event says besides, as JSON; `None` when nothing.
fn strange(event: &Map<String, Value>) -> Option<String> {
    let besides: Map<String, Value> = event
        .iter()
        .filter(|(key, _)| !KNOWN.contains(&key.as_str()))
        .map(|(key, value)| (key.clone(), value.clone()))
        .collect();
    (!besides.is_empty()).then(|| Value::Object(besides).to_string())
}
