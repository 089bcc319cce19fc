//! Devices that are stations: enrolled by a manager, on the device itself.

use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::Response;
use facts::StationId;
use maud::{Markup, html};
use serde::Deserialize;

use super::frame::{Frame, Here, token};
use super::{Gate, say, see};
use crate::gateway::Gateway;
use crate::guard::{DEVICE_COOKIE, Filled, Visitor, set_cookie};
use crate::people::Device;
use crate::stations::free;
use crate::trouble::Trouble;

/// Browsers keep a cookie for 400 days at most (RFC 6265bis); then the tablet is enrolled
/// again.
const COOKIE_SECONDS: i64 = 400 * 24 * 3600;

/// A clock that is off by so many seconds is worth a look.
const WORTH_A_LOOK: i64 = 30;

pub async fn page(State(gateway): Gate, visitor: Visitor) -> Result<Markup, Trouble> {
    visitor.manager()?;
    let t = visitor.tongue();
    let devices = gateway.people().devices();
    let this = visitor.device.as_ref().map(|device| device.station);
    let content = html! {
        p { (t.say("stations-words")) }
        @if devices.is_empty() {
            p.empty { (t.say("stations-none")) }
        } @else {
            ul.list {
                @for device in &devices {
                    li {
                        strong { (device.station) } " · " (device.name) " · "
                        (t.with("stations-by", [("badge", device.by.to_string().into()), ("at", say::time(&gateway, device.at).into())]))
                        @if this == Some(device.station) { " " span.mark.due { (t.say("stations-this")) } }
                        @if let Some(seconds) = clock_off(&gateway, device) {
                            " " span.mark.overdue { (t.with("stations-clock", [("seconds", seconds.into())])) }
                        }
                        @if device.is_enrolled() {
                            form.inline method="post" action="/stations/send-away" {
                                (token(&visitor))
                                input type="hidden" name="station" value=(device.station);
                                button type="submit" { (t.say("stations-send-away")) }
                            }
                        } @else { " " span.mark.ahead { (t.say("stations-away")) } }
                    }
                }
            }
        }
        h2 { (t.say("stations-new")) }
        form.card method="post" action="/stations" {
            (token(&visitor))
            label { (t.say("stations-code")) input name="station" required maxlength="20" spellcheck="false" placeholder="tablet-1"; }
            label { (t.say("stations-name")) input name="name" required maxlength="60"; }
            p.hint { (t.say("stations-hint")) }
            button.primary type="submit" { (t.say("stations-enrol")) }
        }
    };
    Ok(Frame::new(&gateway, &visitor, t.say("stations-title"), Here::Me).draw(&content))
}

/// By how many seconds a device's clock was off at its latest scan, when that is worth a look.
/// A clock that is driven is off everywhere.
fn clock_off(gateway: &Gateway, device: &Device) -> Option<i64> {
    let latest = gateway.stations().latest(device, 1).ok()?;
    let seconds = latest.first()?.skew_ms?.unsigned_abs() / 1000;
    let seconds = i64::try_from(seconds).ok()?;
    (seconds >= WORTH_A_LOOK && !gateway.clock_is_driven()).then_some(seconds)
}

#[derive(Debug, Deserialize)]
pub struct Enrolled {
    station: String,
    name: String,
}

pub async fn enrol(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<Enrolled>,
) -> Result<Response, Trouble> {
    let by = visitor.manager()?;
    let station =
        StationId::new(form.station.trim()).map_err(|bad| Trouble::bad(bad.to_string()))?;
    free(gateway.site(), station)?;
    let itself = visitor.device.as_ref().map(|device| device.station) == Some(station);
    if !itself && gateway.people().is_device(station) {
        return Err(Trouble::new(
            StatusCode::CONFLICT,
            "taken",
            format!(
                "{station} is another device's name already, which could scan no more: send that device away first, or choose a name of its own for this one"
            ),
        ));
    }
    let now = gateway.moment();
    let (key, device) = gateway.people().enrol(station, &form.name, by, now)?;
    gateway.stations().open_desk(gateway.site(), &device);
    let mut response = see("/station");
    let cookie = set_cookie(&gateway, DEVICE_COOKIE, &key, COOKIE_SECONDS);
    response.headers_mut().insert(header::SET_COOKIE, cookie);
    Ok(response)
}

#[derive(Debug, Deserialize)]
pub struct SentAway {
    station: StationId,
}

pub async fn send_away(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<SentAway>,
) -> Result<Response, Trouble> {
    visitor.manager()?;
    gateway.people().send_away(form.station)?;
    Ok(see("/stations"))
}
