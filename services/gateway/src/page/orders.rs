//! Orders: what is short and why, what leaves in the coming fortnight, what customers
//! ordered, whether something can be promised, and entering an order.

use std::collections::BTreeMap;

use axum::extract::{Query, State};
use axum::response::Response;
use chrono::NaiveDate;
use dispatch::allocation::LineOutcome;
use dispatch::promise::Answer;
use dispatch::{Allocation, Customers, Order};
use dispatcher::{LIST, ListQuery, OrderList};
use facts::{Grade, OrderId, OrderLine, OrderPlaced, RecipeId, Standing};
use maud::{Markup, html};
use quantity::{DairyDay, Grams};
use recipe::Origin;
use serde::Deserialize;

use super::frame::{Frame, Here, token};
use super::{Gate, forecast, icon, looking, pager, say, see, shipments};
use crate::api::orders::{
    ConfirmBody, PromiseParameters, cancel_order, confirm_order, place_order,
};
use crate::gateway::Gateway;
use crate::guard::{Filled, Visitor};
use crate::trouble::Trouble;
use crate::words::Tongue;

/// Heaviest line that is no typing error, kg.
const MOST_KG: f64 = 20_000.0;

/// The promise question, as the form asks it; every field may be empty.
#[derive(Debug, Default, Deserialize)]
pub struct Asking {
    customer: Option<String>,
    recipe: Option<String>,
    grade: Option<String>,
    wheels: Option<String>,
    by: Option<String>,
    /// The first order shown, of those that are open.
    #[serde(default)]
    open: usize,
    /// The first order shown, of those that are over; none is shown if left out.
    over: Option<usize>,
    /// The first shortage shown.
    #[serde(default)]
    short: usize,
}

impl Asking {
    /// The question; `None` when nothing is asked.
    fn parameters(&self) -> Option<Result<PromiseParameters, Trouble>> {
        let text = |field: &Option<String>| field.clone().unwrap_or_default().trim().to_owned();
        let wheels = text(&self.wheels);
        if wheels.is_empty() {
            return None;
        }
        let read = || {
            Ok(PromiseParameters {
                customer: code(&text(&self.customer))?,
                recipe: code(&text(&self.recipe))?,
                grade: Some(grade(&text(&self.grade))?),
                wheels: whole(&wheels)?,
                by: day(&text(&self.by))?,
                sure_pct: None,
            })
        };
        Some(read())
    }
}

fn code<T: std::str::FromStr<Err = facts::BadCode>>(text: &str) -> Result<T, Trouble> {
    text.trim()
        .parse()
        .map_err(|bad: facts::BadCode| Trouble::bad(bad.to_string()))
}

fn grade(text: &str) -> Result<Grade, Trouble> {
    let sold = [Grade::A, Grade::B, Grade::C];
    let known = sold.into_iter().find(|grade| grade.to_string() == text);
    known.ok_or_else(|| {
        Trouble::bad(format!(
            "{text:?} is no grade that is sold: choose A, B or C"
        ))
    })
}

fn whole(text: &str) -> Result<u32, Trouble> {
    let read = text.trim().parse();
    read.map_err(|_| Trouble::bad(format!("{text:?}: write a whole number of wheels")))
}

fn day(text: &str) -> Result<NaiveDate, Trouble> {
    quantity::calendar::read_date(text.trim()).map_err(Trouble::bad)
}

/// The customers file, as it is now.
async fn customers(gateway: &Gateway) -> Result<Customers, Trouble> {
    let Some(desk) = &gateway.site().dispatch else {
        return Err(Trouble::missing(
            "the site file has no dispatch desk: write [dispatch] with `customers = \"customers.toml\"` in it",
        ));
    };
    let file = desk.customers.display().to_string();
    let text = tokio::fs::read_to_string(&desk.customers)
        .await
        .map_err(|error| Trouble::away(format!("{file} cannot be opened: {error}")))?;
    let origin = Origin {
        file: &file,
        text: &text,
    };
    Customers::parse(&origin).map_err(|wrong| Trouble::away(wrong.to_string()))
}

