//! A recall: choose a lot, a batch or a wheel; see what is affected, where it is and why;
//! print the papers.

use axum::extract::{Query, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use facts::{BatchId, LotId, Scope, WheelId};
use maud::{Markup, html};
use names::{Kind, UnknownName};
use records::{Paper, PaperFile, PapersQuery, RecallQuery};
use serde::Deserialize;

use super::frame::{Frame, Here, may};
use super::{Gate, encoded, looking, say};
use crate::gateway::Gateway;
use crate::guard::Visitor;
use crate::parameters::unfit;
use crate::trouble::Trouble;
use crate::units;
use crate::words::Tongue;

/// Wheels of a level shown before the rest is folded away.
const SHOWN: usize = 60;

/// The levels, the worst first.
const LEVELS: [&str; 3] = ["certain", "probable", "possible"];

#[derive(Debug, Default, Deserialize)]
pub struct Asked {
    /// "lot", "batch" or "wheel".
    #[serde(default)]
    what: String,
    #[serde(default)]
    code: String,
    /// "no" leaves contact out.
    #[serde(default)]
    contact: String,
    #[serde(default)]
    paper: String,
    #[serde(default)]
    batch: String,
}

impl Asked {
    /// What is asked about; `None` when nothing is.
    fn about(&self) -> Result<Option<Scope>, Trouble> {
        let code = self.code.trim();
        if code.is_empty() {
            return Ok(None);
        }
        let bad = |reason: facts::BadCode| Trouble::bad(reason.to_string());
        Ok(Some(match self.what.as_str() {
            "batch" => Scope::Batch(BatchId::new(code).map_err(bad)?),
            "wheel" => Scope::Wheels(vec![WheelId::new(code).map_err(bad)?]),
            _ => Scope::Lot(LotId::new(code).map_err(bad)?),
        }))
    }

    fn sideways(&self) -> bool {
        self.contact != "no"
    }

    /// The address of one of the papers.
    fn paper_path(&self, paper: &str, batch: &str) -> String {
        format!(
            "/recall/paper?what={}&code={}&contact={}&paper={paper}&batch={}",
            encoded(&self.what),
            encoded(self.code.trim()),
            encoded(&self.contact),
            encoded(batch)
        )
    }
}

/// What the records worker answers, as far as it is shown.
#[derive(Debug, Deserialize)]
struct Answer {
    recall: Recall,
    left_out: usize,
}

#[derive(Debug, Deserialize)]
struct Recall {
    at: DateTime<Utc>,
    back: Vec<Back>,
    people: Vec<String>,
    batches: Vec<String>,
    wheels: Vec<Wheel>,
    totals: Vec<Total>,
    customers: Vec<Customer>,
    balance: Balance,
    flags: Vec<String>,
    cautions: Vec<String>,
}

#[derive(Debug, Deserialize)]
struct Back {
    lot: String,
    what: String,
    supplier: Option<String>,
    supplier_lot: Option<String>,
    received_at: Option<DateTime<Utc>>,
    document: Option<String>,
}

#[derive(Debug, Deserialize)]
struct Wheel {
    wheel: String,
    level: String,
    because: Vec<Because>,
    whereabouts: String,
    room: Option<String>,
    carrier: Option<facts::Carrier>,
    order: Option<String>,
    left_at: Option<DateTime<Utc>>,
    weight_g: u32,
    holds: Vec<String>,
}

#[derive(Debug, Deserialize)]
struct Because {
    words: String,
}

#[derive(Debug, Deserialize)]
struct Total {
    level: String,
    whereabouts: String,
    wheels: usize,
    weight_g: u64,
}

#[derive(Debug, Deserialize)]
struct Customer {
    customer: Option<String>,
    order: Option<String>,
    market: Option<String>,
    level: String,
    wheels: Vec<String>,
    weight_g: u64,
    arrived: usize,
    left_at: Option<DateTime<Utc>>,
}

#[derive(Debug, Deserialize)]
struct Balance {
    wheels: usize,
    portioned_g: i64,
    unexplained_g: i64,
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    asked: Result<Query<Asked>, axum::extract::rejection::QueryRejection>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let Query(asked) = asked.map_err(|bad| unfit(&bad))?;
    let about = asked.about()?;
    let mut found = None;
    if let Some(about) = &about {
        let query = RecallQuery {
            about: about.clone(),
            sideways: asked.sideways(),
            lost_after_days: u16::try_from(gateway.site().lost_after_days).unwrap_or(u16::MAX),
            every_wheel: false,
        };
        found = Some(gateway.ask::<Answer>("recall", &query).await?);
    }
    let choice = |value: &str| {
        let chosen = asked.what == value || (value == "lot" && asked.what.is_empty());
        html! { label {
            input type="radio" name="what" value=(value) checked[chosen];
            span { (t.say(&format!("recall-{value}"))) }
        } }
    };
    let content = html! {
        form.card action="/recall" role="search" {
            fieldset.choice { legend { (t.say("recall-what")) }
                @for value in ["lot", "batch", "wheel"] { (choice(value)) }
            }
            label for="code" { (t.say("recall-code")) }
            input id="code" name="code" value=(asked.code) maxlength="60" required autofocus[about.is_none()] spellcheck="false";
            fieldset.choice { legend { (t.say("recall-contact")) }
                @for value in ["yes", "no"] {
                    label {
                        input type="radio" name="contact" value=(value) checked[(value == "yes") == asked.sideways()];
                        span { (t.say(&format!("recall-contact-{value}"))) }
                    }
                }
            }
            button.primary type="submit" { (t.say("recall-do")) }
        }
        @if about.is_none() { p { (t.say("recall-words")) } p { a.button href="/holds" { (t.say("holds-title")) } } }
        @if let (Some(answer), Some(about)) = (&found, &about) {
            (result(&gateway, &visitor, t, &asked, about, answer))
        }
    };
    Ok(Frame::new(&gateway, &visitor, t.say("recall-title"), Here::Find).draw(&content))
}

fn result(
    gateway: &Gateway,
    visitor: &Visitor,
    t: Tongue,
    asked: &Asked,
    about: &Scope,
    answer: &Answer,
) -> Markup {
    let recall = &answer.recall;
    html! {
        h2 { (say::core(t, &about.to_string())) }
        p.hint { (t.with("recall-as-of", [("time", gateway.site().clock.local(recall.at).into())])) }
        @for flag in &recall.flags {
            div.plain-trouble { (super::icon::level("wrong")) p { (say::core(t, flag)) } }
        }
        @if recall.wheels.is_empty() { p.empty { (t.say("recall-none")) } } @else {
            (sums(visitor, t, recall))
            p.row {
                a.button href=(asked.paper_path("notices", "")) { (t.say("recall-notices")) }
                a.button href=(asked.paper_path("sheets", "")) { (t.say("recall-sheets")) }
                a.button href=(asked.paper_path("epcis", "")) { (t.say("recall-epcis")) }
                @for batch in &recall.batches {
                    a.button href=(asked.paper_path("batch", batch)) { (t.with("recall-batch-file", [("batch", batch.as_str().into())])) }
                }
                @if may(visitor, "hold.placed") {
                    a.button href={ "/holds?what=" (asked.what) "&code=" (encoded(asked.code.trim())) } { (t.say("recall-hold")) }
                }
            }
        }
        h2 { (t.say("recall-customers")) }
        (customers(gateway, visitor, t, recall))
        @for level in LEVELS { (wheels(gateway, visitor, t, recall, level)) }
        @if answer.left_out > 0 { p.empty { (t.with("recall-left-out", [("count", answer.left_out.into())])) } }
        h2 { (t.say("recall-back")) }
        (back(gateway, t, recall))
        h2 { (t.say("recall-mind")) }
        @for caution in &recall.cautions { p { (say::core(t, caution)) } }
    }
}

fn sums(visitor: &Visitor, t: Tongue, recall: &Recall) -> Markup {
    let wishes = visitor.wishes();
    let mut places: Vec<&str> = Vec::new();
    for total in &recall.totals {
        if !places.contains(&total.whereabouts.as_str()) {
            places.push(&total.whereabouts);
        }
    }
    let of = |level: &str, place: Option<&str>| {
        let totals = recall.totals.iter().filter(|total| {
            total.level == level && place.is_none_or(|place| total.whereabouts == place)
        });
        totals.fold((0, 0), |(wheels, grams), total| {
            (wheels + total.wheels, grams + total.weight_g)
        })
    };
    html! {
        div.scroll { table {
            thead { tr {
                th scope="col" { (t.say("recall-level")) } th.n scope="col" { (t.say("wheels-title")) } th.n scope="col" { (t.say("weight")) }
                @for place in &places { th.n scope="col" { (whereabouts(t, place)) } }
            } }
            tbody { @for level in LEVELS {
                @let (count, grams) = of(level, None);
                @if count > 0 { tr {
                    th scope="row" { (mark(t, level)) }
                    td.n { (count) } td.n { (units::weight(wishes, grams as f64)) }
                    @for place in &places { td.n { (of(level, Some(place)).0) } }
                } }
            } }
        } }
        p { (t.say("recall-levels")) }
        @if recall.balance.wheels > 0 {
            p { (t.with("recall-balance", [
                ("portioned", units::weight(wishes, recall.balance.portioned_g as f64).into()),
                ("unexplained", units::weight(wishes, recall.balance.unexplained_g as f64).into()),
            ])) }
        }
    }
}

fn customers(gateway: &Gateway, visitor: &Visitor, t: Tongue, recall: &Recall) -> Markup {
    if recall.customers.is_empty() {
        return html! { p.empty { (t.say("recall-nobody")) } };
    }
    html! {
        div.scroll { table {
            thead { tr {
                th scope="col" { (t.say("recall-customer")) } th scope="col" { (t.say("recall-order")) }
                th scope="col" { (t.say("recall-level")) } th.n scope="col" { (t.say("wheels-title")) }
                th.n scope="col" { (t.say("weight")) } th.n scope="col" { (t.say("recall-arrived")) } th scope="col" { (t.say("recall-left")) }
            } }
            tbody { @for line in &recall.customers { tr {
                th scope="row" { @match &line.customer { Some(name) => (name), None => strong { (t.say("recall-unknown")) } }
                    @if let Some(market) = &line.market { " · " (market) } }
                td { @if let Some(order) = &line.order { (order) } }
                td { (mark(t, &line.level)) }
                td.n { (line.wheels.len()) } td.n { (units::weight(visitor.wishes(), line.weight_g as f64)) }
                td.n { (line.arrived) }
                td { @if let Some(at) = line.left_at { (say::time(gateway, at)) } }
            } } }
        } }
    }
}

fn wheels(gateway: &Gateway, visitor: &Visitor, t: Tongue, recall: &Recall, level: &str) -> Markup {
    let of: Vec<&Wheel> = recall.wheels.iter().filter(|w| w.level == level).collect();
    let table = |wheels: &[&Wheel]| {
        html! { div.scroll { table {
            thead { tr {
                th scope="col" { (t.say("wheel")) } th scope="col" { (t.say("recall-where")) }
                th.n scope="col" { (t.say("weight")) } th scope="col" { (t.say("held")) } th scope="col" { (t.say("recall-because")) }
            } }
            tbody { @for wheel in wheels { tr {
                th scope="row" { a href={ "/wheels/" (wheel.wheel) } { (wheel.wheel) } }
                td { (whereabouts(t, &wheel.whereabouts))
                    @if let Some(room) = &wheel.room { " · " (room) }
                    @if let Some(carrier) = wheel.carrier { " · " (say::stand(t, carrier)) }
                    @if let Some(order) = &wheel.order { " · " (order) }
                    @if let Some(at) = wheel.left_at { " · " (say::time(gateway, at)) }
                }
                td.n { (units::weight(visitor.wishes(), f64::from(wheel.weight_g))) }
                td { @for hold in &wheel.holds { span.mark.held { (hold) } " " } }
                td { @if let Some(first) = wheel.because.first() { (say::core(t, &first.words)) }
                    @if wheel.because.len() > 1 { " " (t.with("more", [("count", (wheel.because.len() - 1).into())])) } }
            } } }
        } } }
    };
    let (shown, rest) = of.split_at(of.len().min(SHOWN));
    html! {
        @if !of.is_empty() {
            h2 { (mark(t, level)) " " (say::wheels(t, of.len())) }
            (table(shown))
            @if !rest.is_empty() {
                details { summary { (t.with("more", [("count", rest.len().into())])) } (table(rest)) }
            }
        }
    }
}

fn back(gateway: &Gateway, t: Tongue, recall: &Recall) -> Markup {
    html! {
        @if recall.back.is_empty() { p.empty { (t.say("recall-back-none")) } } @else {
            div.scroll { table {
                thead { tr {
                    th scope="col" { (t.say("recall-lot")) } th scope="col" { (t.say("recall-of")) } th scope="col" { (t.say("recall-supplier")) }
                    th scope="col" { (t.say("recall-came-in")) } th scope="col" { (t.say("recall-with")) }
                } }
                tbody { @for line in &recall.back { tr {
                    th scope="row" { a href={ "/recall?what=lot&code=" (encoded(&line.lot)) } { (line.lot) } }
                    td { (say::core(t, &line.what)) }
                    td { @match &line.supplier { Some(name) => (name), None => strong { (t.say("recall-unknown")) } }
                        @if let Some(theirs) = &line.supplier_lot { " · " (theirs) } }
                    td { @if let Some(at) = line.received_at { (say::time(gateway, at)) } }
                    td { @if let Some(document) = &line.document { (document) } }
                } } }
            } }
        }
        @if !recall.people.is_empty() {
            p { (t.with("recall-people", [("badges", recall.people.join(", ").into())])) }
        }
    }
}

fn mark(t: Tongue, level: &str) -> Markup {
    let class = match level {
        "certain" => "missed",
        "probable" => "overdue",
        _ => "ahead",
    };
    html! { span.mark.(class) { (t.say(&format!("recall-is-{level}"))) } }
}

fn whereabouts(t: Tongue, place: &str) -> String {
    t.say(&format!("recall-at-{}", place.replace('_', "-")))
}

/// One of the papers, to be saved or printed.
pub async fn paper(
    State(gateway): Gate,
    visitor: Visitor,
    Query(asked): Query<Asked>,
) -> Result<Response, Trouble> {
    looking(&visitor)?;
    let about = asked
        .about()?
        .ok_or_else(|| Trouble::bad("say what the recall is about"))?;
    let paper = match asked.paper.as_str() {
        "notices" => Paper::Notices,
        "sheets" => Paper::Sheets,
        "epcis" => Paper::Epcis,
        "batch" => {
            let batch = BatchId::new(asked.batch.trim());
            Paper::Batch(batch.map_err(|bad| Trouble::bad(bad.to_string()))?)
        }
        other => {
            let papers = ["batch", "epcis", "notices", "sheets"];
            return Err(UnknownName::among(Kind::Paper, other, papers).into());
        }
    };
    let query = PapersQuery {
        about,
        sideways: asked.sideways(),
        paper,
    };
    let file: PaperFile = gateway.ask("papers", &query).await?;
    let bytes = file
        .bytes()
        .ok_or_else(|| Trouble::away("the paper came damaged: try again"))?;
    let headers = [
        (header::CONTENT_TYPE, file.media_type),
        (
            header::CONTENT_DISPOSITION,
            format!("attachment; filename=\"{}\"", file.name),
        ),
    ];
    Ok((headers, bytes).into_response())
}
