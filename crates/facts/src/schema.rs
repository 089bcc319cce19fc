//! JSON Schemas and the AsyncAPI document, generated from the types.

use schemars::generate::SchemaSettings;
use serde_json::{Map, Value, json};

use crate::TYPES;

/// The JSON Schema (draft 2020-12) of one fact type's body.
#[must_use]
pub fn of(info: &crate::TypeInfo) -> Value {
    let mut generator = SchemaSettings::draft2020_12().into_generator();
    let schema = (info.schema)(&mut generator);
    let mut value = schema.to_value();
    if let Value::Object(root) = &mut value {
        root.insert(
            "$schema".into(),
            json!("https://json-schema.org/draft/2020-12/schema"),
        );
        root.insert("$id".into(), json!(format!("urn:wheelward:{}", info.ty)));
        root.insert(
            "$defs".into(),
            Value::Object(generator.take_definitions(true)),
        );
    }
    value
}

/// The AsyncAPI 3 document: one channel and one message a fact type.
#[must_use]
pub fn asyncapi() -> Value {
    let mut generator = SchemaSettings::draft07()
        .with(|s| s.definitions_path = "/components/schemas".into())
        .into_generator();
    let mut channels = Map::new();
    let mut operations = Map::new();
    let mut messages = Map::new();
    for info in TYPES {
        let payload = (info.schema)(&mut generator).to_value();
        let key = format!("{}_{}", info.noun, info.verb);
        channels.insert(
            key.clone(),
            json!({
                "address": format!("floor.{{site}}.{}.{}.{{station}}", info.noun, info.verb),
                "parameters": {
                    "site": {"description": "The dairy site."},
                    "station": {"description": "The station that states it."},
                },
                "messages": {&key: {"$ref": format!("#/components/messages/{key}")}},
            }),
        );
        operations.insert(
            format!("state_{key}"),
            json!({
                "action": "send",
                "channel": {"$ref": format!("#/channels/{key}")},
                "summary": format!("A station states that {} was {}.", info.noun, info.verb.replace('_', " ")),
            }),
        );
        messages.insert(
            key,
            json!({
                "name": info.ty,
                "contentType": crate::wire::CONTENT_TYPE,
                "headers": {"$ref": "#/components/schemas/CloudEventHeaders"},
                "payload": payload,
            }),
        );
    }
    let mut schemas = generator.take_definitions(true);
    schemas.insert("CloudEventHeaders".into(), headers());
    json!({
        "asyncapi": "3.0.0",
        "info": {
            "title": "Wheelward floor facts",
            "version": "1",
            "description": "Facts stated by the stations of a blue-cheese dairy: CloudEvents 1.0, binary mode, over NATS JetStream.",
            "license": {"name": "Apache-2.0 OR MIT"},
        },
        "defaultContentType": crate::wire::CONTENT_TYPE,
        "channels": channels,
        "operations": operations,
        "components": {"messages": messages, "schemas": schemas},
    })
}

fn headers() -> Value {
    let text = |about: &str| json!({"type": "string", "description": about});
    json!({
        "type": "object",
        "required": ["ce-specversion", "ce-id", "ce-source", "ce-type", "ce-time", "ce-sequence"],
        "properties": {
            "ce-specversion": {"const": crate::wire::SPEC_VERSION},
            "ce-id": {"type": "string", "format": "uuid", "description": "UUIDv7; also Nats-Msg-Id."},
            "ce-source": text("/sites/<site>/stations/<station>"),
            "ce-type": text("floor.<noun>.<verb>.v<version>"),
            "ce-time": {"type": "string", "format": "date-time", "description": "When it happened, by the station's clock."},
            "ce-recordedtime": {"type": "string", "format": "date-time", "description": "When the station wrote it down."},
            "ce-claimedtime": {"type": "string", "format": "date-time", "description": "What the device said, where that is older than the time that counts and was not believed."},
            "ce-sequence": {"type": "string", "pattern": "^[0-9]{12,20}$", "description": "The station's own number, from 1 without gaps."},
            "ce-authtype": {"const": "user"},
            "ce-authid": text("The badge of the person who did it."),
            "ce-datacontenttype": {"const": crate::wire::CONTENT_TYPE},
        },
    })
}
