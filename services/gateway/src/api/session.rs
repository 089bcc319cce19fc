//! Signing in and out.

use axum::Json;
use axum::extract::State;
use axum::http::{HeaderMap, header};
use chrono::{DateTime, Utc};
use facts::{PersonId, StationId};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use crate::gateway::Gateway;
use crate::guard::{BROWSER_COOKIE, Body, SESSION_COOKIE, Visitor, set_cookie};
use crate::people::{IDLE, LONGEST, Pin, Role, Session, SignIn, Signed, secret};
use crate::trouble::Trouble;

/// Longer than any session: when it ends is the register's to say.
const COOKIE_SECONDS: i64 = 24 * 3600;

/// A browser is known for a year.
const BROWSER_SECONDS: i64 = 365 * 24 * 3600;

/// Badge and PIN.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SignInBody {
    /// The badge, as scanned or typed, with or without `P.` before it.
    pub badge: String,
    /// The PIN.
    pub pin: String,
}

/// Who is signed in.
#[derive(Debug, Serialize, JsonSchema)]
pub struct SessionBody {
    /// The badge.
    pub badge: PersonId,
    /// The name.
    pub name: String,
    /// What they are.
    pub role: Role,
    /// To be sent as `X-Wheelward-Token` with everything that changes something.
    pub token: String,
    /// When they must sign in again, if they do nothing till then.
    pub ends: DateTime<Utc>,
    /// The station that this device is.
    pub station: Option<StationId>,
    /// How scans are signed there.
    pub scans: Option<ScanKey>,
}

/// Signs someone in; used by the page and by the call.
///
/// # Errors
/// [`Trouble`] in words for the person.
pub async fn sign_in(
    gateway: &Gateway,
    visitor: &Visitor,
    badge: &str,
    pin: &str,
) -> Result<SignIn, Trouble> {
    gateway.limits().sign_in(visitor.from)?;
    let badge = badge.trim();
    let bare = badge
        .strip_prefix("P.")
        .or_else(|| badge.strip_prefix("p."))
        .unwrap_or(badge);
    let badge = PersonId::new(bare).map_err(|bad| Trouble::bad(bad.to_string()))?;
    let pin = Pin::typed(pin);
    let station = visitor.device.as_ref().map(|device| device.station);
    let (now, instead) = (gateway.moment(), visitor.signed.clone());
    let new = (station.is_none() && visitor.browser.is_none()).then(secret);
    let browser = match (station, &visitor.browser) {
        (Some(station), _) => format!("station {station}"),
        (None, Some(browser)) => browser.clone(),
        (None, None) => new.clone().unwrap_or_default(),
    };
    let signed = gateway
        .with_people(move |people| {
            people.sign_in(badge, &pin, station, &browser, instead.as_ref(), now)
        })
        .await?;
    Ok(SignIn {
        browser: new,
        ..signed
    })
}

/// How a device shows that its scans were made in this session, while it cannot ask anyone.
#[derive(Debug, Clone, Serialize, JsonSchema)]
pub struct ScanKey {
    /// Sent as `session` with every scan.
    pub session: String,
    /// Signs every scan.
    pub key: String,
    /// Nobody stays signed in for longer, in seconds from signing in.
    pub longest_s: i64,
    /// Whoever scans nothing for so many seconds is signed out.
    pub idle_s: i64,
    /// For how many seconds it has lasted.
    pub lasted_s: i64,
    /// Since when, by this machine's clock, which goes on though the floor's stands still: of
    /// two sessions on a device the later is the one there.
    pub since: DateTime<Utc>,
}

impl ScanKey {
    /// Of a session; none of one that began before sessions signed scans.
    #[must_use]
    pub fn of(gateway: &Gateway, session: &Session) -> Option<Self> {
        (!session.scan_key.is_empty()).then(|| Self {
            session: session.id.clone(),
            key: session.scan_key.clone(),
            longest_s: LONGEST.num_seconds(),
            idle_s: IDLE.num_seconds(),
            lasted_s: (gateway.machine_now() - session.began).num_seconds(),
            since: session.began,
        })
    }
}

/// The cookies of someone who has signed in.
#[must_use]
pub fn signed_in_cookies(gateway: &Gateway, signed: &SignIn) -> HeaderMap {
    let mut cookies = HeaderMap::new();
    let cookie = set_cookie(gateway, SESSION_COOKIE, &signed.key, COOKIE_SECONDS);
    cookies.append(header::SET_COOKIE, cookie);
    if let Some(browser) = &signed.browser {
        let cookie = set_cookie(gateway, BROWSER_COOKIE, browser, BROWSER_SECONDS);
        cookies.append(header::SET_COOKIE, cookie);
    }
    cookies
}

/// `POST /api/v1/session`
///
/// # Errors
/// Badge and PIN do not fit, or too many tries.
pub async fn begin(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    Body(body): Body<SignInBody>,
) -> Result<(HeaderMap, Json<SessionBody>), Trouble> {
    let signed = sign_in(&gateway, &visitor, &body.badge, &body.pin).await?;
    let cookies = signed_in_cookies(&gateway, &signed);
    let station = visitor.device.map(|device| device.station);
    let session = SessionBody {
        badge: signed.account.badge,
        name: signed.account.name,
        role: signed.account.role,
        ends: signed.session.ends(),
        scans: station.and_then(|_| ScanKey::of(&gateway, &signed.session)),
        token: signed.session.token,
        station,
    };
    Ok((cookies, Json(session)))
}

/// `GET /api/v1/session`
///
/// # Errors
/// Nobody is signed in.
pub async fn look(
    State(gateway): State<Gateway>,
    visitor: Visitor,
) -> Result<Json<SessionBody>, Trouble> {
    let Signed {
        account, session, ..
    } = visitor.signed()?;
    Ok(Json(SessionBody {
        badge: account.badge,
        name: account.name.clone(),
        role: account.role,
        token: session.token.clone(),
        ends: session.ends(),
        station: visitor.device.as_ref().map(|device| device.station),
        scans: visitor
            .device
            .as_ref()
            .and_then(|_| ScanKey::of(&gateway, session)),
    }))
}

/// Nothing to say.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Nothing {}

/// `DELETE /api/v1/session`
///
/// # Errors
/// Nobody is signed in, or the disk cannot be written.
pub async fn end(
    State(gateway): State<Gateway>,
    visitor: Visitor,
    Body(Nothing {}): Body<Nothing>,
) -> Result<HeaderMap, Trouble> {
    gateway
        .people()
        .sign_out(visitor.signed()?, gateway.moment())?;
    let cookie = set_cookie(&gateway, SESSION_COOKIE, "", 0);
    Ok(HeaderMap::from_iter([(header::SET_COOKIE, cookie)]))
}
