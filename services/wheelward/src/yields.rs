//! Make yield: what each vat gave, what it should have given, and where the rest went.

use anyhow::Context as _;
use makes::{
    Balance, CASEIN_OF_PROTEIN, Individuals, Make, Maturing, balance, draw, expected_kg_per_100_kg,
    makes, maturing, square,
};
use names::{Kind, UnknownName};
use serde::Serialize;

use crate::cli::{MixArgs, YieldArgs, YieldCommand};
use crate::forecast::read;
use crate::table::Table;
use crate::{files, show};

/// Pixels of a picture to each of the chart's own: fine enough to print.
const FINE: f64 = 2.0;

/// A make with its yield and balances.
#[derive(Serialize)]
struct Told {
    #[serde(flatten)]
    make: Make,
    curd_kg_per_100_kg: Option<f64>,
    cheese_kg_per_100_kg: Option<f64>,
    expected_kg_per_100_kg: Option<f64>,
    balance: Balance,
    maturing: Maturing,
}

impl Told {
    fn of(make: Make, args: &YieldArgs) -> Self {
        let expected = make.milk.and_then(|milk| {
            let casein = milk.protein_pct * CASEIN_OF_PROTEIN;
            let (moisture, kept) = (args.moisture / 100.0, args.fat_kept / 100.0);
            expected_kg_per_100_kg(milk.fat_pct, casein, moisture, kept).ok()
        });
        Self {
            curd_kg_per_100_kg: make.curd_kg_per_100_kg(),
            cheese_kg_per_100_kg: make.cheese_kg_per_100_kg(),
            expected_kg_per_100_kg: expected,
            balance: balance(&make),
            maturing: maturing(&make),
            make,
        }
    }
}

/// `wheelward yield`
pub async fn run(args: &YieldArgs) -> anyhow::Result<()> {
    if let Some(YieldCommand::Mix(mix)) = &args.command {
        return tell_mix(mix);
    }
    let path = args
        .site
        .as_deref()
        .context("name the site file with --site")?;
    let site = files::site(path)?;
    let (facts, now) = read(&args.source, args.at).await?;
    let mut all = makes(&holds::counting(&facts, &site.rights()), &site.clock);
    if let Some(batch) = args.batch {
        let codes: Vec<String> = all.keys().map(ToString::to_string).collect();
        let make = all
            .remove(&batch)
            .ok_or_else(|| UnknownName::among(Kind::Batch, batch, codes))?;
        let told = Told::of(make, args);
        if args.source.ask.json {
            return show::print_json(&told);
        }
        tell(&told, args);
        return Ok(());
    }
    let from = site.clock.day_of(now).plus(1 - i64::from(args.days));
    let mut told: Vec<Told> = all
        .into_values()
        .filter(|make| make.made >= from)
        .map(|make| Told::of(make, args))
        .collect();
    told.sort_by_key(|told| (told.make.made, told.make.batch));
    let yields = told
        .iter()
        .filter_map(|t| Some((t.make.batch, t.curd_kg_per_100_kg?)));
    let chart = Individuals::of(yields);
    write_chart(args, chart.as_ref())?;
    if args.source.ask.json {
        return show::print_json(&told);
    }
    tell_all(&told, chart.as_ref(), args.days);
    Ok(())
}

/// `wheelward yield mix`
fn tell_mix(mix: &MixArgs) -> anyhow::Result<()> {
    let parts = square(mix.first, mix.second, mix.wanted)?;
    let (first, second) = parts.of_total(mix.kg);
    if mix.json {
        return show::print_json(&serde_json::json!({ "first_kg": first, "second_kg": second }));
    }
    println!(
        "{first:.2} kg at {} % and {second:.2} kg at {} % make {} kg at {} % fat.",
        mix.first, mix.second, mix.kg, mix.wanted
    );
    Ok(())
}

fn number(value: Option<f64>, unit: &str) -> String {
    value.map_or(String::new(), |value| format!("{value:.2} {unit}"))
}

