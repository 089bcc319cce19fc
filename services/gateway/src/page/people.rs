//! Who may sign in: for managers.

use axum::extract::State;
use axum::response::Response;
use facts::PersonId;
use maud::{Markup, html};
use serde::Deserialize;

use super::frame::{Frame, Here, token};
use super::{Gate, see};
use crate::guard::{Filled, Visitor};
use crate::people::{Pin, Role};
use crate::trouble::Trouble;

pub async fn page(State(gateway): Gate, visitor: Visitor) -> Result<Markup, Trouble> {
    let me = visitor.manager()?.account.badge;
    let t = visitor.tongue();
    let now = gateway.machine_now();
    let role = |chosen: Role| {
        html! {
            @for role in Role::ALL {
                option value=(role.key()) selected[role == chosen] { (t.say(&format!("role-{}", role.key()))) }
            }
        }
    };
    let content = html! {
        p { (t.say("people-words")) }
        div.scroll {
            table {
                thead { tr {
                    th scope="col" { (t.say("badge")) } th scope="col" { (t.say("name")) }
                    th scope="col" { (t.say("role")) } th scope="col" { (t.say("people-change")) }
                } }
                tbody {
                    @for account in gateway.people().accounts() {
                        tr {
                            th scope="row" { (account.badge) }
                            td { (account.name)
                                @if account.locked_until.is_some_and(|until| until > now) {
                                    " " span.mark.missed { (t.say("people-locked")) }
                                }
                            }
                            td { (t.say(&format!("role-{}", account.role.key()))) }
                            td {
                                details {
                                    summary { (t.say("people-change")) }
                                    form.card method="post" action="/people" {
                                        (token(&visitor))
                                        input type="hidden" name="badge" value=(account.badge);
                                        label { (t.say("name")) input name="name" required maxlength="60" value=(account.name); }
                                        label { (t.say("role")) select name="role" { (role(account.role)) } }
                                        label { (t.say("pin-other")) input name="pin" type="password" inputmode="numeric" maxlength="12" autocomplete="new-password"; }
                                        button type="submit" { (t.say("save")) }
                                    }
                                    @if account.badge != me {
                                        form.card method="post" action="/people/erase" {
                                            (token(&visitor))
                                            input type="hidden" name="badge" value=(account.badge);
                                            p { (t.say("people-erase-words")) }
                                            button.danger type="submit" { (t.say("people-erase")) }
                                        }
                                    }
                                }
                            }
                        }
                    }
                }
            }
        }
        h2 { (t.say("people-new")) }
        form.card method="post" action="/people" {
            (token(&visitor))
            label { (t.say("badge")) input name="badge" required maxlength="20" spellcheck="false"; }
            label { (t.say("name")) input name="name" required maxlength="60"; }
            label { (t.say("role")) select name="role" { (role(Role::Operator)) } }
            label { (t.say("pin-new")) input name="pin" type="password" inputmode="numeric" required maxlength="12" autocomplete="new-password"; }
            p.hint { (t.say("pin-hint")) }
            button.primary type="submit" { (t.say("people-admit")) }
        }
        h2 { (t.say("roles-title")) }
        dl {
            @for role in Role::ALL {
                dt { (t.say(&format!("role-{}", role.key()))) }
                dd { (t.say(&format!("role-{}-words", role.key()))) }
            }
        }
    };
    Ok(Frame::new(&gateway, &visitor, t.say("people-title"), Here::Me).draw(&content))
}

#[derive(Debug, Deserialize)]
pub struct Admitted {
    badge: String,
    name: String,
    role: Role,
    #[serde(default)]
    pin: String,
}

pub async fn admit(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<Admitted>,
) -> Result<Response, Trouble> {
    visitor.manager()?;
    let badge = PersonId::new(form.badge.trim()).map_err(|bad| Trouble::bad(bad.to_string()))?;
    let now = gateway.moment();
    gateway
        .with_people(move |people| {
            let pin = (!form.pin.trim().is_empty()).then(|| Pin::typed(&form.pin));
            people.admit(badge, &form.name, form.role, pin.as_ref(), now)
        })
        .await?;
    Ok(see("/people"))
}

#[derive(Debug, Deserialize)]
pub struct Erased {
    badge: PersonId,
}

pub async fn erase(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<Erased>,
) -> Result<Response, Trouble> {
    visitor.manager()?;
    gateway.people().erase(form.badge)?;
    Ok(see("/people"))
}