pub async fn page(
    State(gateway): Gate,
    visitor: Visitor,
    Query(asking): Query<Asking>,
) -> Result<Markup, Trouble> {
    looking(&visitor)?;
    let t = visitor.tongue();
    let customers = customers(&gateway).await?;
    let allocation: Allocation = gateway.ask("allocation", &()).await?;
    let open: OrderList = gateway.ask(LIST, &ListQuery::Open(asking.open)).await?;
    let over: OrderList = match asking.over {
        Some(from) => gateway.ask(LIST, &ListQuery::Over(from)).await?,
        None => OrderList::default(),
    };
    let answer = match asking.parameters() {
        None => None,
        Some(Err(trouble)) => Some(Err(trouble)),
        Some(Ok(asked)) => match gateway.ask::<Answer>("promise", &asked.asked()).await {
            Err(trouble) if trouble.unknown.is_some() => return Err(trouble),
            answer => Some(answer),
        },
    };
    let short: Vec<&LineOutcome> = allocation
        .lines
        .iter()
        .filter(|line| line.shortage.is_some() || line.trouble.is_some())
        .collect();
    let weeks = forecast::of_weeks(&gateway, t).await;
    let content = html! {
        h2 { (t.say("orders-short")) }
        @if short.is_empty() { p.empty { (t.say("orders-none-short")) } }
        @for line in pager::part(&short, asking.short) { (shortage(t, line)) }
        (pager::links(t, asking.short, short.len(), |from| format!("/orders?short={from}")))
        h2 { (t.say("orders-fortnight")) }
        (shipments::fortnight(t, &allocation))
        (weeks)
        h2 { (t.say("orders-ask")) }
        (question(&gateway, t, &customers, &asking))
        @if let Some(answer) = &answer { (promised(t, answer)) }
        h2 { (t.say("orders-all")) }
        (table(&visitor, t, (&open, &over), &asking, &allocation))
        @if visitor.recorder().is_ok() {
            h2 { (t.say("orders-new")) }
            (form(&gateway, &visitor, t, &customers))
        }
        p.hint { (t.say("orders-advises")) }
    };
    Ok(
        Frame::new(&gateway, &visitor, t.say("orders-title"), Here::Orders)
            .live()
            .draw(&content),
    )
}

/// How many reasons of a shortage are told, what concerns most wheels first.
const REASONS: usize = 3;

fn shortage(t: Tongue, line: &LineOutcome) -> Markup {
    let options = line.shortage.iter().flat_map(|short| &short.options);
    html! {
        article.alert-card {
            (icon::level("wrong"))
            div {
                h3 {
                    (line.key.order) "/" (line.key.line) " · " (line.customer) " · "
                    (t.with("orders-arrives-on", [("day", say::day(t, line.key.arrive_on).into())]))
                    @if line.short > 0 { " · " span.mark.missed { (t.with("orders-short-of", [("count", line.short.into())])) } }
                }
                @if let Some(short) = &line.shortage {
                    @if short.why.is_empty() { p { (say::core(t, &short.words)) } }
                    @for why in short.why.iter().take(REASONS) { p { (say::core(t, why)) } }
                }
                @if let Some(trouble) = &line.trouble { p { (say::core(t, trouble)) } }
                @if line.shortage.as_ref().is_some_and(|short| !short.options.is_empty()) {
                    p { (t.say("orders-options")) }
                    ul { @for option in options { li { (say::core(t, option)) } } }
                }
            }
        }
    }
}

/// The choice of customers, cheeses and grades that both forms have.
fn choices(gateway: &Gateway, t: Tongue, customers: &Customers, asking: &Asking) -> Markup {
    let chosen = |field: &Option<String>, value: &str| field.as_deref() == Some(value);
    let mut recipes: Vec<(RecipeId, String)> = Vec::new();
    for recipe in gateway.site().recipes.iter() {
        recipes.retain(|(id, _)| *id != recipe.id);
        recipes.push((recipe.id, recipe.name.clone()));
    }
    html! {
        label { (t.say("orders-customer"))
            select name="customer" required {
                @for (id, customer) in &customers.customers {
                    option value=(id) selected[chosen(&asking.customer, id.as_str())] { (customer.name) " (" (id) ", " (customer.market) ")" }
                }
            }
        }
        label { (t.say("recipe"))
            select name="recipe" required {
                @for (id, name) in &recipes {
                    option value=(id) selected[chosen(&asking.recipe, id.as_str())] { (name) }
                }
            }
        }
        label { (t.say("orders-grade"))
            select name="grade" {
                @for grade in ["A", "B", "C"] { option value=(grade) selected[chosen(&asking.grade, grade)] { (grade) } }
            }
        }
    }
}

fn question(gateway: &Gateway, t: Tongue, customers: &Customers, asking: &Asking) -> Markup {
    html! {
        form.card method="get" action="/orders" {
            (choices(gateway, t, customers, asking))
            label { (t.say("wheels-title")) input name="wheels" type="number" min="1" max="100000" required value=[asking.wheels.as_deref()]; }
            label { (t.say("orders-by")) input name="by" type="date" required value=[asking.by.as_deref()]; }
            button.primary type="submit" { (t.say("orders-ask-do")) }
        }
    }
}

