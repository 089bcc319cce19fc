//! Every hold that keeps a wheel, over a scope, from a recipe or on single wheels: what
//! stands and who may end it, placing one, ending one.
//!
//! Placing a hold is for everyone who works here; ending one is a manager's act, with a
//! reason. A release by somebody whom the dairy's safety file does not name ends nothing.

use std::collections::BTreeSet;
use std::str::FromStr;

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::Response;
use facts::{
    BatchId, Event, FactId, HoldId, HoldLifted, HoldPlaced, LotId, Scope, WheelId, WheelReleased,
};
use holds::Rights;
use maud::{Markup, html};
use names::{Kind, UnknownName};
use records::{Caution, HoldStanding, InScope, KNOWN, Keeps};
use scheduler::{NAME, NameQuery};
use serde::Deserialize;

use super::frame::{Frame, Here, may, token};
use super::{Gate, looking, pager, say, see};
use crate::api::words;
use crate::gateway::Gateway;
use crate::guard::{Filled, Visitor};
use crate::trouble::Trouble;
use crate::words::Tongue;

/// Most wheels that one fact releases: with the longest codes they fill two thirds of the
/// largest message that a broker takes as it comes (1 MiB).
const MOST_IN_A_FACT: usize = 30_000;

/// Wheels that a card names.
const NAMED: usize = 30;

#[derive(Debug, Default, Deserialize)]
pub struct Begun {
    #[serde(default)]
    what: String,
    #[serde(default)]
    code: String,
    /// The first hold shown.
    #[serde(default)]
    from: usize,
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    Query(begun): Query<Begun>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let standing: Vec<HoldStanding> = gateway.ask("holds", &()).await?;
    let choice = |value: &str| {
        let chosen = begun.what == value || (value == "lot" && begun.what.is_empty());
        html! { label {
            input type="radio" name="what" value=(value) checked[chosen];
            span { (t.say(&format!("recall-{value}"))) }
        } }
    };
    let content = html! {
        p { (t.say("holds-words")) }
        p.hint { (say::core(t, Caution::Mycotoxins.words())) }
        @if standing.is_empty() { p.empty { (t.say("holds-none")) } }
        @else { p { (may_release(t, &gateway.site().rights())) } }
        @for hold in pager::part(&standing, begun.from) {
            (card(&gateway, &visitor, t, hold, Ending::of(&standing, hold.hold).shown()))
        }
        (pager::links(t, begun.from, standing.len(), |from| format!("/holds?from={from}")))
        @if may(&visitor, "hold.placed") {
            h2 { (t.say("holds-new")) }
            form.card method="post" action="/holds" {
                (token(&visitor))
                label { (t.say("holds-code")) input name="hold" required maxlength="20" spellcheck="false"; }
                fieldset.choice { legend { (t.say("recall-what")) }
                    @for value in ["lot", "batch", "wheel"] { (choice(value)) }
                }
                label { (t.say("recall-code")) input name="code" value=(begun.code) required maxlength="60" spellcheck="false"; }
                label { (t.say("holds-reason")) input name="reason" required maxlength="500"; }
                label.check { input type="checkbox" name="not_yet" value="yes"; " " (t.say("holds-not-yet")) }
                button.primary type="submit" { (t.say("holds-place")) }
            }
        }
    };
    Ok(Frame::new(&gateway, &visitor, t.say("holds-title"), Here::Find).draw(&content))
}

/// Who may end a hold.
fn may_release(t: Tongue, rights: &Rights) -> String {
    match rights {
        Rights::AnyBadge => t.say("holds-anyone"),
        Rights::Named(badges) => {
            let badges: Vec<_> = badges.iter().map(ToString::to_string).collect();
            t.with("holds-only", [("badges", badges.join(", ").into())])
        }
    }
}

