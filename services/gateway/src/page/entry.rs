//! What the office writes down: lots, the make, samples and results, checks, deviations.
//!
//! One table says which facts there are and what each asks for; the same code draws every
//! form and makes the fact. A fact is stated at the moment at which it is entered.

use std::collections::BTreeMap;

use authority::people::{Proof, may_state_kind};
use axum::extract::{Path, State};
use axum::response::Response;
use facts::{Event, TYPES, VatRecipeChanged};
use maud::{Markup, html};
use names::{Kind as Named, UnknownName};
use records::Caution;
use serde_json::{Map, Value};

use super::frame::{Frame, Here, token};
use super::{Gate, looking, say, see};
use crate::gateway::Gateway;
use crate::guard::{Filled, Visitor};
use crate::people::Signed;
use crate::trouble::Trouble;
use crate::words::Tongue;

/// How a value is written.
#[derive(Debug, Clone, Copy)]
enum Kind {
    Text,
    Number,
    Date,
    Choice(&'static [&'static str]),
    /// Values with commas between them.
    List,
    /// Yes or no, or nothing.
    Flag,
}

/// A field: its path in the fact, how it is written, whether it must be there.
type Field = (&'static str, Kind, bool);

const LOT: Field = ("lot", Kind::Text, true);
const BATCH: Field = ("batch", Kind::Text, true);
const NOTE: Field = ("note", Kind::Text, false);
const TEST: Field = ("test", Kind::Text, true);
const SAMPLE: Field = ("sample", Kind::Text, true);
const WHEELS: Field = ("wheels", Kind::List, false);

/// Every kind of entry, in the order of a working day: `<noun>.<verb>` and its fields.
const ENTRIES: &[(&str, &[Field])] = &[
    (
        "milk.received",
        &[
            LOT,
            ("supplier", Kind::Text, true),
            ("volume_l", Kind::Number, true),
            ("temperature_c", Kind::Number, false),
            ("fat_pct", Kind::Number, false),
            ("protein_pct", Kind::Number, false),
            ("supplier_lot", Kind::Text, false),
            ("document.kind", Kind::Text, false),
            ("document.number", Kind::Text, false),
        ],
    ),
    ("milk.screened", &[LOT, TEST, ("passed", Kind::Flag, true)]),
    (
        "milk.pasteurised",
        &[
            LOT,
            ("temperature_c", Kind::Number, true),
            ("held_s", Kind::Number, true),
        ],
    ),
    (
        "lot.received",
        &[
            LOT,
            (
                "kind",
                Kind::Choice(&["culture", "rennet", "salt", "coating", "packaging", "other"]),
                true,
            ),
            ("product", Kind::Text, true),
            ("supplier", Kind::Text, true),
            ("supplier_lot", Kind::Text, false),
            ("use_by", Kind::Date, false),
            ("document.kind", Kind::Text, false),
            ("document.number", Kind::Text, false),
        ],
    ),
    (
        "vat.filled",
        &[BATCH, LOT, ("volume_l", Kind::Number, true)],
    ),
    (
        "vat.dosed",
        &[
            BATCH,
            (
                "ingredient",
                Kind::Choice(&["culture", "rennet", "salt"]),
                true,
            ),
            LOT,
            ("amount", Kind::Number, true),
        ],
    ),
    (
        "vat.measured",
        &[
            BATCH,
            ("reading.ph", Kind::Number, false),
            ("reading.acidity_dornic", Kind::Number, false),
            ("reading.temperature_c", Kind::Number, false),
        ],
    ),
    ("vat.cut", &[BATCH, NOTE]),
    ("vat.drained", &[BATCH, ("whey_l", Kind::Number, false)]),
    ("vat.milled", &[BATCH, NOTE]),
    ("vat.closed", &[BATCH, NOTE]),
    (
        "vat.recipe_changed",
        &[
            BATCH,
            ("recipe", Kind::Text, true),
            ("recipe_version", Kind::Number, true),
            ("reason", Kind::Text, true),
        ],
    ),
    ("lot.used", &[LOT, ("wheels", Kind::List, true)]),
    (
        "tool.sanitised",
        &[("tool", Kind::Text, true), ("method", Kind::Text, true)],
    ),
    (
        "control.checked",
        &[
            ("control", Kind::Text, true),
            ("about.batch", Kind::Text, false),
            ("value", Kind::Number, false),
            ("in_order", Kind::Flag, false),
            NOTE,
        ],
    ),
    (
        "deviation.found",
        &[
            ("about.batch", Kind::Text, false),
            ("about.lot", Kind::Text, false),
            ("control", Kind::Text, false),
            ("found", Kind::Text, true),
            ("wanted", Kind::Text, false),
        ],
    ),
    (
        "deviation.decided",
        &[
            ("deviation", Kind::Text, true),
            ("action", Kind::Text, true),
            (
                "consequence",
                Kind::Choice(&["goes_on", "treated_again", "held", "discarded"]),
                true,
            ),
        ],
    ),
    (
        "lab.sampled",
        &[
            SAMPLE,
            ("batch", Kind::Text, false),
            WHEELS,
            TEST,
            ("plan", Kind::Text, false),
            ("taken_g", Kind::Number, false),
        ],
    ),
    (
        "lab.swabbed",
        &[
            SAMPLE,
            ("room", Kind::Text, false),
            ("tool", Kind::Text, false),
            ("point", Kind::Text, true),
            ("zone", Kind::Choice(&["1", "2", "3", "4"]), true),
            TEST,
        ],
    ),
    (
        "lab.resulted",
        &[
            SAMPLE,
            TEST,
            ("value", Kind::Text, true),
            ("units", Kind::List, false),
            (
                "verdict",
                Kind::Choice(&["satisfactory", "acceptable", "unsatisfactory"]),
                true,
            ),
            ("report", Kind::Text, false),
        ],
    ),
];

/// What a field names that has to be there already.
const NAMES: &[(&str, Named)] = &[
    ("lot", Named::Lot),
    ("about.lot", Named::Lot),
    ("batch", Named::Batch),
    ("about.batch", Named::Batch),
    ("wheels", Named::Wheel),
    ("room", Named::Room),
    ("tool", Named::Tool),
    ("control", Named::Check),
    ("recipe", Named::Recipe),
    ("deviation", Named::Deviation),
    ("sample", Named::Sample),
];

/// Forms that write a thing down for the first time.
const FIRST: &[(&str, &str)] = &[
    ("milk.received", "lot"),
    ("lot.received", "lot"),
    ("lab.sampled", "sample"),
    ("lab.swabbed", "sample"),
];

/// The field that says that what is named is not written down yet.
const NOT_YET: &str = "not_yet";

/// What a field of a form names; nothing where it is new, or no name at all.
fn named(topic: &str, field: &str) -> Option<Named> {
    let first = FIRST.contains(&(topic, field));
    let named = NAMES.iter().find(|(name, _)| *name == field);
    named.filter(|_| !first).map(|(_, kind)| *kind)
}

/// Whether there is what an entry speaks of.
async fn check_names(
    gateway: &Gateway,
    topic: &str,
    filled: &BTreeMap<String, String>,
) -> Result<(), Trouble> {
    for (field, _, _) in fields(topic)? {
        let Some(kind) = named(topic, field) else {
            continue;
        };
        let text = filled.get(*field).map_or("", String::as_str);
        for code in text
            .split(',')
            .map(str::trim)
            .filter(|code| !code.is_empty())
        {
            gateway.named(kind, code).await?;
        }
    }
    Ok(())
}

fn fields(topic: &str) -> Result<&'static [Field], Trouble> {
    let entry = ENTRIES.iter().find(|(known, _)| *known == topic);
    entry.map(|(_, fields)| *fields).ok_or_else(|| {
        let forms = ENTRIES.iter().map(|(topic, _)| *topic);
        UnknownName::among(Named::Form, topic, forms).into()
    })
}