fn promised(t: Tongue, answer: &Result<Answer, Trouble>) -> Markup {
    let (level, words) = match answer {
        Ok(answer) if answer.yes => ("ok", &answer.words),
        Ok(answer) => ("next", &answer.words),
        Err(trouble) => ("wrong", &trouble.words),
    };
    let why = answer.as_ref().ok().and_then(|a| a.why_not.as_ref());
    html! {
        article.alert-card role="status" {
            (icon::level(level))
            div {
                p.big { (say::core(t, words)) }
                @if let Some(why) = why { p { (say::core(t, &why.words)) } }
                @if matches!(answer, Ok(answer) if answer.yes) { p.hint { (t.say("orders-promise-words")) } }
            }
        }
    }
}

/// What is to come of each order.
type Lines<'a> = BTreeMap<OrderId, Vec<&'a LineOutcome>>;

fn table(
    visitor: &Visitor,
    t: Tongue,
    (open, over): (&OrderList, &OrderList),
    asking: &Asking,
    allocation: &Allocation,
) -> Markup {
    if open.open + open.over == 0 {
        return html! { p.empty { (t.say("orders-none")) } };
    }
    let mut lines = Lines::new();
    for line in &allocation.lines {
        lines.entry(line.key.order).or_default().push(line);
    }
    let rows = |orders: &[Order]| {
        html! {
            div.scroll { table {
                thead { tr {
                    th { (t.say("orders-order")) } th { (t.say("orders-customer")) }
                    th { (t.say("orders-next")) } th { (t.say("orders-lines")) } th { (t.say("orders-stands")) }
                } }
                tbody { @for order in orders { (row(visitor, t, order, &lines)) } }
            } }
        }
    };
    let ended = || t.with("orders-over", [("count", open.over.into())]);
    html! {
        @if open.open == 0 { p.empty { (t.say("orders-none-open")) } } @else { (rows(&open.orders)) }
        (pager::links(t, asking.open, open.open, |from| format!("/orders?open={from}")))
        @match asking.over {
            Some(from) => {
                h3 id="over" { (ended()) }
                (rows(&over.orders))
                (pager::links(t, from, open.over, |from| format!("/orders?over={from}#over")))
            }
            None => { @if open.over > 0 { p { a.button href="/orders?over=0#over" { (ended()) } } } }
        }
    }
}

fn row(visitor: &Visitor, t: Tongue, order: &Order, lines: &Lines<'_>) -> Markup {
    let mine: &[&LineOutcome] = lines.get(&order.id).map_or(&[], Vec::as_slice);
    let next = mine.first().map(|line| line.key.arrive_on);
    let told = next.is_some_and(|next| order.told.contains_key(&next.date()));
    let certainty = mine
        .iter()
        .filter(|line| Some(line.key.arrive_on) == next)
        .map(|line| line.certainty)
        .fold(1.0_f64, f64::min);
    let may_state = visitor.recorder().is_ok() && order.cancelled.is_none() && next.is_some();
    html! {
        tr {
            td { strong { (order.id) } }
            td { (order.customer) }
            td {
                (say::day(t, next.unwrap_or_else(|| DairyDay::starting(order.arrive_on))))
                @if let Some(standing) = &order.standing {
                    br; (t.with("orders-again", [("weeks", standing.every_weeks.into())]))
                }
            }
            td { @for line in &order.lines { (amount(t, line)) br; } }
            td {
                @if let Some(reason) = &order.cancelled {
                    span.mark.held { (t.say("orders-cancelled")) } " " (reason)
                } @else {
                    @if told { span.mark.good { (t.say("orders-told")) } " " }
                    @if next.is_some() { (t.with("orders-sure", [("percent", format!("{:.0}", (certainty * 100.0).floor()).into())])) " · " }
                    (t.with("orders-sent", [("count", order.sent.len().into())]))
                    @for odd in &order.odd { p { (say::core(t, odd.words())) } }
                }
                @if may_state {
                    details {
                        summary { (t.say("orders-do")) }
                        @if !told {
                            form.row method="post" action="/orders/confirm" {
                                (token(visitor))
                                input type="hidden" name="order" value=(order.id);
                                button type="submit" { (t.say("orders-confirm")) }
                            }
                            p.hint { (t.say("orders-confirm-words")) }
                        }
                        form.card method="post" action="/orders/cancel" {
                            (token(visitor))
                            input type="hidden" name="order" value=(order.id);
                            label { (t.say("orders-reason")) input name="reason" required maxlength="500"; }
                            button.danger type="submit" { (t.say("orders-cancel")) }
                        }
                    }
                }
            }
        }
    }
}

