//! Portion weights: by vat, by person, on charts and on paper.

use std::path::Path;

use anyhow::Context as _;
use chart::Figure;
use chrono::{DateTime, Utc};
use control::survey::{self, NoStudy, Studies, StudiesQuery, Subject};
use control::{Finish, Study, draw};
use quantity::DairyClock;
use ripening::{Floor, Folding};
use scheduler::STUDIES;
use serde::Serialize;
use site::Site;

use crate::cli::{Chart, PortionsArgs};
use crate::running::Asker;
use crate::table::Table;
use crate::{files, reading, show};

/// Pixels of a picture to each of the chart's own: fine enough to print.
const FINE: f64 = 2.0;

/// `wheelward portions`
pub async fn run(args: &PortionsArgs) -> anyhow::Result<()> {
    let site = files::site(&args.site)?;
    let query = StudiesQuery {
        of: match (args.batch, args.person) {
            (Some(batch), _) => Subject::Batch(batch),
            (None, Some(person)) => Subject::Person(person),
            (None, None) => Subject::Everybody,
        },
        days: args.days,
        sample: args.sample,
        price_per_kg: args.price_per_kg,
    };
    // Of longer ago a running floor is not asked, which has other things to do: the log is read.
    let lately = args.at.is_none() && args.days <= scheduler::MOST_AHEAD;
    let studies: Studies = if args.source.facts.is_empty() && lately {
        let asker = Asker::connect(&args.source.ask).await?;
        asker.asks(STUDIES, &query).await?
    } else {
        let floor = fold(args, &site).await?;
        let people = site.people.keys().copied();
        survey::studies(&floor, people, &query).map_err(|none| match none {
            NoStudy::Unknown(name) => name.into(),
            none => anyhow::Error::from(none),
        })?
    };
    match studies {
        Studies::Vat(study, finish) => vat(args, &site, &study, finish.as_ref()),
        Studies::Person(studies) if studies.is_empty() => nothing_of(args),
        Studies::Person(studies) => one_person(args, &site.clock, studies),
        Studies::Everybody(vats, people) => everybody(args, &site.clock, vats, people),
    }
}

/// Folds what has to do with vats and wheels, up to the instant asked for.
async fn fold(args: &PortionsArgs, site: &Site) -> anyhow::Result<Floor> {
    let mut floor = Folding::new(scheduler::practice(site));
    let mut now = args.at;
    reading::each(&args.source, |fact| {
        if args.at.is_none_or(|at| fact.occurred_at <= at) {
            now = now.max(Some(fact.occurred_at));
            floor.apply(fact);
        }
    })
    .await?;
    // Facts that are none have no time either, and there is nothing to be seen of them.
    let now = now.context("there are no facts to look at: name a file that has some")?;
    floor.refresh(now);
    floor.into_floor().context("no time to look from")
}

/// A vat's study and what became of its weights.
#[derive(Serialize)]
struct Vat<'a> {
    #[serde(flatten)]
    study: &'a Study,
    finish: Option<&'a Finish>,
}

fn vat(
    args: &PortionsArgs,
    site: &Site,
    study: &Study,
    finish: Option<&Finish>,
) -> anyhow::Result<()> {
    write_chart(args, || chart_of(args, study, &site.clock))?;
    let recipe = site.recipes.get(study.recipe, study.version);
    if let (Some(path), Some(recipe)) = (&args.pdf, recipe) {
        let pdf = control::report(study, finish, recipe, &site.name, &site.clock);
        write(path, &pdf)?;
    }
    if args.source.ask.json {
        return show::print_json(&Vat { study, finish });
    }
    tell(study, &site.clock);
    if let Some(finish) = finish {
        println!();
        tell_finish(finish);
    }
    Ok(())
}

/// Of somebody who portioned nothing in the days that are looked at.
fn nothing_of(args: &PortionsArgs) -> anyhow::Result<()> {
    if args.source.ask.json {
        return show::print_json(&[(); 0]);
    }
    if let Some(person) = args.person {
        println!(
            "{person} has portioned nothing in the last {} days: look back further with --days.",
            args.days
        );
    }
    Ok(())
}