fn title(t: Tongue, topic: &str) -> String {
    t.say(&format!("entry-{}", topic.replace(['.', '_'], "-")))
}

fn label(t: Tongue, field: &str) -> String {
    t.say(&format!("field-{}", field.replace(['.', '_'], "-")))
}

/// The list of forms.
pub async fn list(State(gateway): Gate, visitor: Visitor) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let content = html! {
        p { (t.say("entry-words")) }
        ul.list { @for (topic, _) in ENTRIES {
            li { @match may(&visitor, topic) {
                Ok(_) => a.big href={ "/entry/" (topic) } { (title(t, topic)) },
                Err(why) => { (title(t, topic)) " · " (say::core(t, &why.words)) },
            } }
        } }
    };
    Ok(Frame::new(&gateway, &visitor, t.say("entry-title"), Here::Nowhere).draw(&content))
}

/// Whoever may enter this, by the table of who may state what.
fn may<'v>(visitor: &'v Visitor, topic: &str) -> Result<&'v Signed, Trouble> {
    let signed = visitor.signed()?;
    may_state_kind(topic, Proof::SignedIn(signed.account.role))
        .map_err(|refused| Trouble::forbidden(format!("this {refused}")))?;
    Ok(signed)
}

/// One form.
pub async fn form(
    State(gateway): Gate,
    visitor: Visitor,
    Path(topic): Path<String>,
) -> Result<Markup, Trouble> {
    let fields = fields(&topic)?;
    may(&visitor, &topic)?;
    let t = visitor.tongue();
    let content = html! {
        form.card method="post" action={ "/entry/" (topic) } {
            (token(&visitor))
            @for (name, kind, must) in fields { (input(t, name, *kind, *must)) }
            @if fields.iter().any(|(field, _, _)| named(&topic, field).is_some()) {
                label.check { input type="checkbox" name=(NOT_YET) value="yes"; " " (t.say("entry-not-yet")) }
            }
            @if let Some(caution) = caution(&topic) { p { (say::core(t, caution.words())) } }
            p.hint { (t.say("entry-now")) }
            button.primary type="submit" { (t.say("entry-do")) }
        }
        p { a.button href="/entry" { (t.say("entry-title")) } }
    };
    Ok(Frame::new(&gateway, &visitor, title(t, &topic), Here::Nowhere).draw(&content))
}