fn amount(t: Tongue, line: &OrderLine) -> String {
    let much = match line.weight_g {
        Some(grams) if line.wheels == 0 => {
            format!("{} kg", f64::from(grams.get()) / 1_000.0)
        }
        _ => t.with("wheels", [("count", line.wheels.into())]),
    };
    format!("{much} {} {}", line.recipe, line.grade)
}

fn form(gateway: &Gateway, visitor: &Visitor, t: Tongue, customers: &Customers) -> Markup {
    html! {
        form.card method="post" action="/orders" {
            (token(visitor))
            label { (t.say("orders-number")) input name="order" required maxlength="20" spellcheck="false"; }
            (choices(gateway, t, customers, &Asking::default()))
            label { (t.say("orders-wheels")) input name="wheels" type="number" min="1" max="20000"; }
            label { (t.say("orders-kg")) input name="kg" inputmode="decimal" maxlength="9"; }
            label { (t.say("orders-arrive-on")) input name="arrive_on" type="date" required; }
            label { (t.say("orders-every")) input name="every_weeks" type="number" min="1" max="52"; }
            button.primary type="submit" { (t.say("orders-place")) }
        }
        p.hint { (t.say("orders-form-words")) }
    }
}

#[derive(Debug, Deserialize)]
pub struct Placed {
    order: String,
    customer: String,
    recipe: String,
    grade: String,
    #[serde(default)]
    wheels: String,
    #[serde(default)]
    kg: String,
    arrive_on: String,
    #[serde(default)]
    every_weeks: String,
}

impl Placed {
    fn order(&self, customers: &Customers) -> Result<OrderPlaced, Trouble> {
        let (customer, known) = customers.customer(code(&self.customer)?)?;
        let every_weeks = match self.every_weeks.trim() {
            "" => None,
            text => Some(text.parse().map_err(|_| {
                Trouble::bad(format!(
                    "{text:?}: write every how many weeks it comes, 1 to 52"
                ))
            })?),
        };
        let wheels = match self.wheels.trim() {
            "" => 0,
            text => whole(text)?,
        };
        Ok(OrderPlaced {
            order: code(&self.order)?,
            customer: customer.to_string(),
            market: known.market,
            arrive_on: day(&self.arrive_on)?,
            lines: vec![OrderLine {
                recipe: code(&self.recipe)?,
                grade: grade(&self.grade)?,
                wheels,
                weight_g: kilograms(&self.kg)?,
                each_g: None,
                age_days: None,
                least_life_days: None,
                mixing: None,
            }],
            standing: every_weeks.map(|every_weeks| Standing {
                every_weeks,
                until: None,
                except: Vec::new(),
            }),
        })
    }
}

fn kilograms(text: &str) -> Result<Option<Grams>, Trouble> {
    let text = text.trim();
    if text.is_empty() {
        return Ok(None);
    }
    let wrong = || Trouble::bad(format!("{text:?}: write kilograms such as 120.5"));
    let kilograms: f64 = text.replace(',', ".").parse().map_err(|_| wrong())?;
    if !(0.001..=MOST_KG).contains(&kilograms) {
        return Err(wrong());
    }
    let grams = (kilograms * 1_000.0).round() as u32;
    Grams::new(grams).map(Some).map_err(|_| wrong())
}

pub async fn place(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<Placed>,
) -> Result<Response, Trouble> {
    visitor.recorder()?;
    let order = form.order(&customers(&gateway).await?)?;
    place_order(&gateway, &visitor, order).await?;
    Ok(see("/orders"))
}

#[derive(Debug, Deserialize)]
pub struct Cancelled {
    order: OrderId,
    reason: String,
}

pub async fn cancel(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<Cancelled>,
) -> Result<Response, Trouble> {
    cancel_order(&gateway, &visitor, form.order, &form.reason).await?;
    Ok(see("/orders"))
}

#[derive(Debug, Deserialize)]
pub struct Confirmed {
    order: OrderId,
}

pub async fn confirm(
    State(gateway): Gate,
    visitor: Visitor,
    Filled(form): Filled<Confirmed>,
) -> Result<Response, Trouble> {
    let body = ConfirmBody {
        arrive_on: None,
        partly: false,
    };
    confirm_order(&gateway, &visitor, form.order, &body).await?;
    Ok(see("/orders"))
}
