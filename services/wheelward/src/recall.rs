//! `wheelward recall`: what is affected, where it is, who has it.

use std::io::Write as _;
use std::time::Instant;

use anyhow::Context as _;
use bus::{Clock, Outbox};
use chrono::{DateTime, Utc};
use facts::{Draft, Fact, FactIdSource, Scope, StationId, Window, wire};
use records::RecallQuery;
use serde_json::Value;
use trace::{Index, Level, Recall, Report, Settings, Whereabouts};

use crate::cli::RecallArgs;
use crate::reading;
use crate::running::Asker;
use crate::table::Table;
use crate::{files, show, stating};

/// The station whose facts drills are.
const DRILLS: &str = "recall-drill";

/// What is missing from an answer that knows no site file.
const WITHOUT_SITE: &str = "LOOK: without a site file (--site) holds that recipes put on every wheel are not in this answer, and whoever has a badge counts as somebody who may release. Wheels may be under more holds than it says";

/// An answer, and what it does not know.
#[derive(serde::Serialize)]
struct Noted<'a> {
    #[serde(flatten)]
    recall: &'a Recall,
    #[serde(skip_serializing_if = "Option::is_none")]
    without_site: Option<&'static str>,
}

/// How many wheels of a level are listed without `--all`.
const LISTED: usize = 40;

/// `wheelward recall`
pub async fn run(args: &RecallArgs) -> anyhow::Result<()> {
    match about(args)? {
        // The floor's own worker knows it all, and its rule of holds.
        Some(about) if args.source.facts.is_empty() && args.at.is_none() => {
            let asker = Asker::connect(&args.source.ask).await?;
            let query = RecallQuery {
                about,
                sideways: !args.no_contact,
                lost_after_days: args.lost_after_days,
                every_wheel: true,
            };
            let answer: Answer = asker.asks("recall", &query).await?;
            if args.source.ask.json {
                return show::print_json(&answer.recall);
            }
            let report: Report = serde_json::from_value(answer.recall)?;
            print!("{}", text(&report, args.all));
            Ok(())
        }
        about => of_facts(args, about).await,
    }
}

/// What the records worker says.
#[derive(serde::Deserialize)]
struct Answer {
    recall: Value,
}

/// Of facts in files, of a running floor's log as it stood then, or a rehearsal.
async fn of_facts(args: &RecallArgs, about: Option<Scope>) -> anyhow::Result<()> {
    let own = args.site.as_deref().map(files::site).transpose()?;
    let rule = own.as_ref().map(site::Site::hold_rule);
    let without_site = rule.is_none();
    let mut index = Index::new(rule.unwrap_or_default());
    let (mut last, mut site, mut drills) = (None::<DateTime<Utc>>, None, 0);
    let station = StationId::new(DRILLS)?;
    reading::each(&args.source, |fact| {
        if args.at.is_some_and(|at| fact.occurred_at > at) {
            return;
        }
        last = last.max(Some(fact.occurred_at));
        site.get_or_insert(fact.site);
        if fact.station == station {
            drills = drills.max(fact.station_seq);
        }
        index.apply(fact);
    })
    .await?;
    let from_files = !args.source.facts.is_empty();
    let now = match args.at {
        Some(at) => at,
        None if from_files => last.context("the files hold no facts")?,
        None => Clock::system().now(),
    };
    let settings = Settings {
        sideways: !args.no_contact,
        lost_after: chrono::TimeDelta::days(args.lost_after_days.into()),
        ..Settings::default()
    };
    let trace = index.trace();
    let badge = match args.badge {
        Some(badge) => Some(stating::person_named(&args.source, badge).await?),
        None => None,
    };
    let about = match about {
        Some(about) => about,
        None => trace
            .drill_about(now)
            .context("nothing to rehearse with: no batch has been made yet")?,
    };
    let own_rooms = reading::own_rooms(&args.source);
    #[allow(clippy::disallowed_methods)] // how long the answer takes is what a drill records
    let began = Instant::now();
    let recall = trace.recall_of(&about, &own_rooms, &settings, now)?;
    let took = began.elapsed();
    if without_site {
        eprintln!("{WITHOUT_SITE}");
    }
    if args.source.ask.json {
        show::print_json(&Noted {
            recall: &recall,
            without_site: without_site.then_some(WITHOUT_SITE),
        })?;
    } else {
        // As whoever asks a running floor reads it.
        let report: Report = serde_json::from_value(serde_json::to_value(&recall)?)?;
        print!("{}", text(&report, args.all));
    }
    if !args.drill {
        return Ok(());
    }
    let took_ms = u64::try_from(took.as_millis()).unwrap_or(u64::MAX);
    let draft = Draft {
        occurred_at: now,
        claimed_at: None,
        person: badge,
        event: recall.drilled(took_ms, args.note.clone()).into(),
    };
    stating::may_be_stated(std::slice::from_ref(&draft.event), badge)?;
    eprintln!("Drill: traced in {took_ms} ms.");
    if from_files {
        let site = site.context("the files hold no facts")?;
        let fact = Fact {
            id: FactIdSource::default().next(now),
            site,
            station,
            station_seq: drills + 1,
            person: draft.person,
            occurred_at: now,
            claimed_at: None,
            recorded_at: now,
            event: draft.event,
        };
        return match &args.record {
            Some(path) => append(path, &wire::to_line(&fact)?),
            None => Ok(()),
        };
    }
    record(args, station, drills, draft).await
}