fn card(
    gateway: &Gateway,
    visitor: &Visitor,
    t: Tongue,
    hold: &HoldStanding,
    shown: Shown,
) -> Markup {
    let list = |wheels: &[WheelId]| {
        let shown: Vec<String> = wheels.iter().take(NAMED).map(ToString::to_string).collect();
        let more = wheels.len() - shown.len();
        html! {
            (shown.join(", "))
            @if more > 0 { " " (t.with("more", [("count", more.into())])) }
        }
    };
    let keeps = match &hold.keeps {
        Keeps::Scope(scope) => say::core(t, &scope.to_string()),
        Keeps::Recipe(recipe) => {
            html! { (t.with("holds-of-recipe", [("recipe", recipe.to_string().into())])) }
        }
        Keeps::Wheels => html! { (t.say("holds-on-wheels")) },
    };
    let of_recipe = matches!(hold.keeps, Keeps::Recipe(_));
    html! {
        article.alert-card {
            (super::icon::level("held"))
            div {
                h3 { (hold.hold) " · " (keeps) }
                p { (hold.reason)
                    @if let Some(at) = hold.placed_at {
                        " · " (t.with("alerts-since", [("time", say::time(gateway, at).into())]))
                    }
                    @if let Some(badge) = hold.placed_by {
                        " · " (t.with("holds-by", [("badge", badge.to_string().into())]))
                    }
                }
                p { strong { (t.with("holds-kept", [("count", hold.kept.len().into())])) } " " (list(&hold.kept)) }
                @if !hold.left.is_empty() {
                    p { strong { (t.with("holds-left", [("count", hold.left.len().into())])) } " " (list(&hold.left)) }
                }
                @if hold.behind { p { strong { (t.say("holds-behind")) } } }
                @if hold.untraced { p { strong { (t.say("holds-untraced")) } } }
                @if !hold.owed.is_empty() { p { (t.with("holds-owed", [("count", hold.owed.len().into())])) " " (list(&hold.owed)) } }
                @if !hold.let_go.is_empty() { p { (t.with("holds-let-go", [("count", hold.let_go.len().into())])) " " (list(&hold.let_go)) } }
                @if !hold.released_without_right.is_empty() {
                    p { (t.with("holds-no-right", [("count", hold.released_without_right.len().into())])) " " (list(&hold.released_without_right)) }
                }
                @if of_recipe {
                    p.hint { (t.say("holds-of-recipe-end")) }
                } @else if may(visitor, "hold.lifted") {
                    details {
                        summary { (t.say("holds-end")) }
                        form.card method="post" action="/holds/end" {
                            (token(visitor))
                            input type="hidden" name="hold" value=(hold.hold);
                            input type="hidden" name="shown" value=(shown);
                            p { (t.say("holds-end-words")) }
                            @if shown.holds > 1 {
                                p { strong { (t.with("holds-end-all", [
                                    ("hold", hold.hold.to_string().into()),
                                    ("holds", shown.holds.into()),
                                    ("count", shown.wheels.into()),
                                ])) } }
                            }
                            label { (t.say("holds-reason")) input name="reason" required maxlength="500"; }
                            button.danger type="submit" { (t.say("holds-end-do")) }
                        }
                    }
                }
            }
        }
    }
}

#[derive(Debug, Deserialize)]
pub struct Placed {
    hold: String,
    what: String,
    code: String,
    reason: String,
    /// It is not in the books yet: hold it all the same.
    #[serde(default)]
    not_yet: Option<String>,
}

pub async fn place(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<Placed>,
) -> Result<Response, Trouble> {
    let signed = visitor.recorder()?;
    let bad = |reason: facts::BadCode| Trouble::bad(reason.to_string());
    let code = form.code.trim();
    let mut scope = match form.what.as_str() {
        "batch" => Scope::Batch(BatchId::new(code).map_err(bad)?),
        "wheel" => Scope::Wheels(vec![WheelId::new(code).map_err(bad)?]),
        "lot" => Scope::Lot(LotId::new(code).map_err(bad)?),
        _ => {
            return Err(Trouble::bad(
                "a hold is placed here over a lot, a batch or a wheel: choose which",
            ));
        }
    };
    if form.not_yet.is_none() {
        scope = gateway.ask::<InScope>(KNOWN, &scope).await?.scope;
    }
    let hold = HoldId::new(form.hold.trim()).map_err(bad)?;
    // Whoever ends one of two holds of one code would end both.
    let standing: Vec<HoldStanding> = gateway.ask("holds", &()).await?;
    if standing.iter().any(|standing| standing.hold == hold) {
        return Err(Trouble::new(
            StatusCode::CONFLICT,
            "hold-in-use",
            format!(
                "a hold {hold} stands already, over something else perhaps: see the list, and give this one a code of its own"
            ),
        ));
    }
    // Whoever ended the hold before under this code may have done so by a clock that is ahead:
    // one placed anew would count as ended.
    let query = NameQuery {
        kind: Kind::Hold,
        code: hold.to_string(),
    };
    match gateway.ask::<String>(NAME, &query).await {
        Ok(used) => {
            return Err(Trouble::new(
                StatusCode::CONFLICT,
                "hold-in-use",
                format!("a hold {used} was placed here before: give this one a code of its own"),
            ));
        }
        Err(trouble) if trouble.unknown.is_some() => {}
        Err(trouble) => return Err(trouble),
    }
    let placed = HoldPlaced {
        hold,
        scope,
        reason: words(&form.reason, "a reason")?,
        cause: None,
    };
    gateway.state(signed, vec![placed.into()]).await?;
    Ok(see("/holds"))
}

/// What ends together under one code: every hold of it but those that recipes put on wheels,
/// which are released wheel by wheel.
#[derive(Debug, Default)]
struct Ending {
    /// The facts that set the holds, and whether one lies over a scope.
    set: BTreeSet<Option<FactId>>,
    over_a_scope: bool,
    /// Every wheel that they keep, those that left all the same and those that the records have
    /// not told yet among them.
    wheels: BTreeSet<WheelId>,
    /// Whether it is still being worked out which wheels they keep.
    unfinished: bool,
}

