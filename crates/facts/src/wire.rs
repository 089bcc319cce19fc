//! Facts as CloudEvents 1.0: binary mode on the broker, structured JSON in files.
//!
//! Attributes follow the CloudEvents specification 1.0.2 and its NATS binding (every
//! attribute, `datacontenttype` included, is a header `ce-<name>`). Used extensions:
//! `recordedtime` (Recorded Time), `sequence` (Sequence: a zero-padded decimal, so that
//! it sorts as text) and `authtype`/`authid` (Auth Context) for the person's badge.

use chrono::{DateTime, SecondsFormat, Utc};
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

use crate::{Event, Fact, FactId, PersonId, SiteId, StationId};

/// The CloudEvents version written and read.
pub const SPEC_VERSION: &str = "1.0";

/// The only kind of body.
pub const CONTENT_TYPE: &str = "application/json";

/// Why a message is not a fact.
#[derive(Debug, thiserror::Error)]
pub enum Unreadable {
    /// A required attribute is absent.
    #[error("header ce-{0} is missing")]
    Missing(&'static str),
    /// An attribute has a value it may not have.
    #[error("header ce-{attribute} is {value:?}: {reason}")]
    Attribute {
        /// The attribute.
        attribute: &'static str,
        /// The value found.
        value: String,
        /// What would be right.
        reason: String,
    },
    /// The body does not fit the type.
    #[error("the body is not a {ty}: {reason}")]
    Body {
        /// The declared type.
        ty: String,
        /// What the JSON reader said.
        reason: serde_json::Error,
    },
    /// A line is not a CloudEvent at all.
    #[error("not a CloudEvent in JSON: {0}")]
    NotJson(serde_json::Error),
}

/// A readable message: a fact, or an event of a type that this build does not know,
/// which is kept where it is and counted.
#[derive(Debug, Clone, PartialEq)]
#[allow(clippy::large_enum_variant)] // nearly every message is a fact: boxing it would cost
pub enum Read {
    /// A fact.
    Fact(Fact),
    /// A well-formed event of another type or version.
    UnknownType(Unknown),
}

/// A well-formed event of a type or version that this build does not know: who stated it,
/// and under which number, is known all the same.
#[derive(Debug, Clone, PartialEq)]
#[allow(missing_docs)] // as in `Fact`
pub struct Unknown {
    /// The CloudEvents `type`.
    pub ty: String,
    pub id: FactId,
    pub site: SiteId,
    pub station: StationId,
    pub station_seq: u64,
    pub occurred_at: DateTime<Utc>,
    pub recorded_at: DateTime<Utc>,
}

/// A fact in CloudEvents binary mode: header names and values, and the body.
#[derive(Debug, Clone, PartialEq)]
pub struct Binary {
    /// Headers in a fixed order.
    pub headers: Vec<(&'static str, String)>,
    /// The body, JSON.
    pub body: Vec<u8>,
}

/// The subject a fact is published on: `floor.<site>.<noun>.<verb>`.
#[must_use]
pub fn subject(fact: &Fact) -> String {
    format!("floor.{}.{}", fact.site, fact.event.topic())
}

/// Writes a fact in binary mode.
///
/// # Errors
/// The JSON error; no fact of the catalogue causes one.
pub fn to_binary(fact: &Fact) -> Result<Binary, serde_json::Error> {
    let mut headers = vec![
        ("ce-specversion", SPEC_VERSION.to_owned()),
        ("ce-id", fact.id.to_string()),
        ("ce-source", source(&fact.site, &fact.station)),
        ("ce-type", fact.event.ty().to_owned()),
        ("ce-time", rfc3339(fact.occurred_at)),
        ("ce-recordedtime", rfc3339(fact.recorded_at)),
        ("ce-sequence", sequence(fact.station_seq)),
        ("ce-datacontenttype", CONTENT_TYPE.to_owned()),
    ];
    if let Some(person) = &fact.person {
        headers.push(("ce-authtype", "user".to_owned()));
        headers.push(("ce-authid", person.to_string()));
    }
    Ok(Binary {
        headers,
        body: fact.event.write()?,
    })
}

/// Reads a message in binary mode. `header` looks a header up by its lower-case name.
///
/// # Errors
/// [`Unreadable`] says which attribute or part of the body is wrong.
pub fn from_binary<'h>(
    header: impl Fn(&'static str) -> Option<&'h str>,
    body: &[u8],
) -> Result<Read, Unreadable> {
    let attributes = Attributes {
        specversion: header("ce-specversion"),
        id: header("ce-id"),
        source: header("ce-source"),
        ty: header("ce-type"),
        time: header("ce-time"),
        recordedtime: header("ce-recordedtime"),
        sequence: header("ce-sequence"),
        authid: header("ce-authid"),
        datacontenttype: header("ce-datacontenttype"),
    };
    attributes.read(body)
}

/// Writes a fact as one line of JSON (CloudEvents structured mode, no newline).
///
/// # Errors
/// The JSON error; no fact of the catalogue causes one.
pub fn to_line(fact: &Fact) -> Result<String, serde_json::Error> {
    let data = RawValue::from_string(String::from_utf8_lossy(&fact.event.write()?).into_owned())?;
    serde_json::to_string(&Structured {
        specversion: Some(SPEC_VERSION.into()),
        id: Some(fact.id.to_string().into()),
        source: Some(source(&fact.site, &fact.station).into()),
        ty: Some(fact.event.ty().into()),
        time: Some(rfc3339(fact.occurred_at).into()),
        recordedtime: Some(rfc3339(fact.recorded_at).into()),
        sequence: Some(sequence(fact.station_seq).into()),
        authtype: fact.person.is_some().then(|| "user".into()),
        authid: fact.person.map(|p| p.to_string().into()),
        datacontenttype: Some(CONTENT_TYPE.into()),
        data: Some(data),
    })
}

/// Reads one line of JSON.
///
/// # Errors
/// [`Unreadable`] says which attribute or part of the data is wrong.
pub fn from_line(line: &str) -> Result<Read, Unreadable> {
    let event: Structured = serde_json::from_str(line).map_err(Unreadable::NotJson)?;
    let attributes = Attributes {
        specversion: event.specversion.as_deref(),
        id: event.id.as_deref(),
        source: event.source.as_deref(),
        ty: event.ty.as_deref(),
        time: event.time.as_deref(),
        recordedtime: event.recordedtime.as_deref(),
        sequence: event.sequence.as_deref(),
        authid: event.authid.as_deref(),
        datacontenttype: event.datacontenttype.as_deref(),
    };
    attributes.read(event.data.as_ref().map_or("null", |d| d.get()).as_bytes())
}

/// CloudEvents structured mode, JSON format. Unknown attributes are ignored on reading.
#[derive(Serialize, Deserialize)]
struct Structured<'a> {
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    specversion: Option<std::borrow::Cow<'a, str>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    id: Option<std::borrow::Cow<'a, str>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    source: Option<std::borrow::Cow<'a, str>>,
    #[serde(rename = "type", borrow, skip_serializing_if = "Option::is_none")]
    ty: Option<std::borrow::Cow<'a, str>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    time: Option<std::borrow::Cow<'a, str>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    recordedtime: Option<std::borrow::Cow<'a, str>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    sequence: Option<std::borrow::Cow<'a, str>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    authtype: Option<std::borrow::Cow<'a, str>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    authid: Option<std::borrow::Cow<'a, str>>,
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    datacontenttype: Option<std::borrow::Cow<'a, str>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    data: Option<Box<RawValue>>,
}

/// The attributes of one event as text, wherever they came from.
struct Attributes<'a> {
    specversion: Option<&'a str>,
    id: Option<&'a str>,
    source: Option<&'a str>,
    ty: Option<&'a str>,
    time: Option<&'a str>,
    recordedtime: Option<&'a str>,
    sequence: Option<&'a str>,
    authid: Option<&'a str>,
    datacontenttype: Option<&'a str>,
}

