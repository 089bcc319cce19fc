//! A browser that is a station.

use axum::Json;
use axum::extract::State;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use facts::{PersonId, StationId};
use schemars::JsonSchema;
use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};
use serde_json::Value;

use crate::gateway::Gateway;
use crate::guard::{Body, Visitor};
use crate::people::Device;
use crate::stations::{MOST_AT_ONCE, Receipt, ScanIn, Scanner};
use crate::trouble::{Trouble, TroubleBody};

/// Scans shown when a station page is opened.
const SHOWN: usize = 30;

/// One scan, or several in the order in which they were made.
#[derive(Debug, JsonSchema)]
#[schemars(untagged)]
pub enum Scans {
    /// Several.
    Many(Vec<ScanIn>),
    /// One.
    One(ScanIn),
}

/// Read so that what is wrong with a scan is said of that scan.
impl<'de> Deserialize<'de> for Scans {
    fn deserialize<D: Deserializer<'de>>(from: D) -> Result<Self, D::Error> {
        let scan = |value| {
            serde_json::from_value::<ScanIn>(value).map_err(|error| {
                D::Error::custom(format!(
                    "{error}; a scan is {{\"station\": this device's own name, \"seq\": its next number, \"line\": what was scanned}}, and `occurred_at`, where it is sent, a time such as 2026-03-03T06:40:00Z"
                ))
            })
        };
        match Value::deserialize(from)? {
            Value::Array(scans) => {
                let scans = scans.into_iter().map(scan);
                scans.collect::<Result<_, _>>().map(Self::Many)
            }
            one => scan(one).map(Self::One),
        }
    }
}

/// What one scan came to.
#[derive(Debug, Serialize, JsonSchema)]
#[serde(untagged)]
pub enum ScanOut {
    /// It was taken, or refused for good: the receipt says which. Forget it.
    Taken {
        /// The device's number.
        seq: u64,
        /// `true`.
        taken: bool,
        /// Whether it had been taken before, and this is what was said then.
        again: bool,
        /// What it came to.
        receipt: Box<Receipt>,
    },
    /// It was not taken, nor were those after it. Send it again if `trouble` says to keep it.
    Refused {
        /// The device's number.
        seq: u64,
        /// `false`.
        taken: bool,
        /// Why.
        trouble: TroubleBody,
    },
}

/// What several scans came to.
#[derive(Debug, Serialize, JsonSchema)]
pub struct ScansOut {
    /// One for each scan, up to the first that was refused.
    pub results: Vec<ScanOut>,
    /// The action that is set now.
    pub action: Option<String>,
    /// The number of the device's next scan.
    pub next_seq: u64,
    /// What time it is on the floor: a device whose clock is wrong goes by this.
    pub now: DateTime<Utc>,
}

/// How a station stands.
#[derive(Debug, Serialize, JsonSchema)]
pub struct StationBody {
    /// The station.
    pub station: StationId,
    /// Its name.
    pub name: String,
    /// Who is signed in.
    pub person: Option<PersonId>,
    /// The action that is set.
    pub action: Option<String>,
    /// The number of the device's next scan.
    pub next_seq: u64,
    /// What time it is on the floor.
    pub now: DateTime<Utc>,
    /// The latest scans, newest first.
    pub latest: Vec<Receipt>,
}

fn device(visitor: &Visitor) -> Result<&Device, Trouble> {
    visitor.device.as_ref().ok_or_else(|| {
        Trouble::new(
            axum::http::StatusCode::FORBIDDEN,
            "no_station",
            "this device is no station: a manager can enrol it under Stations",
        )
    })
}

/// How this device's station stands.
///
/// # Errors
/// This device is no station.
pub fn standing(gateway: &Gateway, visitor: &Visitor) -> Result<StationBody, Trouble> {
    let device = device(visitor)?;
    let action = gateway.stations().action(device.station);
    Ok(StationBody {
        station: device.station,
        name: device.name.clone(),
        person: visitor.signed.as_ref().map(|signed| signed.account.badge),
        action: action.map(|action| action.name().to_owned()),
        next_seq: gateway.stations().next_seq(device)?,
        now: gateway.now(),
        latest: gateway.stations().latest(device, SHOWN)?,
    })
}

/// `GET /api/v1/station`
///
/// # Errors
/// This device is no station.
pub async fn look(
    State(gateway): State<Gateway>,
    visitor: Visitor,
) -> Result<Json<StationBody>, Trouble> {
    standing(&gateway, &visitor).map(Json)
}

/// `POST /api/v1/station/scan`: takes scans, each once however often it is sent.
///
/// # Errors
/// Nobody is signed in, this device is no station, or the only scan was not taken. Of
/// several scans, those before the first that was not taken were.
pub async fn scan(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    Body(body): Body<Scans>,
) -> Result<Response, Trouble> {
    // A tab that is closed takes nothing back: what was begun is written in its turn, and the
    // same scans sent again wait for that and get its receipts.
    edge::to_its_end(take(gateway, visitor, body))
        .await
        .map_err(|_| Trouble::away("the gateway is stopping: send this again"))?
}

async fn take(gateway: Gateway, visitor: Visitor, body: Scans) -> Result<Response, Trouble> {
    let signed = visitor.signed()?;
    let device = device(&visitor)?;
    let scanner = Scanner { signed, device };
    let (scans, alone) = match body {
        Scans::One(scan) => (vec![scan], true),
        Scans::Many(scans) => (scans, false),
    };
    if scans.len() > MOST_AT_ONCE {
        return Err(Trouble::new(
            axum::http::StatusCode::PAYLOAD_TOO_LARGE,
            "too_many_scans",
            format!("at most {MOST_AT_ONCE} scans at once: send the rest afterwards"),
        ));
    }
    let mut results = Vec::with_capacity(scans.len());
    for scan in scans {
        let seq = scan.seq;
        let taken = gateway
            .stations()
            .scan(scanner, scan, gateway.people(), gateway.moment());
        match taken.await {
            Ok((receipt, again)) => results.push(ScanOut::Taken {
                seq,
                taken: true,
                again,
                receipt: Box::new(receipt),
            }),
            Err(trouble) if alone => return Err(trouble),
            Err(trouble) => {
                results.push(ScanOut::Refused {
                    seq,
                    taken: false,
                    trouble: trouble.body(),
                });
                break;
            }
        }
    }
    let action = gateway.stations().action(device.station);
    let out = ScansOut {
        results,
        action: action.map(|action| action.name().to_owned()),
        next_seq: gateway.stations().next_seq(device)?,
        now: gateway.now(),
    };
    Ok(Json(out).into_response())
}