fn one_person(args: &PortionsArgs, clock: &DairyClock, studies: Vec<Study>) -> anyhow::Result<()> {
    let most = studies.iter().max_by_key(|study| study.portions.len());
    let most = most.context("nothing was portioned")?;
    write_chart(args, || chart_of(args, most, clock))?;
    if args.source.ask.json {
        return show::print_json(&studies);
    }
    for (n, study) in studies.iter().enumerate() {
        if n > 0 {
            println!();
        }
        tell(study, clock);
    }
    Ok(())
}

/// Every vat and everybody, summed up.
#[derive(Serialize)]
struct Everybody {
    vats: Vec<Line>,
    people: Vec<Line>,
}

/// A study in one line.
#[derive(Serialize)]
struct Line {
    whose: String,
    recipe: String,
    from: Option<DateTime<Utc>>,
    portions: usize,
    off_aim_g: Option<f64>,
    spread_g: Option<f64>,
    outside: usize,
    ppk: Option<f64>,
    above_aim_kg: f64,
    cost: Option<f64>,
    told: usize,
    stable: bool,
}

impl Line {
    fn of(study: &Study) -> Self {
        Self {
            whose: match study.whose {
                control::Whose::Batch(batch) => batch.to_string(),
                person => person.to_string(),
            },
            recipe: format!("{} v{}", study.recipe, study.version),
            from: study.portions.first().map(|portion| portion.at),
            portions: study.portions.len(),
            off_aim_g: study.mean_g().map(|mean| mean - study.aim().grams()),
            spread_g: study.capability.map(|fit| fit.sigma_overall),
            outside: study.outside().count(),
            ppk: study.capability.map(|fit| fit.ppk),
            above_aim_kg: study.giveaway.over_kg,
            cost: study.giveaway.cost,
            told: study.told.len(),
            stable: study.is_stable(),
        }
    }
}

fn everybody(
    args: &PortionsArgs,
    clock: &DairyClock,
    vats: Vec<Study>,
    people: Vec<Study>,
) -> anyhow::Result<()> {
    // One chart has one aim: that of the recipe which most was portioned by.
    let by = |study: &&Study| (study.recipe, study.version);
    let portions = |key| {
        let these = people.iter().filter(|study| by(study) == key);
        these.map(|study| study.portions.len()).sum::<usize>()
    };
    let most = people
        .iter()
        .map(|study| by(&study))
        .max_by_key(|key| portions(*key));
    let side_by_side: Vec<Study> = people
        .iter()
        .filter(|s| Some(by(s)) == most)
        .cloned()
        .collect();
    write_chart(args, || draw::people(&side_by_side))?;
    let lines = |studies: &[Study]| studies.iter().map(Line::of).collect();
    let all = Everybody {
        vats: lines(&vats),
        people: lines(&people),
    };
    if args.source.ask.json {
        return show::print_json(&all);
    }
    if all.vats.is_empty() {
        println!("Nothing was portioned in the last {} days.", args.days);
        return Ok(());
    }
    print_lines("vat", &all.vats, clock);
    println!();
    print_lines("person", &all.people, clock);
    println!(
        "\nA vat's samples and charts: `wheelward portions --batch {}`",
        all.vats.last().map_or("", |line| line.whose.as_str())
    );
    Ok(())
}

