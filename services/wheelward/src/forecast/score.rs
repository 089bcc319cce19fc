//! How good forecasts would have been: on a dairy's own past, or on the simulated one's.

use anyhow::Context as _;
use chrono::NaiveDate;
use floor_sim::{Dairy, Mistakes, Nature, Size};
use forecast::score::{ByCores, CORES_UNSURE_DAYS, LeadScore, Outcome, Score, Scoring};
use forecast::score::{ready_by_cores, score};
use forecast::{History, Sensors};
use quantity::DairyDay;

use crate::cli::ScoreArgs;
use crate::demo;
use crate::table::Table;
use crate::{files, forecast::read, forecast::threads, show};

/// The simulated dairy is never played longer, days.
const LONGEST: usize = 3_000;

/// `wheelward forecast score`
pub async fn run(args: &ScoreArgs) -> anyhow::Result<()> {
    let (score, how) = match args.simulate {
        Some(batches) => simulated(batches, args.seed)?,
        None => of_facts(args).await?,
    };
    if args.source.ask.json {
        return show::print_json(&score);
    }
    println!("{how}");
    if score.all.forecasts == 0 {
        println!("Too few batches were ready by their cores for a score.");
        return Ok(());
    }
    tell(&score);
    Ok(())
}

async fn of_facts(args: &ScoreArgs) -> anyhow::Result<(Score, String)> {
    let path = args
        .site
        .as_deref()
        .context("name the site file with --site")?;
    let site = files::site(path)?;
    let (facts, now) = read(&args.source, None).await?;
    let counts = holds::counting(&facts, &site.rights());
    let history = History::of(&counts, site.clock, &site.recipes, &Sensors::default(), now);
    let (mut outcomes, mut early, mut open) = (Vec::new(), 0, 0);
    for batch in history.batches.values() {
        match ready_by_cores(batch, f64::INFINITY) {
            ByCores::Ready(ready_days) => outcomes.push(Outcome {
                batch: batch.id,
                ready_days,
            }),
            ByCores::AtFirstLook => early += 1,
            ByCores::NotYet | ByCores::NoCores => open += 1,
        }
    }
    let scoring = Scoring {
        outcome_unsure_days: CORES_UNSURE_DAYS,
        ..Scoring::default()
    };
    let how = format!(
        "{} batches whose cores show when they became ready, to about a day; left out: {early} \
         that were ready at their first core already, {open} that are not ready or without \
         cores.",
        outcomes.len()
    );
    Ok((score(&history, &outcomes, &scoring, threads()), how))
}

fn simulated(batches: usize, seed: u64) -> anyhow::Result<(Score, String)> {
    let site = demo::shipped_site()?;
    let start = NaiveDate::from_ymd_opt(2026, 1, 5).context("a date in the calendar")?;
    let size = Size {
        vats_a_day: 2,
        wheels_a_vat: 8,
    };
    let mut dairy = Dairy::new(seed, start, size, Mistakes::none()).with_nature(Nature::Varied);
    let mut past = demo::History::new(&site, DairyDay::starting(start));
    let (mut outcomes, mut days) = (Vec::new(), 0);
    while outcomes.len() < batches + Scoring::default().warm_up && days < LONGEST {
        past.play(&dairy.next_day())?;
        days += 1;
        if days % 14 == 0 {
            outcomes = truly_ready(&dairy)?;
        }
    }
    let facts = past.take_facts();
    let now = past.now();
    let counts = holds::counting(&facts, &site.rights());
    let history = History::of(&counts, site.clock, &site.recipes, &Sensors::default(), now);
    let how = format!(
        "Larkholm Dairy simulated for {days} days (seed {seed}): {} facts, {} batches truly \
         ready. Its growth and drying follow other formulas than the forecasts do.",
        facts.len(),
        outcomes.len()
    );
    let score = score(&history, &outcomes, &Scoring::default(), threads());
    Ok((score, how))
}

fn truly_ready(dairy: &Dairy) -> anyhow::Result<Vec<Outcome>> {
    let mut outcomes = Vec::new();
    for ripe in dairy.ripeness() {
        if let Some(ready) = ripe.ready {
            outcomes.push(Outcome {
                batch: ripe.batch.parse()?,
                ready_days: ready.timestamp() as f64 / 86_400.0,
            });
        }
    }
    Ok(outcomes)
}

fn tell(score: &Score) {
    let mut table = Table::new(&[
        "days before",
        "forecasts",
        "in 50 %",
        "in 80 %",
        "in 95 %",
        "80 % is wide",
        "off by",
        "too late by",
        "calendar",
        "last batch",
        "usual age",
    ]);
    let days = |days: f64| format!("{days:.1} d");
    let percent = |share: f64| format!("{:.0} %", share * 100.0);
    let mut row = |name: String, lead: &LeadScore| {
        table.row([
            name,
            lead.forecasts.to_string(),
            percent(lead.within_50),
            percent(lead.within_80),
            percent(lead.within_95),
            days(lead.width_80_days),
            days(lead.error_days),
            format!("{:+.1} d", lead.bias_days),
            days(lead.calendar_error_days),
            days(lead.last_error_days),
            days(lead.usual_error_days),
        ]);
    };
    for lead in score.by_lead.iter().filter(|lead| lead.forecasts > 0) {
        row(lead.lead_days.to_string(), lead);
    }
    row("all".to_owned(), &score.all);
    table.print();
    println!(
        "\"Off by\" is the mean absolute error of the middle day; beside it what the recipe's \
         calendar, the age of the last batch that was ready by then, and the middle age of all \
         before would have been off by."
    );
}
