//! Forecasts: when batches and wheels are ready, what they will weigh, what if.

mod score;

use std::path::Path;

use anyhow::Context as _;
use chrono::{DateTime, Utc};
use facts::{Fact, WheelId};
use forecast::{
    BatchWeights, Chart, Desk, Drawn, Habits, History, One, Query, Sensors, Told, habits,
};
use quantity::DairyDay;
use serde::de::DeserializeOwned;

use crate::cli::{ForecastArgs, ForecastChart, ForecastCommand};
use crate::running::{Answerer, Asker};
use crate::table::Table;
use crate::{files, reading, show};

/// Pixels of a picture to each of the chart's own: fine enough to print.
const FINE: f64 = 2.0;

/// `wheelward forecast`
pub async fn run(args: &ForecastArgs) -> anyhow::Result<()> {
    if let Some(ForecastCommand::Score(args)) = &args.command {
        return score::run(args).await;
    }
    let path = args
        .site
        .as_deref()
        .context("name the site file with --site")?;
    let answerer = Answerer::open(path, args).await?;
    match args.what.as_deref() {
        None => {
            let all = answerer.in_full().await?;
            answerer.write_chart(args, ForecastChart::Readiness).await?;
            everything(args, &all)
        }
        Some(_) => answerer.one(args).await,
    }
}

/// Reads facts up to an instant, or all; gives them with the last instant.
pub async fn read(
    source: &crate::cli::FactsArgs,
    at: Option<DateTime<Utc>>,
) -> anyhow::Result<(Vec<Fact>, DateTime<Utc>)> {
    let mut facts = Vec::new();
    reading::each(source, |fact| {
        if at.is_none_or(|at| fact.occurred_at <= at) {
            facts.push(fact.clone());
        }
    })
    .await?;
    let last = facts.iter().map(|fact| fact.occurred_at).max();
    let now = at.or(last).context(
        "there are no facts: name a file with --facts, or the data folder of a running floor \
         with --data",
    )?;
    Ok((facts, now))
}

/// How many threads there are to work with.
pub fn threads() -> usize {
    std::thread::available_parallelism().map_or(1, std::num::NonZero::get)
}

impl Answerer<Desk> {
    async fn open(site: &Path, args: &ForecastArgs) -> anyhow::Result<Self> {
        let site = files::site(site)?;
        if args.source.facts.is_empty() && args.at.is_none() {
            return Ok(Self::Running(Asker::connect(&args.source.ask).await?));
        }
        let (facts, now) = read(&args.source, args.at).await?;
        let sensors = Sensors::default();
        let facts = holds::counting(&facts, &site.rights());
        let history = History::of(&facts, site.clock, &site.recipes, &sensors, now);
        for batch in &history.without_recipe {
            eprintln!(
                "LOOK: batch {batch} goes by a recipe that is not in the site file: no forecast"
            );
        }
        let habits = habits(&history, now, &Habits::new(), threads());
        let desk = Desk {
            history,
            habits,
            now,
        };
        Ok(Self::Folded(Box::new(desk)))
    }

    /// The answer, which has the same form from both.
    async fn ask<A: DeserializeOwned>(&self, query: &Query) -> anyhow::Result<A> {
        match self {
            Self::Running(asker) => Ok(asker.asks("forecast", query).await?),
            Self::Folded(desk) => {
                let answer = desk.answer(query, threads())?;
                Ok(serde_json::from_value(serde_json::to_value(answer)?)?)
            }
        }
    }

    async fn in_full(&self) -> anyhow::Result<Vec<Told>> {
        let query = Query {
            in_full: true,
            ..Query::default()
        };
        self.ask(&query).await
    }

    async fn one(&self, args: &ForecastArgs) -> anyhow::Result<()> {
        let query = Query {
            what: args.what.clone(),
            warmer: args.warmer.iter().map(|warmer| warmer.0).collect(),
            pierce_later_days: args.pierce_later.unwrap_or(0.0),
            ..Query::default()
        };
        let one: One = self.ask(&query).await?;
        let asked = args.what.as_deref().unwrap_or_default();
        let of_batch = asked.parse() == Ok(one.batch.batch);
        let usual = match of_batch {
            true => ForecastChart::Growth,
            false => ForecastChart::Drying,
        };
        self.write_chart(args, usual).await?;
        if args.source.ask.json {
            return show::print_json(&one);
        }
        if let (false, Ok(wheel)) = (of_batch, asked.parse::<WheelId>()) {
            tell_wheel(wheel, &one);
            println!();
        }
        tell_batch(&one.batch);
        if let Some(weights) = &one.weights {
            tell_weights(weights);
        }
        if let Some(what_if) = &one.what_if {
            println!("\nWhat if: {}.", what_if.change.words);
            println!("Ready then about {}.", what_if.batch.ready.words());
        }
        Ok(())
    }

    /// Draws only what is asked for: `usual`, unless another chart is named.
    async fn write_chart(&self, args: &ForecastArgs, usual: ForecastChart) -> anyhow::Result<()> {
        if args.svg.is_none() && args.png.is_none() {
            return Ok(());
        }
        let query = Query {
            what: args.what.clone(),
            draw: Some(match args.chart.unwrap_or(usual) {
                ForecastChart::Growth => Chart::Growth,
                ForecastChart::Drying => Chart::Drying,
                ForecastChart::Readiness => Chart::Readiness,
                ForecastChart::Room => Chart::Room,
            }),
            room: args.room,
            ..Query::default()
        };
        let Drawn { svg } = self.ask(&query).await?;
        if let Some(path) = &args.svg {
            write(path, svg.as_bytes())?;
        }
        if let Some(path) = &args.png {
            write(path, &chart::png::png_of(&svg, FINE)?)?;
        }
        Ok(())
    }
}