impl Attributes<'_> {
    fn read(&self, body: &[u8]) -> Result<Read, Unreadable> {
        let version = self.specversion.ok_or(Unreadable::Missing("specversion"))?;
        if version != SPEC_VERSION {
            return Err(wrong("specversion", version, "only 1.0 is read here"));
        }
        let id: FactId = parsed("id", self.id)?;
        let (site, station) = parsed_source(self.source)?;
        let ty = self
            .ty
            .filter(|t| !t.is_empty())
            .ok_or(Unreadable::Missing("type"))?;
        let occurred_at: DateTime<Utc> = parsed("time", self.time)?;
        let recorded_at = match self.recordedtime {
            Some(_) => parsed("recordedtime", self.recordedtime)?,
            None => occurred_at,
        };
        let station_seq: u64 = parsed("sequence", self.sequence)?;
        let person: Option<PersonId> = self
            .authid
            .map(|_| parsed("authid", self.authid))
            .transpose()?;
        if let Some(kind) = self.datacontenttype.filter(|kind| !is_json(kind)) {
            return Err(wrong(
                "datacontenttype",
                kind,
                "only application/json is read here",
            ));
        }
        let Some(event) = Event::read(ty, body) else {
            return Ok(Read::UnknownType(Unknown {
                ty: ty.to_owned(),
                id,
                site,
                station,
                station_seq,
                occurred_at,
                recorded_at,
            }));
        };
        let event = event.map_err(|reason| Unreadable::Body {
            ty: ty.to_owned(),
            reason,
        })?;
        Ok(Read::Fact(Fact {
            id,
            site,
            station,
            station_seq,
            person,
            occurred_at,
            recorded_at,
            event,
        }))
    }
}

fn is_json(content_type: &str) -> bool {
    let kind = content_type.split(';').next().unwrap_or_default().trim();
    kind.eq_ignore_ascii_case(CONTENT_TYPE)
}

fn source(site: &SiteId, station: &StationId) -> String {
    format!("/sites/{site}/stations/{station}")
}

fn parsed_source(source: Option<&str>) -> Result<(SiteId, StationId), Unreadable> {
    let text = source.ok_or(Unreadable::Missing("source"))?;
    let parts = text
        .strip_prefix("/sites/")
        .and_then(|rest| rest.split_once("/stations/"));
    let Some((site, station)) = parts else {
        return Err(wrong(
            "source",
            text,
            "it should read /sites/<site>/stations/<station>",
        ));
    };
    let site = SiteId::new(site).map_err(|e| wrong("source", text, &e.to_string()))?;
    let station = StationId::new(station).map_err(|e| wrong("source", text, &e.to_string()))?;
    Ok((site, station))
}

fn parsed<T>(attribute: &'static str, value: Option<&str>) -> Result<T, Unreadable>
where
    T: std::str::FromStr,
    T::Err: std::fmt::Display,
{
    let text = value.ok_or(Unreadable::Missing(attribute))?;
    text.parse()
        .map_err(|e: T::Err| wrong(attribute, text, &e.to_string()))
}

fn wrong(attribute: &'static str, value: &str, reason: &str) -> Unreadable {
    let value = value.chars().take(80).collect();
    Unreadable::Attribute {
        attribute,
        value,
        reason: reason.to_owned(),
    }
}

fn rfc3339(at: DateTime<Utc>) -> String {
    at.to_rfc3339_opts(SecondsFormat::AutoSi, true)
}

fn sequence(number: u64) -> String {
    format!("{number:012}")
}