fn print_lines(whose: &str, lines: &[Line], clock: &DairyClock) {
    let with_cost = lines.iter().any(|line| line.cost.is_some());
    let mut head = vec![
        whose,
        "recipe",
        "from",
        "portions",
        "off aim",
        "spread",
        "outside",
        "Ppk",
        "above aim",
    ];
    if with_cost {
        head.push("worth");
    }
    head.push("");
    let mut table = Table::new(&head);
    for line in lines {
        let grams = |g: Option<f64>| g.map_or(String::new(), |g| format!("{g:.0} g"));
        let mut cells = vec![
            line.whose.clone(),
            line.recipe.clone(),
            line.from.map_or(String::new(), |at| clock.local(at)),
            line.portions.to_string(),
            line.off_aim_g
                .map_or(String::new(), |g| format!("{g:+.0} g")),
            grams(line.spread_g),
            line.outside.to_string(),
            line.ppk.map_or(String::new(), |ppk| format!("{ppk:.2}")),
            format!("{:.2} kg", line.above_aim_kg),
        ];
        if with_cost {
            cells.push(line.cost.map_or(String::new(), |cost| format!("{cost:.2}")));
        }
        cells.push(match (line.told, line.stable) {
            (0, true) => String::new(),
            (0, false) => "look at the chart".to_owned(),
            (1, _) => "OFF, told once".to_owned(),
            (n, _) => format!("OFF, told {n} times"),
        });
        table.cells(cells);
    }
    table.print();
}

/// A study for people: what was found, the figures, the samples.
fn tell(study: &Study, clock: &DairyClock) {
    let aim = study.aim();
    println!(
        "{}, {} v{}, aim {} ± {} g\n",
        study.whose,
        study.recipe,
        study.version,
        aim.weight_g,
        aim.tolerance_g.get()
    );
    for line in control::found(study, clock) {
        println!("{line}");
    }
    println!();
    let mut table = Table::new(&["", ""]);
    for (what, says) in control::figures(study) {
        table.row([what, says]);
    }
    table.print();
    if study.points.is_empty() {
        return;
    }
    println!();
    let mut table = Table::new(&["sample", "mean", "off aim", "range", "found"]);
    for point in &study.points {
        let sample = &point.sample;
        let found = point
            .tests
            .iter()
            .map(|test| format!("{} {}", test.number(), test.words()));
        let wide = (!point.range_is_usual).then(|| "a range beyond its limits".to_owned());
        table.row([
            study.time(clock, sample.from),
            format!("{:.0} g", sample.mean_g),
            format!("{:+.0} g", sample.mean_g - aim.grams()),
            format!("{:.0} g", sample.range_g),
            found.chain(wide).collect::<Vec<_>>().join("; "),
        ]);
    }
    table.print();
}

fn tell_finish(finish: &Finish) {
    let expected = finish
        .expected_loss_pct
        .map_or(String::new(), |loss| format!(", {loss:.1} % expected"));
    println!(
        "Weighed again: {} wheels, {:.1} % lost{expected}",
        finish.wheels.len(),
        finish.loss_pct
    );
    for wheel in finish.outliers() {
        println!(
            "LOOK: {} stands out: {:.3} kg at {} days, {:.1} % lost; weigh it again, and see whether it is the wheel that its card says",
            wheel.wheel,
            wheel.weight_g / 1000.0,
            wheel.age_days,
            wheel.loss_pct()
        );
    }
}

fn chart_of(args: &PortionsArgs, study: &Study, clock: &DairyClock) -> Option<Figure> {
    match args.chart {
        Chart::Means => draw::means_and_ranges(study, clock),
        Chart::Portions => Some(draw::portions(study, clock)),
    }
}

/// Draws only what is asked for.
fn write_chart(args: &PortionsArgs, draw: impl FnOnce() -> Option<Figure>) -> anyhow::Result<()> {
    if args.svg.is_none() && args.png.is_none() {
        return Ok(());
    }
    let figure = draw().with_context(|| {
        format!(
            "too few portions for a chart of samples of {}: ask for --chart portions, smaller samples with --sample, or more days with --days",
            args.sample.get()
        )
    })?;
    if let Some(path) = &args.svg {
        write(path, figure.svg().as_bytes())?;
    }
    if let Some(path) = &args.png {
        write(path, &figure.png(FINE)?)?;
    }
    Ok(())
}

fn write(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    std::fs::write(path, bytes).with_context(|| format!("could not write {}", path.display()))
}
