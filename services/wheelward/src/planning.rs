//! The plan for the day, room fill and roll-call: as a running floor's scheduler answers, or
//! by the same functions for a file of facts or an instant that is over.

use std::collections::BTreeMap;
use std::path::Path;

use anyhow::Context as _;
use chrono::{DateTime, Utc};
use facts::PersonId;
use names::{Kind, Known};
use plan::{Forecast, Plan, Problem, RollCall, Stop, Yesterday};
use ripening::Floor;
use ripening::answer::FloorPicture;
use scheduler::ahead::{problem_of, rooms_of, site_makes};
use scheduler::{ROLL_CALL, ROOMS, RollCallQuery, RoomsAhead, RoomsQuery, SHIFT, WORK, WorkQuery};
use site::Site;

use crate::cli::{PlanArgs, RollCallArgs, RoomsArgs, SourceArgs};
use crate::running::{Answerer, Asker};
use crate::table::Table;
use crate::{files, reading, show};

/// Largest plan that is put on the broker, bytes; its usual limit is 1 MiB.
const LARGEST: usize = 900_000;

/// How many lines of trouble are shown before they are only counted.
const SHOWN: usize = 12;

/// `wheelward plan`
pub async fn plan(args: &PlanArgs) -> anyhow::Result<()> {
    let (site, answerer) = look(&args.source).await?;
    let crew = files::crew(&args.crew)?;
    let badges = crew.people.iter().map(|person| person.badge);
    let people = Known::default().with(Kind::Person, badges);
    if let Some(person) = args.person {
        people.find(Kind::Person, person)?;
    }
    let days = args.days;
    let problem: Problem = match &answerer {
        Answerer::Folded(floor) => problem_of(&site, floor, crew, days.into()),
        Answerer::Running(asker) => asker.asks(WORK, &WorkQuery { crew, days }).await?,
    };
    let yesterday = match &args.yesterday {
        None => Yesterday::default(),
        Some(path) => {
            let plan: Plan = serde_json::from_str(&files::text(path)?).with_context(|| {
                format!(
                    "{} is no plan: give the file that `wheelward plan --json` wrote",
                    path.display()
                )
            })?;
            Yesterday::of(&plan)
        }
    };
    let (plan, export) = plan::make_with(&problem, &yesterday);
    if let Some(path) = &args.export {
        write(path, &serde_json::to_vec(&export)?)?;
    }
    if let Some(path) = &args.pdf {
        write(path, &plan::walking_list_pdf(&plan, &site.name))?;
    }
    if args.publish {
        publish(args, answerer.now().await?, &plan).await?;
    }
    if args.source.ask.json {
        return show::print_json(&plan);
    }
    show_plan(&plan, args.person);
    Ok(())
}

/// `wheelward rooms`
pub async fn rooms(args: &RoomsArgs) -> anyhow::Result<()> {
    let (site, answerer) = look(&args.source).await?;
    let makes = args.makes.as_deref();
    let makes = makes.map(|path| files::makes(path, &site.recipes));
    let makes = makes.transpose()?;
    let days = args.weeks * 7;
    let forecast = match &answerer {
        Answerer::Folded(floor) => {
            let makes = match makes {
                Some(makes) => Some(makes),
                None => site_makes(&site)?,
            };
            rooms_of(&site, floor, days.into(), makes)
        }
        Answerer::Running(asker) => {
            let query = RoomsQuery { days, makes };
            let ahead: RoomsAhead = asker.asks(ROOMS, &query).await?;
            ahead.forecast
        }
    };
    if args.source.ask.json {
        return show::print_json(&forecast);
    }
    show_rooms(&forecast);
    Ok(())
}

/// `wheelward roll-call`
pub async fn roll_call(args: &RollCallArgs) -> anyhow::Result<()> {
    let (site, answerer) = look(&args.source).await?;
    if args.summary {
        let words: String = match &answerer {
            Answerer::Folded(floor) => plan::shift_summary(floor, &site.name),
            Answerer::Running(asker) => asker.asks(SHIFT, &()).await?,
        };
        if args.source.ask.json {
            return show::print_json(&words);
        }
        println!("{words}");
        return Ok(());
    }
    let days = if args.week { 7 } else { 1 };
    let call: RollCall = match &answerer {
        Answerer::Folded(floor) => plan::roll_call(floor, days.into()),
        Answerer::Running(asker) => asker.asks(ROLL_CALL, &RollCallQuery { days }).await?,
    };
    if args.source.ask.json {
        return show::print_json(&call);
    }
    show_roll_call(&call);
    Ok(())
}

