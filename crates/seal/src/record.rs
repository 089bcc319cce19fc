//! The one line that stands for a message of the log.
//!
//! It is the message as a CloudEvent in structured mode, JSON format: its `ce-` headers as
//! attributes, in a fixed order, and its body untouched as `data`. For a fact of this
//! program that is the line of its export, to the byte. What cannot stand in one line of
//! JSON goes in as `data_base64`.

use std::collections::BTreeMap;

use base64::Engine as _;
use facts::FactId;
use serde_json::value::RawValue;

/// The attributes that facts have, in the order in which they are written.
const ORDER: [&str; 10] = [
    "specversion",
    "id",
    "source",
    "type",
    "time",
    "recordedtime",
    "sequence",
    "authtype",
    "authid",
    "datacontenttype",
];

/// The line of a message, without a line break. Headers that are no CloudEvents attributes
/// belong to the broker and are left out.
#[must_use]
pub fn line<'h>(headers: impl IntoIterator<Item = (&'h str, &'h str)>, body: &[u8]) -> Vec<u8> {
    let mut attributes: BTreeMap<String, &str> = BTreeMap::new();
    for (name, value) in headers {
        let name = name.to_ascii_lowercase();
        if let Some(attribute) = name.strip_prefix("ce-") {
            attributes.insert(attribute.to_owned(), value);
        }
    }
    let mut line = String::from("{");
    let mut put = |name: &str, value: &str| {
        if line.len() > 1 {
            line.push(',');
        }
        line += &quoted(name);
        line.push(':');
        line += value;
    };
    for name in ORDER {
        if let Some(value) = attributes.remove(name) {
            put(name, &quoted(value));
        }
    }
    for (name, value) in &attributes {
        // A header must not pass for the body.
        let name = if name.starts_with("data") {
            format!("ce-{name}")
        } else {
            name.clone()
        };
        put(&name, &quoted(value));
    }
    match one_line(body) {
        Some(json) => put("data", json),
        None => put(
            "data_base64",
            &quoted(&base64::engine::general_purpose::STANDARD.encode(body)),
        ),
    }
    line.push('}');
    line.into_bytes()
}

fn quoted(text: &str) -> String {
    serde_json::Value::from(text).to_string()
}

/// The body as it is, if it is JSON without a line break.
fn one_line(body: &[u8]) -> Option<&str> {
    let text = std::str::from_utf8(body).ok()?;
    let plain = !text.contains(['\n', '\r']) && text.trim() == text;
    serde_json::from_str::<&RawValue>(text)
        .ok()
        .filter(|_| plain)
        .map(|_| text)
}

/// The fact's name as a line says it; `None` when it names none.
#[must_use]
pub fn id_of(line: &[u8]) -> Option<FactId> {
    let text = std::str::from_utf8(line).ok()?;
    let usual = text
        .strip_prefix("{\"specversion\":\"1.0\",\"id\":\"")
        .and_then(|rest| rest.get(..36));
    if let Some(id) = usual.and_then(|id| id.parse().ok()) {
        return Some(id);
    }
    #[derive(serde::Deserialize)]
    struct Named {
        id: FactId,
    }
    serde_json::from_str::<Named>(text)
        .ok()
        .map(|named| named.id)
}