/// What to mind where this is entered.
fn caution(topic: &str) -> Option<Caution> {
    match topic.split_once('.')?.0 {
        "lab" => Some(Caution::Listeria),
        "control" | "deviation" => Some(Caution::Gas),
        _ => None,
    }
}

fn input(t: Tongue, name: &str, kind: Kind, must: bool) -> Markup {
    let words = label(t, name);
    let choices: Vec<(&str, String)> = match kind {
        Kind::Choice(values) => values
            .iter()
            .map(|value| {
                let key = format!("choice-{}", value.replace('_', "-"));
                (
                    *value,
                    if t.knows(&key) {
                        t.say(&key)
                    } else {
                        (*value).to_owned()
                    },
                )
            })
            .collect(),
        Kind::Flag => vec![("true", t.say("choice-yes")), ("false", t.say("choice-no"))],
        _ => Vec::new(),
    };
    html! {
        @if choices.is_empty() {
            label { (words) @if !must { " (" (t.say("entry-may")) ")" }
                @match kind {
                    Kind::Number => { input name=(name) required[must] inputmode="decimal" maxlength="12" autocomplete="off"; }
                    Kind::Date => { input name=(name) type="date" required[must]; }
                    _ => { input name=(name) required[must] maxlength="500" spellcheck="false" autocomplete="off"; }
                }
            }
        } @else {
            label { (words) @if !must { " (" (t.say("entry-may")) ")" }
                select name=(name) required[must] {
                    option value="" { "" }
                    @for (value, words) in &choices { option value=(value) { (words) } }
                }
            }
        }
    }
}