impl Answerer<Floor> {
    async fn now(&self) -> anyhow::Result<DateTime<Utc>> {
        Ok(match self {
            Self::Folded(floor) => floor.now(),
            Self::Running(asker) => asker.asks::<FloorPicture>("floor", &()).await?.now,
        })
    }
}

async fn look(args: &SourceArgs) -> anyhow::Result<(Site, Answerer<Floor>)> {
    let site = files::site(&args.site)?;
    if args.replay.is_none() && args.at.is_none() {
        let asker = Asker::connect(&args.ask).await?;
        return Ok((site, Answerer::Running(asker)));
    }
    let practice = scheduler::practice(&site);
    let floor = reading::floor(args, practice).await?;
    Ok((site, Answerer::Folded(Box::new(floor))))
}

fn write(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    std::fs::write(path, bytes).with_context(|| format!("could not write {}", path.display()))
}

/// Puts the first day and the plan's trouble on the broker; without the wheels' serials
/// when they do not fit.
async fn publish(args: &PlanArgs, now: DateTime<Utc>, plan: &Plan) -> anyhow::Result<()> {
    let mut told = plan.clone();
    told.stops.retain(|stop| stop.day == plan.from);
    let mut body = serde_json::to_vec(&told)?;
    if body.len() > LARGEST {
        told.stops.iter_mut().for_each(|stop| stop.wheels.clear());
        told.unmet.iter_mut().for_each(|unmet| unmet.wheels.clear());
        body = serde_json::to_vec(&told)?;
    }
    let asker = Asker::connect(&args.source.ask).await?;
    let id = format!(
        "plan-{}-{}-{}",
        asker.site,
        plan.from.date(),
        now.timestamp()
    );
    asker
        .bus
        .publish_derived(&asker.site, "plan", &id, &body)
        .await?;
    Ok(())
}

fn show_plan(plan: &Plan, person: Option<PersonId>) {
    println!("Plan for {} (looking ahead to {})", plan.from, plan.until);
    let mut walks: BTreeMap<PersonId, Vec<&Stop>> = BTreeMap::new();
    for stop in plan.stops.iter().filter(|stop| stop.day == plan.from) {
        if person.is_none_or(|person| person == stop.person) {
            walks.entry(stop.person).or_default().push(stop);
        }
    }
    match person {
        Some(person) if walks.is_empty() => println!("\n{person} has nothing to do on that day."),
        None if walks.is_empty() => println!("\nNothing is to be done on that day."),
        _ => {}
    }
    for (person, stops) in &walks {
        let minutes: f64 = stops.iter().map(|stop| stop.minutes).sum();
        println!("\n{person}: {} stops, {minutes:.0} min", stops.len());
        let mut table = Table::new(&["room", "on", "do", "wheels", "min", "by", "because"]);
        for stop in stops {
            let wheels = if stop.wheels.len() == stop.of {
                stop.of.to_string()
            } else {
                format!("{} of {}", stop.wheels.len(), stop.of)
            };
            let carrier = stop.carrier.map(|carrier| carrier.to_string());
            let to = stop.to.map_or(String::new(), |to| format!(" to {to}"));
            let late = if stop.due < stop.day { "LATE " } else { "" };
            table.row([
                stop.room.map_or(String::new(), |room| room.to_string()),
                carrier.unwrap_or_default(),
                format!("{}{to}", stop.kind.words()),
                wheels,
                format!("{:.0}", stop.minutes.max(1.0)),
                format!("{late}{}", stop.due.date().format("%-d %b")),
                stop.because.clone(),
            ]);
        }
        table.print();
    }
    list("\nLifting", plan.lifting.iter().map(|line| &line.words));
    list("\nPostponed", plan.postponed.iter().map(|p| &p.words));
    list(
        "\nCANNOT BE MET",
        plan.unmet.iter().map(|unmet| &unmet.words),
    );
    if !plan.fixes.is_empty() {
        println!("\nWhat would help (one of these)");
        for fix in &plan.fixes {
            let saves = if fix.saves > 0 {
                format!("saves {} wheels from a broken window", fix.saves)
            } else {
                format!("{} less weighted wheel-days late", fix.saves_late)
            };
            println!("  {}: {saves}", fix.words);
        }
    }
    let waiting = plan.waiting.iter().map(|wait| {
        let carrier = wait.carrier.map(|carrier| carrier.to_string());
        format!(
            "{} {} wheels{}: {}",
            wait.kind.words(),
            wait.wheels,
            carrier.map_or(String::new(), |c| format!(" on {c}")),
            wait.because
        )
    });
    list("\nWaiting", waiting);
    println!("\nThe days ahead");
    let mut table = Table::new(&["day", "people", "", "machines"]);
    for day in &plan.load {
        let machines = day
            .machines
            .iter()
            .map(|(id, used, of)| format!("{id} {used} of {of} min"));
        table.row([
            day.day.date().format("%a %-d %b").to_string(),
            format!("{} of {} min", day.minutes, day.of),
            bar(day.minutes, day.of, 20),
            machines.collect::<Vec<_>>().join(", "),
        ]);
    }
    table.print();
    let (made, bound) = (plan.objective, plan.bound);
    let unmet: usize = plan.unmet.iter().map(|unmet| unmet.wheels.len()).sum();
    println!(
        "Windows broken for {unmet} wheels, which counts as {} missed turns (no plan can do better than {}); weighted wheel-days late {} ({}); moved since yesterday's plan {}",
        made.broken, bound.broken, made.late, bound.late, made.changed
    );
    println!("The plan advises; what people scan decides.");
}

