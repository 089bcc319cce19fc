//! The API's description (OpenAPI 3.1), made from the types that are read and written.

use axum::Json;
use axum::response::IntoResponse;
use schemars::generate::SchemaSettings;
use schemars::{Schema, SchemaGenerator};
use serde_json::{Map, Value, json};

use super::{floor, forecast, orders, record, session, station};
use crate::guard::{SESSION_COOKIE, TOKEN_HEADER};
use crate::trouble::TroubleBody;

type Make = fn(&mut SchemaGenerator) -> Schema;

/// One call.
#[derive(Debug, Clone, Copy)]
pub struct Call {
    /// `get`, `post` or `delete`.
    pub method: &'static str,
    /// Its path.
    pub path: &'static str,
    /// What it does.
    pub summary: &'static str,
    /// Whether someone must be signed in.
    pub signed: bool,
    /// What it takes in its query.
    pub query: Option<Make>,
    /// What it takes in its body.
    pub body: Option<Make>,
    /// What it answers.
    pub answer: Answer,
}

/// What a call answers.
#[derive(Debug, Clone, Copy)]
pub enum Answer {
    /// JSON of a type described here.
    Of(Make),
    /// JSON as the scheduler or the planner writes it: an object, or an array of them.
    Passed(&'static str, &'static str),
    /// Server-sent events.
    Events,
    /// Nothing.
    None,
}

const fn call(method: &'static str, path: &'static str, summary: &'static str) -> Call {
    Call {
        method,
        path,
        summary,
        signed: true,
        query: None,
        body: None,
        answer: Answer::None,
    }
}

macro_rules! of {
    ($type:ty) => {
        |generator| generator.subschema_for::<$type>()
    };
}

/// Every call.
pub const CALLS: &[Call] = &[
    Call {
        signed: false,
        answer: Answer::Passed("object", "An OpenAPI 3.1 document."),
        ..call("get", "/api/v1/openapi.json", "This description.")
    },
    Call {
        answer: Answer::Of(of!(session::SessionBody)),
        ..call("get", "/api/v1/session", "Who is signed in.")
    },
    Call {
        signed: false,
        body: Some(of!(session::SignInBody)),
        answer: Answer::Of(of!(session::SessionBody)),
        ..call("post", "/api/v1/session", "Signs in with badge and PIN.")
    },
    Call {
        body: Some(of!(session::Nothing)),
        ..call("delete", "/api/v1/session", "Signs out.")
    },
    Call {
        signed: false,
        answer: Answer::Of(of!(station::StationBody)),
        ..call(
            "get",
            "/api/v1/station",
            "How this device's station stands.",
        )
    },
    Call {
        body: Some(of!(station::Scans)),
        answer: Answer::Of(of!(station::ScansOut)),
        ..call(
            "post",
            "/api/v1/station/scan",
            "Takes scans, each once however often it is sent.",
        )
    },
    Call {
        answer: Answer::Passed("object", "Up to where the scheduler has folded the log."),
        ..call("get", "/api/v1/standing", "Where the scheduler stands.")
    },
    Call {
        answer: Answer::Passed("object", "Places, what is due by kind, alerts."),
        ..call("get", "/api/v1/floor", "The floor at a glance.")
    },
    Call {
        query: Some(of!(floor::DueParameters)),
        answer: Answer::Passed(
            "object",
            "One line for wheels that stand together and need the same.",
        ),
        ..call("get", "/api/v1/due", "What is due.")
    },
    Call {
        query: Some(of!(floor::WheelsParameters)),
        answer: Answer::Passed("array", "Wheels as they stand, at most a thousand."),
        ..call("get", "/api/v1/wheels", "Every wheel, part by part.")
    },
    Call {
        answer: Answer::Passed("object", "The wheel, its life, what it needs next and why."),
        ..call("get", "/api/v1/wheels/{wheel}", "One wheel's whole life.")
    },
    Call {
        answer: Answer::Passed("object", "The make record and the wheels."),
        ..call("get", "/api/v1/batches/{batch}", "One batch.")
    },
    Call {
        answer: Answer::Passed("object", "The fortnight's plan and what was missed today."),
        ..call("get", "/api/v1/plan", "The plan of the day.")
    },
    Call {
        answer: Answer::Passed("object", "Positions taken in each room on each day."),
        ..call("get", "/api/v1/rooms", "How full the rooms will be.")
    },
    Call {
        query: Some(of!(forecast::WhatIfParameters)),
        answer: Answer::Passed(
            "array",
            "Batches with wheels in the house: when each is ready.",
        ),
        ..call("get", "/api/v1/forecasts", "What is expected, and what if.")
    },
    Call {
        query: Some(of!(forecast::WhatIfParameters)),
        answer: Answer::Passed(
            "object",
            "Dates, how sure they are, weights, what is odd, and what would change.",
        ),
        ..call(
            "get",
            "/api/v1/forecasts/{what}",
            "What is expected of a batch or a wheel, and what if.",
        )
    },
    Call {
        answer: Answer::Passed(
            "array",
            "What is open, the worst first, with when it was told.",
        ),
        ..call(
            "get",
            "/api/v1/told",
            "What people were told that the floor alone does not show: yield, drying, orders, checks, printers.",
        )
    },
    Call {
        body: Some(of!(record::NoteBody)),
        answer: Answer::Of(of!(record::RecordedBody)),
        ..call(
            "post",
            "/api/v1/alerts/{alert}/acknowledgement",
            "Records that someone has seen an alert and what is done about it.",
        )
    },
    Call {
        body: Some(of!(record::ReasonBody)),
        answer: Answer::Of(of!(record::RecordedBody)),
        ..call(
            "post",
            "/api/v1/facts/{fact}/void",
            "Records that a fact was wrong. For managers.",
        )
    },
    Call {
        query: Some(of!(orders::OrdersParameters)),
        answer: Answer::Passed(
            "array",
            "Orders by number as they now say, with what was sent, at most a thousand; the header Link, rel=next, names the next part.",
        ),
        ..call("get", "/api/v1/orders", "What customers ordered.")
    },
    Call {
        body: Some(of!(facts::OrderPlaced)),
        answer: Answer::Of(of!(record::RecordedBody)),
        ..call(
            "post",
            "/api/v1/orders",
            "Places an order. What cannot be right about it is refused and said; the same order again records nothing.",
        )
    },
    Call {
        body: Some(of!(record::ReasonBody)),
        answer: Answer::Of(of!(record::RecordedBody)),
        ..call(
            "post",
            "/api/v1/orders/{order}/cancellation",
            "Cancels an order.",
        )
    },
    Call {
        body: Some(of!(orders::ConfirmBody)),
        answer: Answer::Of(of!(record::RecordedBody)),
        ..call(
            "post",
            "/api/v1/orders/{order}/confirmation",
            "Records that the customer was told what comes, as it is allocated now: it is kept to.",
        )
    },
    Call {
        answer: Answer::Passed(
            "object",
            "Lines with their wheels, what is short and why, what is left.",
        ),
        ..call(
            "get",
            "/api/v1/allocation",
            "Which wheels go to which order and when.",
        )
    },
    Call {
        query: Some(of!(orders::PromiseParameters)),
        answer: Answer::Passed(
            "object",
            "Yes and from which batches; or the nearest that can be.",
        ),
        ..call(
            "get",
            "/api/v1/promise",
            "Whether so many wheels can arrive by a day.",
        )
    },
    Call {
        query: Some(of!(orders::PicksParameters)),
        answer: Answer::Passed(
            "object",
            "Where to stop, in walking order, and what to fetch there.",
        ),
        ..call("get", "/api/v1/picks", "A day's pick list.")
    },
    Call {
        answer: Answer::Events,
        ..call(
            "get",
            "/api/v1/live",
            "Hears, at most once a second, that the floor has moved.",
        )
    },
];

