//! `wheelward dispatch makes` and `report`: what to make, and how it went.

use dispatch::makes::{MakePlan, Wanting, makes as plan_makes};
use dispatch::report::{MarketReport, Report, report as look_back};
use facts::RecipeId;
use plan::{Makes, rooms};
use quantity::DairyDay;
use scheduler::ahead::site_rooms;

use crate::cli::{DispatchMakesArgs, DispatchReportArgs};
use crate::office::Office;
use crate::table::Table;
use crate::{files, show};

/// Days that a report looks back where none are named.
const BACK_DAYS: i64 = 84;

/// Weeks of demand that are shown.
const SHOWN_WEEKS: usize = 12;

/// `wheelward dispatch makes`
pub async fn makes(args: &DispatchMakesArgs) -> anyhow::Result<()> {
    let office = Office::open(&args.office).await?;
    let crew = args.crew.as_deref().map(files::crew).transpose()?;
    let planned = match &args.makes {
        Some(path) => files::makes(path, &office.site.recipes)?,
        None => Makes::none(rooms::fullest_stillage(office.all.floor())),
    };
    let made = plan_makes(&Wanting {
        office: &office.all,
        rooms: &site_rooms(&office.site),
        crew: crew.as_ref(),
        planned: &planned,
        wheels_per_vat: args.wheels_per_vat,
        most_vats: args.most_vats,
    });
    if args.office.source.ask.json {
        return show::print_json(&made);
    }
    show_makes(&made);
    Ok(())
}

fn show_makes(made: &MakePlan) {
    let mut table = Table::new(&["week of", "planned", "make", "minutes of work"]);
    for week in &made.weeks {
        let vats = week.vats.iter();
        let vats = vats.map(|(recipe, vats)| format!("{vats} of {recipe}"));
        let vats: Vec<String> = vats.collect();
        let minutes = week.minutes.map(|(work, of)| format!("{work} of {of}"));
        table.row([
            week.monday.to_string(),
            week.planned.to_string(),
            vats.join(", "),
            minutes.unwrap_or_else(|| "not counted: no --crew".to_owned()),
        ]);
    }
    table.print();
    println!("What is expected to be ordered, wheels a week by week of arrival:");
    let mut kinds: Vec<_> = made.demand.iter().map(|d| (d.recipe, d.market)).collect();
    kinds.sort_unstable();
    kinds.dedup();
    if kinds.is_empty() {
        println!("  nothing: no order is known");
    }
    for (recipe, market) in kinds {
        let of = made
            .demand
            .iter()
            .filter(|d| (d.recipe, d.market) == (recipe, market));
        let weeks: Vec<String> = of
            .take(SHOWN_WEEKS)
            .map(|week| week.wheels().to_string())
            .collect();
        println!("  {recipe} to {market}: {}", weeks.join(" "));
    }
    for missing in &made.missing {
        println!(
            "MISSING: {} wheels of {} for {} in the week of {}: {}",
            missing.wheels, missing.recipe, missing.market, missing.monday, missing.why
        );
    }
    if made.over > 0 {
        println!(
            "OVER: {} wheels that nobody is expected to order in their best weeks",
            made.over
        );
    }
    println!(
        "Reckoned without held wheels, with rooms left on the last day that is right. The plan advises."
    );
}

/// `wheelward dispatch report`
pub async fn report(args: &DispatchReportArgs) -> anyhow::Result<()> {
    let office = Office::open(&args.office).await?;
    let until = args
        .until
        .map_or(office.today().plus(-1), DairyDay::starting);
    let from = args
        .from
        .map_or(until.plus(1 - BACK_DAYS), DairyDay::starting);
    anyhow::ensure!(
        from <= until,
        "{from} is after {until}: the first day first"
    );
    let report = look_back(&office.all, &office.forecasts, from, until);
    if args.office.source.ask.json {
        return show::print_json(&report);
    }
    let mut windows: Vec<(RecipeId, String)> = Vec::new();
    for recipe in office.site.recipes.iter() {
        for market in &recipe.markets {
            let ages = market.arrive_age_days;
            windows.push((
                recipe.id,
                format!("{} {} to {} days", market.id, ages.least, ages.most),
            ));
        }
    }
    show_report(&report);
    for (recipe, words) in windows {
        println!("Best on arrival, {recipe}: {words}");
    }
    Ok(())
}

fn show_report(report: &Report) {
    println!("Arrivals from {} to {}", report.from, report.until);
    let mut table = Table::new(&[
        "market",
        "ordered",
        "sent",
        "fill",
        "arrived",
        "in time",
        "in best weeks",
        "too young",
        "too old",
        "age 10/50/90 %",
        "refused",
    ]);
    for market in &report.markets {
        table.row(row(market));
    }
    table.print();
    let known: usize = report.markets.iter().map(|market| market.arrived).sum();
    let sent: usize = report.markets.iter().map(|market| market.sent).sum();
    if known < sent {
        println!(
            "Of {sent} wheels sent, {known} are known to have arrived: the others have no age. Enter arrivals with `wheelward orders delivered`."
        );
    }
    let misses = &report.misses;
    println!(
        "Outside their best weeks: {} wheels; {} by the road, {} by the forecast's error.",
        misses.outside, misses.outside_by_road, misses.outside_by_forecast
    );
    println!(
        "Short: {} wheels; {} of them should have been ready by the forecast and were not.",
        misses.short, misses.short_by_forecast
    );
    println!(
        "The forecast's share of all misses: {}.",
        percent(misses.forecast_share())
    );
    let left = &report.left;
    println!(
        "Left over: {} wheels ({:.1} kg) on the floor past their best weeks; {} ({:.1} kg) thrown away.",
        left.past_best,
        left.past_best_g as f64 / 1_000.0,
        left.discarded,
        left.discarded_g as f64 / 1_000.0
    );
}

fn row(market: &MarketReport) -> [String; 11] {
    let ages = market.ages_days.map(|(a, b, c)| format!("{a} / {b} / {c}"));
    [
        market.market.to_string(),
        market.ordered.to_string(),
        market.sent.to_string(),
        percent(market.fill()),
        market.arrived.to_string(),
        market.in_time.to_string(),
        percent(market.in_window_share()),
        market.too_young.to_string(),
        market.too_old.to_string(),
        ages.unwrap_or_default(),
        market.refused.to_string(),
    ]
}

fn percent(share: Option<f64>) -> String {
    share.map_or("nothing yet".to_owned(), |share| {
        format!("{:.0} %", share * 100.0)
    })
}