fn list<S: AsRef<str>>(head: &str, lines: impl ExactSizeIterator<Item = S>) {
    let all = lines.len();
    if all == 0 {
        return;
    }
    println!("{head}");
    for line in lines.take(SHOWN) {
        println!("  {}", line.as_ref());
    }
    if all > SHOWN {
        println!("  and {} more (--json shows all)", all - SHOWN);
    }
}

fn show_rooms(forecast: &Forecast) {
    let mut table = Table::new(&[
        "room",
        "",
        "places",
        "now",
        "most",
        "a day each",
        "first overflow",
    ]);
    for room in &forecast.rooms {
        let most = room.taken.iter().max().copied().unwrap_or_default();
        table.row([
            room.room.to_string(),
            room.name.clone(),
            room.positions.to_string(),
            room.taken.first().copied().unwrap_or_default().to_string(),
            most.to_string(),
            spark(&room.taken, room.positions),
            room.overflow
                .map_or("none".to_owned(), |day| day.to_string()),
        ]);
    }
    table.print();
    for room in &forecast.rooms {
        if let Some(why) = &room.why {
            println!("{}: {why}", room.room);
        }
    }
    println!(
        "Stillages, counted as moving on their due days and leaving on the last day of their dispatch window."
    );
}

/// One block a day, an eighth of the room each step; `!` where it overflows.
fn spark(taken: &[u32], positions: u32) -> String {
    const STEPS: [char; 9] = [' ', '▁', '▂', '▃', '▄', '▅', '▆', '▇', '█'];
    let step = |taken: &u32| {
        if *taken > positions {
            '!'
        } else {
            let eighth = (taken * 8).div_ceil(positions.max(1));
            let place = usize::try_from(eighth).unwrap_or_default();
            STEPS.get(place).copied().unwrap_or('█')
        }
    };
    taken.iter().map(step).collect()
}

fn bar(part: i64, of: i64, width: i64) -> String {
    let filled = if of > 0 { part * width / of } else { 0 };
    (0..width)
        .map(|n| if n < filled { '█' } else { '·' })
        .collect()
}

fn show_roll_call(call: &RollCall) {
    if call.from == call.until {
        println!("Roll-call of {}", call.until);
    } else {
        println!("Roll-call of {} to {}", call.from, call.until);
    }
    if !call.last_day_counts {
        println!("The day's work is not due yet: today's turns do not count as missed.");
    }
    if call.done.is_empty() {
        println!("Nothing was done.");
    }
    let done: Vec<String> = call
        .done
        .iter()
        .map(|(work, n)| format!("{n} {work}"))
        .collect();
    if !done.is_empty() {
        println!("Done: {}", done.join(", "));
    }
    if call.missed.is_empty() {
        println!("Nothing was missed.");
        return;
    }
    let mut table = Table::new(&["room", "on", "batch", "missed", "wheels", "days"]);
    for line in &call.missed {
        let batches: Vec<String> = line.batches.iter().map(|b| b.to_string()).collect();
        let days: Vec<String> = line
            .days
            .iter()
            .map(|day| day.date().format("%a %-d %b").to_string())
            .collect();
        let carrier = line.carrier.map(|carrier| carrier.to_string());
        table.row([
            line.room.map_or(String::new(), |room| room.to_string()),
            carrier.unwrap_or_default(),
            batches.join(", "),
            line.work.clone(),
            format!("{} of {}", line.wheels.len(), line.of),
            days.join(", "),
        ]);
    }
    table.print();
}