fn tell_all(told: &[Told], chart: Option<&Individuals>, days: u16) {
    if told.is_empty() {
        println!("Nothing was made in the last {days} days.");
        return;
    }
    let mut table = Table::new(&[
        "batch",
        "made",
        "milk",
        "wheels",
        "curd",
        "of 100 kg",
        "cheese",
        "expected",
        "unexplained",
        "",
    ]);
    for one in told {
        let odd = chart.and_then(|chart| {
            let point = chart
                .points
                .iter()
                .find(|point| point.batch == one.make.batch)?;
            (!point.tests.is_empty()).then_some("out of the ordinary")
        });
        let look = one.make.oddities.len() + usize::from(one.balance.words.is_some());
        let notes = [
            odd.map(str::to_owned),
            (look > 0).then(|| "LOOK".to_owned()),
        ];
        table.cells(vec![
            one.make.batch.to_string(),
            one.make.made.date().format("%-d %b").to_string(),
            format!("{:.0} L", one.make.milk_l),
            one.make.wheels.len().to_string(),
            format!("{:.1} kg", one.make.curd_kg()),
            number(one.curd_kg_per_100_kg, "kg"),
            number(one.cheese_kg_per_100_kg, "kg"),
            number(one.expected_kg_per_100_kg, "kg"),
            one.balance
                .unexplained_kg
                .map_or(String::new(), |kg| format!("{kg:.0} kg")),
            notes.into_iter().flatten().collect::<Vec<_>>().join(", "),
        ]);
    }
    table.print();
    if let Some(chart) = chart {
        println!(
            "Curd from 100 kg of milk: {:.2} kg on average, usually {:.2} to {:.2} kg.",
            chart.centre, chart.limits.0, chart.limits.1
        );
    }
    println!("A make's balance: `wheelward yield BATCH`.");
}

fn tell(told: &Told, args: &YieldArgs) {
    let make = &told.make;
    println!(
        "Batch {}, made on {} in vat {} by {}: {:.0} L of milk, {} wheels",
        make.batch,
        make.made,
        make.vat,
        make.recipe,
        make.milk_l,
        make.wheels.len()
    );
    if let Some(curd) = told.curd_kg_per_100_kg {
        println!("Curd from 100 kg of milk: {curd:.2} kg");
    }
    if let Some(cheese) = told.cheese_kg_per_100_kg {
        println!("Cheese from 100 kg of milk, by the last weights: {cheese:.2} kg");
    }
    match (told.expected_kg_per_100_kg, make.milk) {
        (Some(expected), Some(milk)) => println!(
            "Expected by Van Slyke and Price: {expected:.2} kg, from {:.2} % fat and {:.2} % \
             protein, at {:.0} % moisture with {:.0} % of the fat kept",
            milk.fat_pct, milk.protein_pct, args.moisture, args.fat_kept
        ),
        _ => println!("What to expect cannot be said: the milk's fat and protein are not known."),
    }
    println!();
    let mut table = Table::new(&["went in", "", "came out", ""]);
    let lines = told.balance.went_in.len().max(told.balance.came_out.len());
    for n in 0..lines {
        let cell = |lines: &[makes::Line]| {
            let line = lines.get(n);
            let kg = line.map_or(String::new(), |line| format!("{:.1} kg", line.kg));
            (line.map_or(String::new(), |line| line.what.clone()), kg)
        };
        let (what, kg) = cell(&told.balance.went_in);
        let (out, out_kg) = cell(&told.balance.came_out);
        table.row([what, kg, out, out_kg]);
    }
    if let Some(kg) = told.balance.unexplained_kg {
        table.row([
            String::new(),
            String::new(),
            "unexplained".to_owned(),
            format!("{kg:.1} kg"),
        ]);
    }
    table.print();
    println!();
    let mut table = Table::new(&["the curd", ""]);
    for line in &told.maturing.lines {
        table.row([line.what.clone(), format!("{:.1} kg", line.kg)]);
    }
    table.print();
    if told.maturing.not_weighed > 0 {
        println!(
            "{} wheels in the house were not weighed since they were portioned: {}.",
            told.maturing.not_weighed,
            match told.maturing.lost {
                Some(lost) => format!(
                    "they count as having lost {:.1} %, as those that were",
                    lost * 100.0
                ),
                None => "they count with their curd".to_owned(),
            }
        );
    }
    if let Some(words) = &told.balance.words {
        println!("LOOK: {words}.");
    }
    for oddity in &make.oddities {
        println!("LOOK: {}.", oddity.words);
    }
}

fn write_chart(args: &YieldArgs, chart: Option<&Individuals>) -> anyhow::Result<()> {
    if args.svg.is_none() && args.png.is_none() {
        return Ok(());
    }
    let chart = chart.context("too few makes for a chart: look back further with --days")?;
    let figure = draw::yields(chart);
    if let Some(path) = &args.svg {
        write(path, figure.svg().as_bytes())?;
    }
    if let Some(path) = &args.png {
        write(path, &figure.png(FINE)?)?;
    }
    Ok(())
}

fn write(path: &std::path::Path, bytes: &[u8]) -> anyhow::Result<()> {
    std::fs::write(path, bytes).with_context(|| format!("could not write {}", path.display()))
}