fn everything(args: &ForecastArgs, all: &[Told]) -> anyhow::Result<()> {
    if args.source.ask.json {
        return show::print_json(&all);
    }
    if all.is_empty() {
        println!("No wheels are in the house.");
        return Ok(());
    }
    let mut table = Table::new(&[
        "batch",
        "age",
        "wheels",
        "room",
        "rind",
        "blue",
        "next room",
        "ready",
        "at",
        "4 in 5",
        "",
    ]);
    let short = |day: DairyDay| day.date().format("%-d %b").to_string();
    for told in all {
        let next = told
            .next_move
            .as_ref()
            .map(|next| format!("{} {}", next.to, short(next.dates.expected)));
        table.cells(vec![
            told.batch.to_string(),
            format!("{} d", told.age_days),
            told.wheels_in_house.to_string(),
            told.room.map_or(String::new(), |room| room.to_string()),
            format!("{:.0} %", told.rind_now_pct),
            told.blue_now_pct
                .map_or(String::new(), |blue| format!("{blue:.0} %")),
            next.unwrap_or_default(),
            short(told.ready.expected),
            format!("{} d", told.ready_age_days),
            format!("{} to {}", short(told.ready.p80.0), short(told.ready.p80.1)),
            match told.flags.len() {
                0 => String::new(),
                1 => "LOOK".to_owned(),
                n => format!("LOOK ({n})"),
            },
        ]);
    }
    table.print();
    println!("What is odd, and why these dates: `wheelward forecast BATCH`.");
    println!("A forecast releases nothing: that is for people, by the dairy's own plan.");
    Ok(())
}

fn tell_wheel(wheel: WheelId, one: &One) {
    match &one.wheel {
        Some(outlook) => {
            if let Some(rind) = &outlook.rind_cover {
                println!("{wheel}: {}.", rind.words);
            }
            println!("{wheel}: {}.", outlook.blue_ready.words);
        }
        None => println!("{wheel} is not in the house any more; of its batch:"),
    }
    let weight = one
        .weights
        .as_ref()
        .and_then(|weights| weights.wheels.iter().find(|w| w.wheel == wheel));
    if let Some(weight) = weight {
        println!(
            "{wheel}: {:.2} kg expected on {} (4 in 5: {:.2} to {:.2} kg).",
            weight.expected_g / 1000.0,
            weight.day,
            weight.p80_g.0 / 1000.0,
            weight.p80_g.1 / 1000.0
        );
    }
}

fn tell_batch(told: &Told) {
    println!(
        "Batch {}: {} days old, {} wheels in the house{}",
        told.batch,
        told.age_days,
        told.wheels_in_house,
        told.room
            .map_or(String::new(), |room| format!(", in room {room}"))
    );
    println!("{}", told.words);
    let blue = told.blue_now_pct.map_or(String::new(), |blue| {
        format!(", blue about {blue:.0} % through")
    });
    println!(
        "By now its rind is covered about {:.0} %{blue}.",
        told.rind_now_pct
    );
    if let Some((cover, dates)) = &told.rind {
        println!("{cover:.0} % rind cover about {}.", dates.words());
    }
    if let Some(next) = &told.next_move {
        println!(
            "To {} about {}: {}.",
            next.to,
            next.dates.words(),
            next.words
        );
    }
    for (number, worth) in (1..).zip(&told.worth_ironing) {
        println!("{number}. {}.", worth.words);
    }
    for flag in &told.flags {
        println!("LOOK: {}", flag.words);
    }
    if told.wheels.len() > 1 {
        println!();
        let mut table = Table::new(&["wheels", "", "room", "ready", "4 in 5"]);
        for group in &told.wheels {
            let first = group
                .wheels
                .first()
                .map_or(String::new(), |wheel| wheel.to_string());
            let names = match group.wheels.last() {
                Some(last) if group.wheels.len() > 1 => format!("{first} … {last}"),
                _ => first,
            };
            table.row([
                group.wheels.len().to_string(),
                names,
                group.room.map_or(String::new(), |room| room.to_string()),
                group.ready.expected.to_string(),
                format!("{} to {}", group.ready.p80.0, group.ready.p80.1),
            ]);
        }
        table.print();
    }
    println!();
    let mut table = Table::new(&["by the end of", "ready"]);
    let mut before = f64::NAN;
    for (day, p) in &told.p_ready_by {
        let percent = (p * 100.0).round();
        // A line for every step of five percent is enough.
        if (percent / 5.0).floor() == (before / 5.0).floor() || percent < 5.0 {
            continue;
        }
        before = percent;
        table.row([day.to_string(), format!("{percent:.0} %")]);
        if percent >= 95.0 {
            break;
        }
    }
    table.print();
}

fn tell_weights(weights: &BatchWeights) {
    let n = weights.wheels.len();
    if n > 0 {
        let mean = |of: fn(&forecast::Weight) -> f64| {
            weights.wheels.iter().map(of).sum::<f64>() / n as f64 / 1000.0
        };
        println!(
            "\nOn {} a wheel is expected to weigh {:.2} kg (4 in 5: {:.2} to {:.2} kg); drying \
             learnt from {} weighings.",
            weights.day,
            mean(|w| w.expected_g),
            mean(|w| w.p80_g.0),
            mean(|w| w.p80_g.1),
            weights.learnt_from
        );
    }
    if let Some(alarm) = &weights.alarm {
        println!("LOOK: {}", alarm.words);
    }
}

fn write(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    std::fs::write(path, bytes).with_context(|| format!("could not write {}", path.display()))
}