/// Makes the fact and states it.
pub async fn enter(
    State(gateway): Gate,
    visitor: Visitor,
    Path(topic): Path<String>,
    Filled(filled): Filled<BTreeMap<String, String>>,
) -> Result<Response, Trouble> {
    let fields = fields(&topic)?;
    let signed = may(&visitor, &topic)?;
    let badge = signed.account.badge;
    if !filled.contains_key(NOT_YET) {
        check_names(&gateway, &topic, &filled).await?;
    }
    let mut body = Map::new();
    for (name, kind, must) in fields {
        let text = filled.get(*name).map_or("", |text| text.trim());
        if text.is_empty() {
            if *must {
                let words = label(visitor.tongue(), name);
                return Err(Trouble::bad(format!("{words} is missing")));
            }
            if matches!(kind, Kind::List) {
                put(&mut body, name, Value::Array(Vec::new()));
            }
            continue;
        }
        put(&mut body, name, value(*kind, text)?);
    }
    if topic == "deviation.decided" {
        put(&mut body, "decided_by", badge.to_string().into());
    }
    let info = TYPES
        .iter()
        .find(|info| topic == format!("{}.{}", info.noun, info.verb))
        .ok_or_else(|| Trouble::missing("there is no such fact"))?;
    let body = serde_json::to_vec(&body).map_err(|error| Trouble::bad(error.to_string()))?;
    let event = Event::read(info.ty, &body)
        .ok_or_else(|| Trouble::missing("there is no such fact"))?
        .map_err(|error| Trouble::bad(format!("this does not fit: {error}")))?;
    if let Event::VatRecipeChanged(moved) = &event {
        has_recipe(&gateway, moved)?;
    }
    gateway.state(signed, vec![event]).await?;
    Ok(see("/entry"))
}

/// Whether the site has the recipe, in that version, that a batch is to go by.
fn has_recipe(gateway: &Gateway, moved: &VatRecipeChanged) -> Result<(), Trouble> {
    let (recipe, version) = (moved.recipe, moved.recipe_version);
    let recipes = &gateway.site().recipes;
    if recipes.get(recipe, version).is_some() {
        return Ok(());
    }
    let known = recipes.iter().filter(|known| known.id == recipe);
    let known: Vec<_> = known.map(|known| format!("v{}", known.version)).collect();
    Err(Trouble::missing(format!(
        "recipe {recipe} has no version {version}; it has {}: name that file in the site file first",
        known.join(", ")
    )))
}

fn value(kind: Kind, text: &str) -> Result<Value, Trouble> {
    let whole = |text: &str| text.parse::<i64>().ok().map(Value::from);
    Ok(match kind {
        Kind::Number => {
            let point = text.replace(',', ".");
            let number = point.parse::<f64>().ok().filter(|n| n.is_finite());
            let number = number
                .ok_or_else(|| Trouble::bad(format!("{text:?} is no number: write it as 4.2")))?;
            whole(&point).unwrap_or_else(|| number.into())
        }
        Kind::Flag => (text == "true").into(),
        Kind::List => text
            .split(',')
            .map(str::trim)
            .filter(|part| !part.is_empty())
            .map(Value::from)
            .collect::<Vec<_>>()
            .into(),
        // A zone is a number, every other choice a word.
        Kind::Choice(_) => whole(text).unwrap_or_else(|| text.into()),
        Kind::Text | Kind::Date => text.into(),
    })
}

/// Puts a value where its path says: `about.batch` is a member of `about`.
fn put(body: &mut Map<String, Value>, path: &str, value: Value) {
    match path.split_once('.') {
        None => {
            body.insert(path.to_owned(), value);
        }
        Some((outer, inner)) => {
            let outer = body
                .entry(outer)
                .or_insert_with(|| Value::Object(Map::new()));
            if let Value::Object(outer) = outer {
                outer.insert(inner.to_owned(), value);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_form_and_field_has_its_words_and_its_fact() {
        for (topic, fields) in ENTRIES {
            assert!(
                TYPES
                    .iter()
                    .any(|info| *topic == format!("{}.{}", info.noun, info.verb)),
                "{topic}"
            );
            for t in Tongue::ALL {
                assert!(
                    t.knows(&format!("entry-{}", topic.replace(['.', '_'], "-"))),
                    "{topic}"
                );
                for (field, _, _) in *fields {
                    let key = format!("field-{}", field.replace(['.', '_'], "-"));
                    assert!(t.knows(&key), "{key}");
                }
            }
        }
    }
}
