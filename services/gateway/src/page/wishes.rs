//! How a person wants the pages, and the ways to what managers look after.

use axum::extract::State;
use axum::response::Response;
use maud::{Markup, html};
use serde::Deserialize;

use super::frame::{Frame, Here, is_manager, token};
use super::{Gate, see};
use crate::guard::{Filled, Visitor};
use crate::people::{Hand, TemperatureUnit, Theme, WeightUnit, Wishes};
use crate::trouble::Trouble;
use crate::words::Tongue;

pub async fn page(State(gateway): Gate, visitor: Visitor) -> Result<Markup, Trouble> {
    let signed = visitor.signed()?;
    let t = visitor.tongue();
    let wishes = signed.account.wishes;
    let choice = |name: &str, options: &[(&str, String, bool)]| {
        html! {
            fieldset.choice {
                legend { (t.say(&format!("wish-{name}"))) }
                @for (value, words, chosen) in options {
                    label {
                        input type="radio" name=(name) value=(value) checked[*chosen];
                        span { (words) }
                    }
                }
            }
        }
    };
    let tongues: Vec<_> = Tongue::ALL
        .iter()
        .map(|tongue| (tongue.code(), tongue.name().to_owned(), *tongue == t))
        .collect();
    let content = html! {
        @if is_manager(&visitor) {
            p.row {
                a.button href="/people" { (t.say("people-title")) }
                a.button href="/stations" { (t.say("stations-title")) }
            }
        }
        form.card method="post" action="/me" {
            (token(&visitor))
            (choice("tongue", &tongues))
            (choice("weight", &[
                ("kg", "kg".to_owned(), wishes.weight == WeightUnit::Kg),
                ("lb", "lb".to_owned(), wishes.weight == WeightUnit::Lb),
            ]))
            (choice("temperature", &[
                ("C", "°C".to_owned(), wishes.temperature == TemperatureUnit::C),
                ("F", "°F".to_owned(), wishes.temperature == TemperatureUnit::F),
            ]))
            (choice("theme", &[
                ("device", t.say("theme-device"), wishes.theme == Theme::Device),
                ("dark", t.say("theme-dark"), wishes.theme == Theme::Dark),
                ("light", t.say("theme-light"), wishes.theme == Theme::Light),
            ]))
            (choice("hand", &[
                ("right", t.say("hand-right"), wishes.hand == Hand::Right),
                ("left", t.say("hand-left"), wishes.hand == Hand::Left),
            ]))
            button.primary type="submit" { (t.say("save")) }
        }
        form.row method="post" action="/sign-out" {
            (token(&visitor))
            button type="submit" { (t.with("sign-out", [("name", signed.account.name.as_str().into())])) }
        }
    };
    Ok(Frame::new(&gateway, &visitor, t.say("me-title"), Here::Me).draw(&content))
}

#[derive(Debug, Deserialize)]
pub struct Chosen {
    tongue: Tongue,
    weight: WeightUnit,
    temperature: TemperatureUnit,
    theme: Theme,
    hand: Hand,
}

pub async fn change(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(chosen): Filled<Chosen>,
) -> Result<Response, Trouble> {
    let signed = visitor.signed()?;
    let wishes = Wishes {
        tongue: Some(chosen.tongue),
        weight: chosen.weight,
        temperature: chosen.temperature,
        theme: chosen.theme,
        hand: chosen.hand,
    };
    gateway.people().wish(signed.account.badge, wishes)?;
    Ok(see("/me"))
}