/// What a page showed of an [`Ending`]: how many holds and wheels, and which, in short.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
struct Shown {
    holds: usize,
    wheels: usize,
    which: u64,
}

impl Ending {
    fn of(standing: &[HoldStanding], hold: HoldId) -> Self {
        let mut ending = Self::default();
        for line in standing.iter().filter(|line| line.hold == hold) {
            if matches!(line.keeps, Keeps::Recipe(_)) {
                continue;
            }
            ending.set.insert(line.fact);
            ending.over_a_scope |= matches!(line.keeps, Keeps::Scope(_));
            let wheels = line.kept.iter().chain(&line.left).chain(&line.owed);
            ending.wheels.extend(wheels);
            ending.unfinished |= line.untraced || line.behind;
        }
        ending
    }

    fn shown(&self) -> Shown {
        let set = self.set.iter().flatten().map(ToString::to_string);
        let wheels = self
            .wheels
            .iter()
            .map(|wheel| wheel.as_str().to_uppercase());
        let bytes = set.chain(wheels).flat_map(|code| {
            let mut code = code.into_bytes();
            code.push(b'\n');
            code
        });
        Shown {
            holds: self.set.len(),
            wheels: self.wheels.len(),
            // FNV-1a, 64 bit: it tells a page that is out of date, and keeps nobody out.
            which: bytes.fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
                (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
            }),
        }
    }

    /// What ends them, as one act: whoever takes it back takes all of it back.
    fn acts(self, hold: HoldId, reason: &str) -> Vec<Event> {
        let wheels: Vec<WheelId> = self.wheels.into_iter().collect();
        let reason = || reason.to_owned();
        let released = |wheels: &[WheelId]| {
            Event::from(WheelReleased {
                wheels: wheels.to_vec(),
                hold,
                reason: reason(),
            })
        };
        if !self.over_a_scope {
            return wheels.chunks(MOST_IN_A_FACT).map(released).collect();
        }
        // More wheels than a message carries are released by facts beside it.
        let (first, rest) = wheels.split_at(wheels.len().min(MOST_IN_A_FACT));
        let lifted = HoldLifted {
            hold,
            wheels: first.to_vec(),
            reason: reason(),
        };
        let rest = rest.chunks(MOST_IN_A_FACT).map(released);
        std::iter::once(lifted.into()).chain(rest).collect()
    }
}

impl std::fmt::Display for Shown {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{}.{}.{:016x}", self.holds, self.wheels, self.which)
    }
}

impl FromStr for Shown {
    type Err = ();

    fn from_str(text: &str) -> Result<Self, ()> {
        let mut parts = text.split('.');
        let mut number = || parts.next()?.parse().ok();
        let (holds, wheels) = (number().ok_or(())?, number().ok_or(())?);
        let which = parts
            .next()
            .and_then(|hex| u64::from_str_radix(hex, 16).ok());
        Ok(Self {
            holds,
            wheels,
            which: which.ok_or(())?,
        })
    }
}

#[derive(Debug, Deserialize)]
pub struct Ended {
    hold: HoldId,
    reason: String,
    /// What the page showed.
    #[serde(default)]
    shown: String,
}

pub async fn end(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<Ended>,
) -> Result<Response, Trouble> {
    let t = visitor.tongue();
    let signed = visitor.manager()?;
    let reason = words(&form.reason, "a reason")?;
    let standing: Vec<HoldStanding> = gateway.ask("holds", &()).await?;
    let codes: Vec<String> = standing.iter().map(|hold| hold.hold.to_string()).collect();
    if standing.iter().all(|hold| hold.hold != form.hold) {
        return Err(UnknownName::among(Kind::Hold, form.hold, codes).into());
    }
    let ending = Ending::of(&standing, form.hold);
    if ending.set.is_empty() {
        return Err(Trouble::stale(t.say("holds-of-recipe-end")));
    }
    // Nobody ends more than they have read of.
    let is = ending.shown();
    let hold = || ("hold", form.hold.to_string().into());
    let was: Result<Shown, ()> = form.shown.parse();
    let Ok(was) = was else {
        return Err(Trouble::stale(t.with("holds-end-unread", [hold()])));
    };
    if was != is {
        let changed = [
            hold(),
            ("holds-then", was.holds.into()),
            ("then", was.wheels.into()),
            ("holds-now", is.holds.into()),
            ("now", is.wheels.into()),
        ];
        return Err(Trouble::stale(t.with("holds-end-changed", changed)));
    }
    if ending.unfinished {
        return Err(Trouble::stale(t.with("holds-end-unfinished", [hold()])));
    }
    gateway
        .state(signed, ending.acts(form.hold, &reason))
        .await?;
    Ok(see("/holds"))
}