/// What is asked about; `None`: a drill chooses.
fn about(args: &RecallArgs) -> anyhow::Result<Option<Scope>> {
    let window = || -> anyhow::Result<Window> {
        let from = args.from.context("say --from")?;
        if args.to.is_some_and(|to| to <= from) {
            anyhow::bail!("--to must lie after --from");
        }
        Ok(Window { from, to: args.to })
    };
    Ok(Some(if let Some(lot) = args.lot {
        Scope::Lot(lot)
    } else if let Some(batch) = args.batch {
        Scope::Batch(batch)
    } else if !args.wheel.is_empty() {
        Scope::Wheels(args.wheel.clone())
    } else if let Some(room) = args.room {
        let window = window()?;
        Scope::Room { room, window }
    } else if let Some(stillage) = args.stillage {
        let window = window()?;
        Scope::Stillage { stillage, window }
    } else if let Some(tool) = args.tool {
        let window = window()?;
        Scope::Tool { tool, window }
    } else if args.made {
        Scope::Made(window()?)
    } else {
        return Ok(None);
    }))
}

fn append(path: &std::path::Path, line: &str) -> anyhow::Result<()> {
    let file = std::fs::OpenOptions::new()
        .create(true)
        .append(true)
        .open(path);
    let mut file = file.with_context(|| format!("could not write {}", path.display()))?;
    writeln!(file, "{line}").with_context(|| format!("could not write {}", path.display()))
}

/// Puts the drill's fact on the floor's log.
async fn record(
    args: &RecallArgs,
    station: StationId,
    drills: u64,
    draft: Draft,
) -> anyhow::Result<()> {
    let asker = Asker::connect(&args.source.ask).await?;
    let outbox = Outbox::open(&args.source.ask.data.join(DRILLS), asker.site)?;
    outbox.continue_after(&station, drills)?;
    // A floor whose clock is driven may be ahead of this machine's.
    let now = Clock::system().now().max(draft.occurred_at);
    outbox.record(&station, vec![draft], now)?;
    stating::send(&outbox, &asker.bus).await?;
    eprintln!("Recorded as trace.drilled.");
    Ok(())
}

fn kg(grams: u64) -> String {
    format!("{}.{:03}", grams / 1000, grams % 1000)
}

fn signed_kg(grams: i64) -> String {
    let sign = if grams < 0 { "-" } else { "" };
    format!("{sign}{}", kg(grams.unsigned_abs()))
}

