//! The coming fortnight's shipments, drawn: a row a lane, a column a day.

use std::collections::{BTreeMap, BTreeSet};

use chrono::{Datelike as _, Weekday};
use dispatch::Allocation;
use facts::LaneId;
use maud::{Markup, html};
use quantity::DairyDay;

use super::say;
use crate::words::Tongue;

/// Days drawn.
const DAYS: usize = 14;

/// Measures of the drawing.
const LEFT: f64 = 130.0;
const COLUMN: f64 = 62.0;
const ROW: f64 = 76.0;
const TOP: f64 = 40.0;

/// What leaves by a lane on a day.
#[derive(Debug, Default, Clone, PartialEq)]
struct Load {
    wheels: usize,
    /// Of them, those that are ready and graded.
    ready: usize,
    customers: BTreeSet<String>,
}

type Loads = BTreeMap<(LaneId, DairyDay), Load>;

fn loads(allocation: &Allocation) -> Loads {
    let mut loads = Loads::new();
    for line in &allocation.lines {
        for part in &line.assigned {
            let load = loads.entry((part.lane, part.leave_on)).or_default();
            load.wheels += part.count;
            load.ready += if part.graded { part.count } else { 0 };
            load.customers.insert(line.customer.to_string());
        }
    }
    loads
}

/// Draws what leaves from today on; nothing where nothing does.
pub fn fortnight(t: Tongue, allocation: &Allocation) -> Markup {
    let mut loads = loads(allocation);
    let days: Vec<DairyDay> = (0..DAYS)
        .map(|n| allocation.today.plus(i64::try_from(n).unwrap_or_default()))
        .collect();
    loads.retain(|(_, day), _| days.contains(day));
    let lanes: BTreeSet<LaneId> = loads.keys().map(|(lane, _)| *lane).collect();
    if lanes.is_empty() {
        return html! { p.empty { (t.say("orders-nothing-leaves")) } };
    }
    let most = loads
        .values()
        .map(|load| load.wheels)
        .max()
        .unwrap_or(1)
        .max(1);
    let (width, height) = (LEFT + COLUMN * DAYS as f64, TOP + ROW * lanes.len() as f64);
    let number = |value: f64| format!("{value:.1}");
    html! {
        div.scroll { svg.shipments viewBox=(format!("0 0 {width:.0} {height:.0}")) role="img" aria-label=(t.say("orders-fortnight-chart")) {
            @for (nth, day) in days.iter().enumerate() {
                @let x = LEFT + COLUMN * nth as f64;
                @if matches!(day.date().weekday(), Weekday::Sat | Weekday::Sun) {
                    rect.weekend x=(number(x)) y="0" width=(number(COLUMN)) height=(number(height)) {}
                }
                @let week = t.say(&format!("weekday-{}", day.date().weekday().number_from_monday()));
                text x=(number(x + COLUMN / 2.0)) y="16" text-anchor="middle" { (week) }
                text x=(number(x + COLUMN / 2.0)) y="33" text-anchor="middle" { (day.date().day()) "." (day.date().month()) "." }
            }
            @for (row, lane) in lanes.iter().enumerate() {
                @let y = TOP + ROW * row as f64;
                line.rule x1="0" x2=(number(width)) y1=(number(y)) y2=(number(y)) {}
                text x="0" y=(number(y + ROW / 2.0 + 5.0)) { (lane) }
                @for (nth, day) in days.iter().enumerate() {
                    @if let Some(load) = loads.get(&(*lane, *day)) {
                        @let x = LEFT + COLUMN * nth as f64 + 8.0;
                        @let full = (ROW - 30.0) * load.wheels as f64 / most as f64;
                        @let ready = (ROW - 30.0) * load.ready as f64 / most as f64;
                        @let foot = y + ROW - 6.0;
                        g {
                            title { (load.customers.iter().cloned().collect::<Vec<_>>().join(", ")) }
                            rect.expected x=(number(x)) y=(number(foot - full)) width=(number(COLUMN - 16.0)) height=(number(full.max(2.0))) {}
                            rect.bar x=(number(x)) y=(number(foot - ready)) width=(number(COLUMN - 16.0)) height=(number(ready)) {}
                            text.count x=(number(x + COLUMN / 2.0 - 8.0)) y=(number(foot - full - 4.0)) text-anchor="middle" { (load.wheels) }
                        }
                    }
                }
            }
        } }
        p.hint { (t.say("orders-fortnight-words")) }
        details {
            summary { (t.say("orders-fortnight-list")) }
            table {
                thead { tr {
                    th { (t.say("orders-leaves")) } th { (t.say("orders-lane")) }
                    th { (t.say("orders-customer")) } th.n { (t.say("wheels-title")) }
                } }
                tbody { @for ((lane, day), load) in by_day(&loads) { tr {
                    td { (say::day(t, day)) } td { (lane) }
                    td { (load.customers.iter().cloned().collect::<Vec<_>>().join(", ")) }
                    td.n { (load.wheels) }
                } } }
            }
        }
    }
}

fn by_day(loads: &Loads) -> Vec<((LaneId, DairyDay), &Load)> {
    let mut all: Vec<_> = loads.iter().map(|(key, load)| (*key, load)).collect();
    all.sort_by_key(|((lane, day), _)| (*day, *lane));
    all
}
