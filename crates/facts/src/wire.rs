//! Facts as CloudEvents 1.0: binary mode on the broker, structured JSON in files.
//!
//! Attributes follow the CloudEvents specification 1.0.2 and its NATS binding (every
//! attribute, `datacontenttype` included, is a header `ce-<name>`). Used extensions:
//! `recordedtime` (Recorded Time), `sequence` (Sequence: a zero-padded decimal, so that
//! it sorts as text) and `authtype`/`authid` (Auth Context) for the person's badge. One is our
//! own: `claimedtime`.
//!
//! `time` is what the device claimed, `recordedtime` when the edge received it. Which of the
//! two orders the fact is decided when it is read, for old facts and new ones alike. An older
//! time that the edge did not believe is `claimedtime`; then `time` is that of the receipt.

use std::collections::BTreeMap;

use chrono::{DateTime, SecondsFormat, Utc};
use quantity::calendar;
use serde::{Deserialize, Serialize};
use serde_json::value::RawValue;

use crate::{Event, Fact, FactId, PersonId, SiteId, StationId, ordered};

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
    /// The subject says otherwise than the message itself.
    #[error("it came on {subject}, but {reason}")]
    Subject {
        /// The subject.
        subject: String,
        /// In what the two differ.
        reason: String,
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

/// The subject a fact is published on: `floor.<site>.<noun>.<verb>.<station>`. The broker's
/// permissions go by it, so it says everything that they decide on.
#[must_use]
pub fn subject(fact: &Fact) -> String {
    let topic = fact.event.topic();
    format!("floor.{}.{topic}.{}", fact.site, fact.station)
}

/// Whether a subject says the same as the message that came on it: what the broker let pass
/// for one kind of fact of one station must not be read as another.
///
/// Facts of before stations stood in the subject came on `floor.<site>.<noun>.<verb>`. They
/// stay readable; no permission grants such a subject any more.
fn agree(subject: &str, site: &SiteId, station: &StationId, ty: &str) -> Result<(), Unreadable> {
    let differs = |reason: String| Unreadable::Subject {
        subject: subject.chars().take(200).collect(),
        reason,
    };
    let mut tokens = subject.split('.');
    if tokens.next() != Some("floor") {
        return Err(differs(
            "facts come on floor.<site>.<noun>.<verb>.<station>".to_owned(),
        ));
    }
    if tokens.next() != Some(site.as_str()) {
        return Err(differs(format!("its source is of site {site}")));
    }
    let topic = topic_of(ty).filter(|(noun, verb)| {
        let (subjects_noun, subjects_verb) = (tokens.next(), tokens.next());
        subjects_noun == Some(*noun) && subjects_verb == Some(*verb)
    });
    if topic.is_none() {
        let ty: String = ty.chars().take(80).collect();
        return Err(differs(format!("its type is {ty:?}")));
    }
    match (tokens.next(), tokens.next()) {
        (None, _) => Ok(()),
        (Some(named), None) if named == station.as_str() => Ok(()),
        _ => Err(differs(format!("its source is station {station}"))),
    }
}

/// The noun and verb of a type `floor.<noun>.<verb>.v<n>`, known here or not.
fn topic_of(ty: &str) -> Option<(&str, &str)> {
    let (topic, version) = ty.strip_prefix("floor.")?.rsplit_once(".v")?;
    let (noun, verb) = topic.split_once('.')?;
    let token = |text: &str| {
        !text.is_empty()
            && text
                .bytes()
                .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'_')
    };
    let numbered = !version.is_empty() && version.bytes().all(|b| b.is_ascii_digit());
    (numbered && token(noun) && token(verb)).then_some((noun, verb))
}

/// The header with a station's number for its fact, a decimal.
pub const SEQUENCE: &str = "ce-sequence";

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
        ("ce-time", rfc3339(times(fact).0)),
        ("ce-recordedtime", rfc3339(fact.recorded_at)),
        (SEQUENCE, sequence(fact.station_seq)),
        ("ce-datacontenttype", CONTENT_TYPE.to_owned()),
    ];
    if let Some(person) = &fact.person {
        headers.push(("ce-authtype", "user".to_owned()));
        headers.push(("ce-authid", person.to_string()));
    }
    if let Some(claimed) = times(fact).1 {
        headers.push(("ce-claimedtime", rfc3339(claimed)));
    }
    Ok(Binary {
        headers,
        body: fact.event.write()?,
    })
}