/// A recall as a page of text.
fn text(recall: &Report, all: bool) -> String {
    let mut text = format!(
        "Recall of {}, as of {}\n\n",
        recall.about,
        minute(recall.at)
    );
    text += &sums(recall);
    for flag in &recall.flags {
        text += &format!("LOOK: {flag}\n");
    }
    if !recall.flags.is_empty() {
        text.push('\n');
    }
    text += &customers(recall);
    text += &back(recall);
    text += &balance(recall);
    text += &wheels(recall, all);
    for caution in &recall.cautions {
        text += &format!("MIND: {caution}\n");
    }
    text
}

fn minute(at: DateTime<Utc>) -> String {
    at.format("%Y-%m-%d %H:%M UTC").to_string()
}

fn sums(recall: &Report) -> String {
    if recall.wheels.is_empty() {
        return "No wheel is affected by what the records say.\n\n".to_owned();
    }
    let places: Vec<Whereabouts> = Whereabouts::ALL
        .into_iter()
        .filter(|place| {
            recall
                .totals
                .iter()
                .any(|total| total.whereabouts == *place)
        })
        .collect();
    let head: Vec<&str> = ["", "wheels", "kg"]
        .into_iter()
        .chain(places.iter().map(|place| place.words()))
        .collect();
    let mut table = Table::new(&head);
    for level in Level::ALL {
        let of_level = || {
            recall
                .totals
                .iter()
                .filter(move |total| total.level == level)
        };
        let count: usize = of_level().map(|total| total.wheels).sum();
        if count == 0 {
            continue;
        }
        let weight: u64 = of_level().map(|total| total.weight_g).sum();
        let mut cells = vec![level.to_string(), count.to_string(), kg(weight)];
        for place in &places {
            let total = of_level().find(|total| total.whereabouts == *place);
            cells.push(total.map_or_else(String::new, |total| total.wheels.to_string()));
        }
        table.cells(cells);
    }
    format!("{}\n", table.text())
}

fn customers(recall: &Report) -> String {
    if recall.customers.is_empty() {
        return "Nothing has left: no customer has to be told.\n\n".to_owned();
    }
    let mut table = Table::new(&[
        "tell", "order", "market", "", "wheels", "kg", "arrived", "left",
    ]);
    for line in &recall.customers {
        table.row([
            line.customer
                .clone()
                .unwrap_or_else(|| "NOT KNOWN".to_owned()),
            line.order
                .map_or_else(String::new, |order| order.to_string()),
            line.market
                .map_or_else(String::new, |market| market.to_string()),
            line.level.to_string(),
            line.wheels.len().to_string(),
            kg(line.weight_g),
            line.arrived.to_string(),
            line.left_at.map_or_else(String::new, minute),
        ]);
    }
    format!("{}\n", table.text())
}

fn back(recall: &Report) -> String {
    let mut text = String::new();
    if !recall.back.is_empty() {
        let mut table = Table::new(&[
            "made of lot",
            "what",
            "from",
            "their code",
            "came in",
            "with",
        ]);
        for line in &recall.back {
            table.row([
                line.lot.to_string(),
                line.what.clone(),
                line.supplier.clone().unwrap_or_default(),
                line.supplier_lot.clone().unwrap_or_default(),
                line.received_at.map_or_else(String::new, minute),
                line.document.clone().unwrap_or_default(),
            ]);
        }
        text += &format!("{}\n", table.text());
    }
    if !recall.people.is_empty() {
        let badges: Vec<String> = recall.people.iter().map(ToString::to_string).collect();
        text += &format!("In the hands of badges {}\n\n", badges.join(", "));
    }
    text
}

