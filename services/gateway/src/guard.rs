//! Who asks, whether they may, and what every answer carries: before any handler.

use std::net::IpAddr;

use axum::body::Bytes;
use axum::extract::{FromRequest, FromRequestParts, Request, State};
use axum::http::request::Parts;
use axum::http::uri::Authority;
use axum::http::{HeaderMap, HeaderValue, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::Response;
use futures::StreamExt as _;
use serde::de::DeserializeOwned;

use crate::gateway::Gateway;
use crate::people::{Device, Role, Signed, Theme, Wishes};
use crate::server::Caller;
use crate::trouble::Trouble;
use crate::words::Tongue;

/// The cookie of someone signed in.
pub const SESSION_COOKIE: &str = "wheelward-person";

/// The cookie of a device that is a station.
pub const DEVICE_COOKIE: &str = "wheelward-station";

/// The cookie by which a browser is known where somebody has signed in before.
pub const BROWSER_COOKIE: &str = "wheelward-browser";

/// The header in which a call carries its session's token.
pub const TOKEN_HEADER: &str = "x-wheelward-token";

/// Largest body taken, in bytes: a batch of scans is a tenth of it.
pub const LARGEST_BODY: usize = 256 * 1024;

/// A larger body is read so far before it is refused.
const READ_AT_MOST: usize = 64 << 20;

/// Everything comes from this server's own files only.
macro_rules! policy {
    ($scripts:literal) => {
        concat!(
            "default-src 'none'; script-src ",
            $scripts,
            "; style-src 'self'; img-src 'self' data: blob:; media-src 'self' blob:; \
             connect-src 'self'; font-src 'self'; manifest-src 'self'; worker-src 'self'; \
             form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
        )
    };
}

/// What every answer allows.
const POLICY: &str = policy!("'self'");

/// What the station page allows: its camera's decoder is WebAssembly.
pub const STATION_POLICY: &str = policy!("'self' 'wasm-unsafe-eval'");

/// Who asks.
#[derive(Debug, Clone)]
pub struct Visitor {
    /// Who is signed in.
    pub signed: Option<Signed>,
    /// The station that this device is.
    pub device: Option<Device>,
    /// Their address.
    pub from: IpAddr,
    /// The secret of their browser.
    pub browser: Option<String>,
    /// How far the log was read when they asked.
    pub seq: u64,
    /// The language of their browser.
    asked_tongue: Option<Tongue>,
}

impl Visitor {
    /// Who is signed in.
    ///
    /// # Errors
    /// Nobody is.
    pub fn signed(&self) -> Result<&Signed, Trouble> {
        self.signed.as_ref().ok_or_else(Trouble::sign_in)
    }

    /// Who is signed in and may record.
    ///
    /// # Errors
    /// Nobody is, or they may only look.
    pub fn recorder(&self) -> Result<&Signed, Trouble> {
        let signed = self.signed()?;
        if signed.account.role.records() {
            Ok(signed)
        } else {
            Err(Trouble::forbidden(
                "an inspector looks and records nothing: ask someone who works here",
            ))
        }
    }

    /// The manager who is signed in.
    ///
    /// # Errors
    /// Nobody is, or someone else.
    pub fn manager(&self) -> Result<&Signed, Trouble> {
        let signed = self.signed()?;
        if signed.account.role == Role::Manager {
            Ok(signed)
        } else {
            Err(Trouble::forbidden("only a manager can do this: ask one"))
        }
    }

    /// How they want the pages.
    #[must_use]
    pub fn wishes(&self) -> Wishes {
        self.signed
            .as_ref()
            .map(|signed| signed.account.wishes)
            .unwrap_or_default()
    }

    /// Their language.
    #[must_use]
    pub fn tongue(&self) -> Tongue {
        let wished = self.wishes().tongue;
        wished.or(self.asked_tongue).unwrap_or_default()
    }

    /// A station stands in a cold room.
    #[must_use]
    pub fn theme(&self) -> Theme {
        match self.wishes().theme {
            Theme::Device if self.device.is_some() => Theme::Dark,
            theme => theme,
        }
    }
}

impl FromRequestParts<Gateway> for Visitor {
    type Rejection = Trouble;

    async fn from_request_parts(parts: &mut Parts, _: &Gateway) -> Result<Self, Trouble> {
        let visitor = parts.extensions.get::<Self>().cloned();
        visitor.ok_or_else(|| Trouble::away("nobody looked who asks"))
    }
}

/// A body of JSON. Whoever is signed in must have sent their session's token with it.
#[derive(Debug)]
pub struct Body<T>(pub T);

impl<T: DeserializeOwned> FromRequest<Gateway> for Body<T> {
    type Rejection = Trouble;

    async fn from_request(request: Request, _: &Gateway) -> Result<Self, Trouble> {
        let sent = request.headers().get(TOKEN_HEADER).cloned();
        let visitor = request.extensions().get::<Visitor>().cloned();
        let kind = request.headers().get(header::CONTENT_TYPE);
        let is_json = kind.is_some_and(|kind| kind.as_bytes().starts_with(b"application/json"));
        let bytes = bytes(request).await?;
        let token = sent.as_ref().and_then(|sent| sent.to_str().ok());
        check_token(visitor.as_ref(), token)?;
        if !is_json {
            return Err(Trouble::new(
                StatusCode::UNSUPPORTED_MEDIA_TYPE,
                "bad_request",
                "send JSON, and say so: Content-Type: application/json",
            ));
        }
        serde_json::from_slice(&bytes)
            .map(Self)
            .map_err(|error| Trouble::bad(format!("this JSON does not fit: {error}")))
    }
}

/// A form as a page sends it, with its session's token in the field `token`.
#[derive(Debug)]
pub struct Filled<T>(pub T);

impl<T: DeserializeOwned> FromRequest<Gateway> for Filled<T> {
    type Rejection = Trouble;

    async fn from_request(request: Request, _: &Gateway) -> Result<Self, Trouble> {
        #[derive(serde::Deserialize)]
        struct Token {
            #[serde(default)]
            token: String,
        }
        let visitor = request.extensions().get::<Visitor>().cloned();
        let kind = request.headers().get(header::CONTENT_TYPE).cloned();
        let bytes = bytes(request).await?;
        let form = |bytes: Bytes| {
            let mut again = Request::new(axum::body::Body::from(bytes));
            *again.method_mut() = Method::POST;
            if let Some(kind) = kind.clone() {
                again.headers_mut().insert(header::CONTENT_TYPE, kind);
            }
            again
        };
        let bad = |error: String| Trouble::bad(format!("this form does not fit: {error}"));
        let axum::Form(token) = axum::Form::<Token>::from_request(form(bytes.clone()), &())
            .await
            .map_err(|error| bad(error.body_text()))?;
        check_token(visitor.as_ref(), Some(&token.token))?;
        let axum::Form(filled) = axum::Form::<T>::from_request(form(bytes), &())
            .await
            .map_err(|error| bad(error.body_text()))?;
        Ok(Self(filled))
    }
}

/// The whole body. One that is too large is read to its end before it is refused, or the
/// browser would hear of a lost connection instead of the reason, and send it again.
async fn bytes(request: Request) -> Result<Bytes, Trouble> {
    let mut stream = request.into_body().into_data_stream();
    let mut body = Vec::new();
    let mut size = 0;
    while let Some(part) = stream.next().await {
        let part = part.map_err(|_| Trouble::bad("the connection ended in the middle"))?;
        size += part.len();
        if size <= LARGEST_BODY {
            body.extend_from_slice(&part);
        } else if size > READ_AT_MOST {
            break;
        }
    }
    if size <= LARGEST_BODY {
        return Ok(body.into());
    }
    Err(Trouble::new(
        StatusCode::PAYLOAD_TOO_LARGE,
        "too_large",
        format!(
            "this is larger than {} kB and cannot be a scan: scan one code at a time, \
             send at most {} scans at once",
            LARGEST_BODY / 1024,
            crate::stations::MOST_AT_ONCE
        ),
    ))
}

fn check_token(visitor: Option<&Visitor>, sent: Option<&str>) -> Result<(), Trouble> {
    let Some(signed) = visitor.and_then(|visitor| visitor.signed.as_ref()) else {
        return Ok(());
    };
    // Compared as hashes would be: the token is random and lives as long as its session.
    if sent == Some(signed.session.token.as_str()) {
        Ok(())
    } else {
        Err(Trouble::new(
            StatusCode::FORBIDDEN,
            "token",
            "this did not come from a page of this session: open the page again and repeat it",
        ))
    }
}

/// Looks who asks, before every handler, and dresses every answer.
pub async fn look(State(gateway): State<Gateway>, mut request: Request, next: Next) -> Response {
    let wants_page = !request.uri().path().starts_with("/api/");
    let path = request.uri().path().to_owned();
    let visitor = visitor(&gateway, &request);
    let allowed = allowed(&gateway, &visitor, &request);
    request.extensions_mut().insert(visitor.clone());
    let mut response = match allowed {
        Ok(()) => next.run(request).await,
        Err(trouble) => axum::response::IntoResponse::into_response(trouble),
    };
    if wants_page && let Some(trouble) = response.extensions_mut().remove::<Trouble>() {
        response = crate::page::trouble(&gateway, &visitor, &path, &trouble);
    }
    dress(&gateway, response.headers_mut());
    response
}

fn visitor(gateway: &Gateway, request: &Request) -> Visitor {
    let headers = request.headers();
    let peer = request
        .extensions()
        .get::<axum::extract::ConnectInfo<Caller>>()
        .map_or(IpAddr::from([0, 0, 0, 0]), |caller| caller.0.0.ip());
    let from = if gateway.options().behind_proxy {
        // The last entry is the proxy's own; those before it anyone can write.
        let named = headers.get_all("x-forwarded-for").iter().next_back();
        let last = named.and_then(|list| list.to_str().ok()?.rsplit(',').next());
        last.and_then(|text| text.trim().parse().ok())
            .unwrap_or(peer)
    } else {
        peer
    };
    let asked = headers.get(header::ACCEPT_LANGUAGE);
    let people = gateway.people();
    let signed =
        cookie(headers, SESSION_COOKIE).and_then(|key| people.signed(&key, gateway.machine_now()));
    Visitor {
        signed,
        device: cookie(headers, DEVICE_COOKIE).and_then(|key| people.device(&key)),
        from,
        browser: cookie(headers, BROWSER_COOKIE),
        seq: gateway.moved().seq(),
        asked_tongue: asked.and_then(|asked| Tongue::accepted(asked.to_str().ok()?)),
    }
}

fn allowed(gateway: &Gateway, visitor: &Visitor, request: &Request) -> Result<(), Trouble> {
    gateway.limits().any(visitor)?;
    let options = gateway.options();
    if options.tls.is_none() && !options.behind_proxy && names_another(request.headers()) {
        return Err(Trouble::new(
            StatusCode::MISDIRECTED_REQUEST,
            "host",
            "this address belongs to another name: open Wheelward by its number, such as 127.0.0.1, or as localhost",
        ));
    }
    if !request.method().is_safe() && comes_from_elsewhere(request.headers()) {
        return Err(Trouble::new(
            StatusCode::FORBIDDEN,
            "token",
            "another site's page asked for this: open Wheelward itself and repeat it",
        ));
    }
    Ok(())
}

/// Whether the request was sent to a name that is not this machine's: on plain HTTP, which only
/// this machine reaches, another site's name that was made to point here would let its pages
/// speak to ours as if they were one site (DNS rebinding).
fn names_another(headers: &HeaderMap) -> bool {
    let host = headers
        .get(header::HOST)
        .and_then(|host| host.to_str().ok());
    let Some(name) = host.and_then(|host| host.parse::<Authority>().ok()) else {
        // HTTP/1.0, and programs: a browser always says it.
        return host.is_some();
    };
    let name = name.host().trim_matches(['[', ']']).to_ascii_lowercase();
    name.parse::<IpAddr>().is_err() && name != "localhost" && !name.ends_with(".localhost")
}

/// What browsers say of where a request comes from (Fetch Metadata, and RFC 6454's
/// `Origin`); programs say nothing.
fn comes_from_elsewhere(headers: &HeaderMap) -> bool {
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    if let Some(site) = text("sec-fetch-site") {
        return site != "same-origin" && site != "none";
    }
    match (text("origin"), text("host")) {
        (Some(origin), Some(host)) => origin
            .split_once("://")
            .is_none_or(|(_, from)| from != host),
        _ => false,
    }
}

/// A cookie that the browser sent.
fn cookie(headers: &HeaderMap, name: &str) -> Option<String> {
    let lines = headers.get_all(header::COOKIE).iter();
    let pairs = lines.filter_map(|line| line.to_str().ok());
    pairs
        .flat_map(|line| line.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(found, _)| *found == name)
        .map(|(_, value)| value.to_owned())
}

/// A cookie for the browser to keep; no script reads it, and no other site's page sends it.
#[must_use]
pub fn set_cookie(gateway: &Gateway, name: &str, value: &str, seconds: i64) -> HeaderValue {
    let options = gateway.options();
    let secure = if options.tls.is_some() || options.behind_proxy {
        "; Secure"
    } else {
        ""
    };
    let text =
        format!("{name}={value}; Path=/; HttpOnly; SameSite=Strict; Max-Age={seconds}{secure}");
    HeaderValue::from_str(&text).unwrap_or(HeaderValue::from_static(""))
}

fn dress(gateway: &Gateway, headers: &mut HeaderMap) {
    let mut set = |name: &'static str, value: &'static str| {
        headers
            .entry(name)
            .or_insert(HeaderValue::from_static(value));
    };
    set("content-security-policy", POLICY);
    set("x-content-type-options", "nosniff");
    // Not "no-referrer": browsers then hide where even our own forms come from.
    set("referrer-policy", "same-origin");
    set(
        "permissions-policy",
        "camera=(self), microphone=(), geolocation=()",
    );
    set("cross-origin-opener-policy", "same-origin");
    set("cross-origin-resource-policy", "same-origin");
    set("cache-control", "no-store");
    if gateway.options().tls.is_some() {
        set("strict-transport-security", "max-age=31536000");
    }
}