/// Reads a message in binary mode as it came on a subject, with which it must agree.
/// `header` looks a header up by its lower-case name.
///
/// # Errors
/// [`Unreadable`] says which attribute or part of the body is wrong, or that the subject says
/// otherwise.
pub fn from_binary<'h>(
    subject: &str,
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
        claimedtime: header("ce-claimedtime"),
        sequence: header(SEQUENCE),
        authid: header("ce-authid"),
        datacontenttype: header("ce-datacontenttype"),
    };
    attributes.read(Some(subject), body)
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
        time: Some(rfc3339(times(fact).0).into()),
        recordedtime: Some(rfc3339(fact.recorded_at).into()),
        sequence: Some(sequence(fact.station_seq).into()),
        authtype: fact.person.is_some().then(|| "user".into()),
        authid: fact.person.map(|p| p.to_string().into()),
        datacontenttype: Some(CONTENT_TYPE.into()),
        claimedtime: times(fact).1.map(|at| rfc3339(at).into()),
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
        claimedtime: event.claimedtime.as_deref(),
        sequence: event.sequence.as_deref(),
        authid: event.authid.as_deref(),
        datacontenttype: event.datacontenttype.as_deref(),
    };
    let body = event.data.as_ref().map_or("null", |d| d.get()).as_bytes();
    attributes.read(None, body)
}

/// A line of JSON as it goes to the broker.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Parcel {
    /// The subject it goes on.
    pub subject: String,
    /// The fact's id: the same fact again has the same.
    pub id: FactId,
    /// The station that states it.
    pub station: StationId,
    /// The station's number for it.
    pub station_seq: u64,
    /// Headers.
    pub headers: Vec<(String, String)>,
    /// The body, as it stands in the line.
    pub body: Vec<u8>,
}

/// Makes a line ready for the broker without understanding what it says: also a fact of a
/// type that only another version of this program knows, with every attribute that it has.
///
/// # Errors
/// [`Unreadable`] when it is no CloudEvent of a station.
pub fn parcel(line: &str) -> Result<Parcel, Unreadable> {
    let event: BTreeMap<String, Box<RawValue>> =
        serde_json::from_str(line).map_err(Unreadable::NotJson)?;
    let mut headers = Vec::with_capacity(event.len());
    let mut body = b"null".to_vec();
    for (name, value) in &event {
        if name == "data" {
            body = value.get().as_bytes().to_vec();
            continue;
        }
        let attribute = name
            .bytes()
            .all(|b| b.is_ascii_lowercase() || b.is_ascii_digit());
        if !attribute || name.is_empty() {
            return Err(wrong(
                "specversion",
                name,
                "an attribute's name has small letters and digits",
            ));
        }
        // A number or true is written as it stands.
        let text = serde_json::from_str::<String>(value.get());
        let text = text.unwrap_or_else(|_| value.get().to_owned());
        headers.push((format!("ce-{name}"), text));
    }
    let attribute = |name: &str| {
        let found = headers
            .iter()
            .find(|(header, _)| header.get(3..) == Some(name));
        found.map(|(_, text)| text.as_str())
    };
    let version = attribute("specversion").ok_or(Unreadable::Missing("specversion"))?;
    if version != SPEC_VERSION {
        return Err(wrong("specversion", version, "only 1.0 is read here"));
    }
    let id = parsed("id", attribute("id"))?;
    let station_seq = parsed("sequence", attribute("sequence"))?;
    let (site, station) = parsed_source(attribute("source"))?;
    let ty = attribute("type").ok_or(Unreadable::Missing("type"))?;
    let Some((noun, verb)) = topic_of(ty) else {
        return Err(wrong("type", ty, "it should read floor.<noun>.<verb>.v<n>"));
    };
    Ok(Parcel {
        subject: format!("floor.{site}.{noun}.{verb}.{station}"),
        id,
        station,
        station_seq,
        headers,
        body,
    })
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
    /// Behind those that there have always been: seals have what they do not know there.
    #[serde(borrow, skip_serializing_if = "Option::is_none")]
    claimedtime: Option<std::borrow::Cow<'a, str>>,
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
    claimedtime: Option<&'a str>,
    sequence: Option<&'a str>,
    authid: Option<&'a str>,
    datacontenttype: Option<&'a str>,
}

impl Attributes<'_> {
    fn read(&self, subject: Option<&str>, body: &[u8]) -> Result<Read, Unreadable> {
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
        if let Some(subject) = subject {
            agree(subject, &site, &station, ty)?;
        }
        let claimed = instant("time", self.time)?;
        let recorded_at = match self.recordedtime {
            Some(_) => instant("recordedtime", self.recordedtime)?,
            None => claimed,
        };
        let older = self
            .claimedtime
            .map(|_| instant("claimedtime", self.claimedtime));
        let (occurred_at, ahead) = ordered(claimed, recorded_at);
        let claimed_at = ahead.or(older.transpose()?.filter(|older| *older < occurred_at));
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
            claimed_at,
            recorded_at,
            event,
        }))
    }
}

/// A fact's `time`, and its `claimedtime` if it has one: only a claim that `time` and
/// `recordedtime` do not say already.
fn times(fact: &Fact) -> (DateTime<Utc>, Option<DateTime<Utc>>) {
    match fact.claimed_at {
        Some(claimed) if claimed > fact.recorded_at => (claimed, None),
        older => (fact.occurred_at, older),
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

fn instant(attribute: &'static str, value: Option<&str>) -> Result<DateTime<Utc>, Unreadable> {
    let at = parsed(attribute, value)?;
    calendar::instant(at)
        .map_err(|outside| wrong(attribute, value.unwrap_or_default(), &outside.to_string()))
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