fn balance(recall: &Report) -> String {
    let mut text = String::new();
    for lot in &recall.lots {
        let unit = lot.unit.symbol();
        let used: trace::Milli = lot.used.iter().map(|(_, amount)| *amount).sum();
        let came_in = lot
            .came_in
            .map_or_else(|| "an unknown amount".to_owned(), |m| format!("{m} {unit}"));
        text += &format!("Lot {}: {came_in} came in, {used} {unit} used", lot.lot);
        if !lot.unsplit.is_empty() {
            text += &format!(
                ", and part of {} batches that took other lots too",
                lot.unsplit.len()
            );
        }
        match (lot.unexplained, lot.left_over) {
            (Some(unexplained), _) => {
                let counted = lot.counted.unwrap_or_default();
                text += &format!(", {counted} {unit} counted: {unexplained} {unit} unexplained\n");
            }
            (None, Some(left)) => text += &format!(": {left} {unit} left over, not counted\n"),
            (None, None) => text += ": the rest cannot be told\n",
        }
    }
    if !recall.makes.is_empty() {
        let mut table = Table::new(&[
            "batch, kg",
            "milk",
            "added",
            "rework in",
            "portioned",
            "whey",
            "rework out",
            "unexplained",
        ]);
        for make in &recall.makes {
            table.row([
                make.batch.to_string(),
                signed_kg(make.milk_g),
                signed_kg(make.ingredients_g),
                signed_kg(make.rework_in_g),
                signed_kg(make.portioned_g),
                signed_kg(make.whey_g),
                signed_kg(make.rework_out_g),
                signed_kg(make.unexplained_g),
            ]);
        }
        text += &format!("{}\n", table.text());
    }
    let balance = &recall.balance;
    if balance.wheels > 0 {
        let mut table = Table::new(&["certain wheels", "kg"]);
        table.row(["portioned".to_owned(), signed_kg(balance.portioned_g)]);
        for (words, grams) in [
            ("lost in draining and maturing", balance.matured_g),
            ("taken by the laboratory", balance.sampled_g),
            ("reworked", balance.reworked_g),
        ] {
            table.row([format!("  {words}"), signed_kg(grams)]);
        }
        for (place, (count, grams)) in &balance.whole {
            table.row([format!("  {} {}", count, place.words()), signed_kg(*grams)]);
        }
        table.row(["  UNEXPLAINED".to_owned(), signed_kg(balance.unexplained_g)]);
        text += &format!("{}\n", table.text());
    }
    text
}

fn wheels(recall: &Report, all: bool) -> String {
    let mut text = String::new();
    for level in Level::ALL {
        let of_level: Vec<_> = recall.at_level(level).collect();
        if of_level.is_empty() || (level == Level::Possible && !all) {
            continue;
        }
        let most = if all { of_level.len() } else { LISTED };
        let mut table = Table::new(&[&level.to_string(), "where", "", "kg", "held by", "because"]);
        for wheel in of_level.iter().take(most) {
            let room = wheel.room.map(|room| room.to_string());
            let place = room
                .into_iter()
                .chain(wheel.carrier.map(|carrier| carrier.to_string()));
            let order = wheel.order.map(|order| format!("order {order}"));
            let place: Vec<String> = place.chain(order).collect();
            let holds: Vec<String> = wheel.holds.iter().map(ToString::to_string).collect();
            let because = wheel.because.first().map(|reason| reason.words.as_str());
            let because = because.unwrap_or_default();
            let more = match wheel.because.len() {
                0 | 1 => String::new(),
                n => format!(" (and {} more)", n - 1),
            };
            table.row([
                wheel.wheel.to_string(),
                wheel.whereabouts.words().to_owned(),
                place.join(" "),
                kg(wheel.weight_g.into()),
                holds.join(" "),
                format!("{because}{more}"),
            ]);
        }
        text += &table.text();
        if of_level.len() > most {
            text += &format!("  and {} more: --all lists them\n", of_level.len() - most);
        }
        text.push('\n');
    }
    let possible = recall.at_level(Level::Possible).count();
    if possible > 0 && !all {
        text += &format!("{possible} possible wheels are not listed: --all lists them\n\n");
    }
    text
}