/// The document.
#[must_use]
pub fn document() -> Value {
    let mut settings = SchemaSettings::draft2020_12();
    settings.definitions_path = "/components/schemas".into();
    let mut generator = settings.into_generator();
    let trouble = generator.subschema_for::<TroubleBody>();
    let mut paths = Map::new();
    for call in CALLS {
        let operation = operation(call, &trouble, &mut generator);
        let path = paths.entry(call.path).or_insert_with(|| json!({}));
        path[call.method] = operation;
    }
    json!({
        "openapi": "3.1.0",
        "info": {
            "title": "Wheelward",
            "version": env!("CARGO_PKG_VERSION"),
            "description": "What every wheel on the floor needs next, and what people did. \
                Sign in with badge and PIN; send the session's token as X-Wheelward-Token with \
                everything that changes something. Whatever is refused says why in `words`.",
        },
        "paths": paths,
        "components": {
            "schemas": generator.definitions(),
            "securitySchemes": {
                "person": { "type": "apiKey", "in": "cookie", "name": SESSION_COOKIE },
                "token": { "type": "apiKey", "in": "header", "name": TOKEN_HEADER },
            },
        },
    })
}

fn operation(call: &Call, trouble: &Schema, generator: &mut SchemaGenerator) -> Value {
    let mut parameters: Vec<Value> = call
        .path
        .split(['{', '}'])
        .skip(1)
        .step_by(2)
        .map(|name| {
            json!({ "name": name, "in": "path", "required": true, "schema": { "type": "string" } })
        })
        .collect();
    if let Some(query) = call.query {
        let name = query(generator);
        let name = name.get("$ref").and_then(Value::as_str).unwrap_or_default();
        let name = name.rsplit('/').next().unwrap_or_default().to_owned();
        // Written out as parameters, so not needed as a body.
        if let Some(schema) = generator.definitions_mut().remove(&name)
            && let Some(properties) = schema.get("properties").and_then(Value::as_object)
        {
            parameters.extend(properties.iter().map(|(name, schema)| {
                json!({ "name": name, "in": "query", "required": false, "schema": schema })
            }));
        }
    }
    let good = match call.answer {
        Answer::Of(make) => json!({
            "description": "Done.",
            "content": { "application/json": { "schema": make(generator) } },
        }),
        Answer::Passed(kind, about) => json!({
            "description": about,
            "content": { "application/json": { "schema": { "type": kind } } },
        }),
        Answer::Events => json!({
            "description": "Events named `moved`.",
            "content": { "text/event-stream": { "schema": { "type": "string" } } },
        }),
        Answer::None => json!({ "description": "Done." }),
    };
    let mut operation = json!({
        "summary": call.summary,
        "parameters": parameters,
        "responses": {
            "200": good,
            "default": {
                "description": "Refused, and why.",
                "content": { "application/json": { "schema": trouble } },
            },
        },
    });
    if call.signed {
        operation["security"] = match call.method {
            "get" => json!([{ "person": [] }]),
            _ => json!([{ "person": [], "token": [] }]),
        };
    }
    if let Some(body) = call.body {
        operation["requestBody"] = json!({
            "required": true,
            "content": { "application/json": { "schema": body(generator) } },
        });
    }
    operation
}

/// `GET /api/v1/openapi.json`
pub async fn serve() -> impl IntoResponse {
    Json(document())
}
