//! `wheelward promise` and `wheelward dispatch`: who gets which wheel, and when it leaves.

mod outlook;
mod picking;

use std::path::Path;

use anyhow::Context as _;
use dispatch::allocation::Allocation;
use dispatch::note::DispatchNote;
use dispatch::office::{Asked, NoPromise};
use dispatch::promise::Answer;
use dispatch::{Cheese, Memory, Yesterday, allocate};
use dispatcher::OddOrders;
use quantity::DairyDay;

use crate::cli::{
    DispatchCommand, DispatchExportArgs, DispatchNoteArgs, DispatchPlanArgs, OfficeArgs,
    PromiseArgs,
};
use crate::office::{Office, desk_of};
use crate::table::Table;
use crate::{files, show};

/// Wheels that must leave within so many days and have no order are told one by one.
const LEFT_SOON_DAYS: i64 = 14;

/// `wheelward promise`
pub async fn promise(args: &PromiseArgs) -> anyhow::Result<()> {
    let asked = Asked {
        customer: args.customer,
        recipe: args.recipe,
        grade: args.grade,
        wheels: args.wheels,
        by: args.by,
        sure_pct: args.sure,
    };
    let answer: Answer = match desk_of(&args.office).await? {
        Some((desk, _)) => desk.asks("promise", &asked).await?,
        None => promised(&args.office, &asked).await?,
    };
    if args.office.source.ask.json {
        return show::print_json(&answer);
    }
    println!("{}", answer.words);
    if let Some(why) = &answer.why_not {
        println!("{}", why.words);
    }
    Ok(())
}

async fn promised(args: &OfficeArgs, asked: &Asked) -> anyhow::Result<Answer> {
    let office = Office::open(args).await?;
    let customers = office.all.customers();
    let recipes = &office.site.recipes;
    let promised = office
        .look
        .promise(customers, recipes, &office.yesterday, asked);
    promised.map_err(|no| match no {
        NoPromise::Unknown(name) => name.into(),
        no => anyhow::Error::from(no),
    })
}

/// `wheelward dispatch`
pub async fn run(command: &DispatchCommand) -> anyhow::Result<()> {
    match command {
        DispatchCommand::Plan(args) => plan(args).await,
        DispatchCommand::Pick(args) => picking::pick(args).await,
        DispatchCommand::Pack(args) => picking::pack(args).await,
        DispatchCommand::Note(args) => note(args).await,
        DispatchCommand::Makes(args) => outlook::makes(args).await,
        DispatchCommand::Report(args) => outlook::report(args).await,
        DispatchCommand::Export(args) => export(args).await,
    }
}

async fn plan(args: &DispatchPlanArgs) -> anyhow::Result<()> {
    if args.yesterday.is_none()
        && let Some((desk, allocation)) = desk_of(&args.office).await?
    {
        let odd = desk.asks(dispatcher::ODD, &()).await?;
        return show_plan(args, &allocation, &odd);
    }
    let mut office = Office::open(&args.office).await?;
    if let Some(path) = &args.yesterday {
        let allocation: Allocation =
            serde_json::from_str(&files::text(path)?).with_context(|| {
                format!(
                    "{} is no allocation: give the file that `wheelward dispatch plan --json` wrote",
                    path.display()
                )
            })?;
        office.yesterday = Yesterday::of(&allocation);
    }
    let allocation = allocate(&office.problem(), &mut Memory::default());
    show_plan(args, &allocation, &office.odd())
}

fn show_plan(
    args: &DispatchPlanArgs,
    allocation: &Allocation,
    odd: &OddOrders,
) -> anyhow::Result<()> {
    if args.office.source.ask.json {
        return show::print_json(allocation);
    }
    show_allocation(allocation);
    for (order, words) in &odd.wrong {
        println!("LOOK: order {order}: {words}");
    }
    Ok(())
}

fn show_allocation(allocation: &Allocation) {
    println!("Dispatch from {} to {}", allocation.today, allocation.until);
    if allocation.lines.is_empty() {
        println!(
            "No order asks for wheels up to {}: one that arrives later is not looked at yet; say how far with --days.",
            allocation.until
        );
    }
    let mut table = Table::new(&[
        "arrives", "order", "customer", "wheels", "from", "leaves", "by", "age", "sure", "short",
    ]);
    for line in &allocation.lines {
        let each = |words: &dyn Fn(&dispatch::allocation::Assigned) -> String| {
            let parts: Vec<String> = line.assigned.iter().map(words).collect();
            parts.join("\n")
        };
        table.row([
            line.key.arrive_on.to_string(),
            format!("{}/{}", line.key.order, line.key.line),
            line.customer.to_string(),
            each(&|part| part.count.to_string()),
            each(&|part| {
                let locked = if part.locked { " (told)" } else { "" };
                let waits = part
                    .awaits
                    .map(|hold| format!(" (waits for its release from {hold})"));
                let waits = waits.unwrap_or_default();
                format!("{} {}{locked}{waits}", part.source, part.grade)
            }),
            each(&|part| part.leave_on.to_string()),
            each(&|part| part.lane.to_string()),
            each(&|part| part.age_days.to_string()),
            format!("{:.0} %", 100.0 * line.certainty),
            if line.short > 0 {
                line.short.to_string()
            } else {
                String::new()
            },
        ]);
    }
    table.print();
    for line in &allocation.lines {
        if let Some(trouble) = &line.trouble {
            println!("LOOK: {}: {trouble}", line.key);
        }
        if let Some(short) = &line.shortage {
            println!("SHORT: {}: {}", line.key, short.words);
        }
    }
    let mut past: Vec<_> = allocation.left.iter().filter(|l| l.past_best).collect();
    past.sort_by_key(|left| left.last_day);
    let soon = allocation.today.plus(LEFT_SOON_DAYS);
    let (soon, later) = past.split_at(past.partition_point(|left| left.last_day <= soon));
    for left in soon {
        println!(
            "LEFT: {} wheels of {} grade {}: in their best weeks only if they leave by {}",
            left.count, left.source, left.grade, left.last_day
        );
    }
    if let (Some(first), Some(last)) = (later.first(), later.last()) {
        let wheels: usize = later.iter().map(|left| left.count).sum();
        println!(
            "LEFT later: {wheels} wheels with no order yet must leave from {} to {}; --json lists them",
            first.last_day, last.last_day
        );
    }
    for kept in &allocation.kept {
        println!(
            "KEPT: {} wheels of {}: {}",
            kept.count,
            kept.source,
            kept.kept.words()
        );
    }
    println!("The allocation advises; only a scan at dispatch sends a wheel.");
}

async fn note(args: &DispatchNoteArgs) -> anyhow::Result<()> {
    let office = Office::open(&args.office).await?;
    let order = office.order(args.order)?;
    let customers = office.all.customers();
    let (_, customer) = customers.who_ordered(&order.customer)?;
    let lane = args.lane.or_else(|| customer.lanes.first().copied());
    let lane = lane.context("the customers file has no lane for them: name one with --lane")?;
    let lane = customers.lane(lane)?;
    let day = args.day.map_or(office.today(), DairyDay::starting);
    let clock = &office.site.clock;
    let left = order.sent.iter();
    let left = left.filter(|(_, moment)| clock.day_of(moment.at) == day);
    let cheeses: Vec<Cheese> = left
        .filter_map(|(wheel, _)| office.all.cheese_that_left(*wheel))
        .collect();
    if cheeses.is_empty() {
        anyhow::bail!(
            "no wheel left for order {} on {day}: scan them at dispatch first",
            order.id
        );
    }
    let note = DispatchNote::new(
        &order,
        customer,
        lane,
        &office.all.customers().shipper,
        office.site.identification_mark.as_deref(),
        day,
        &cheeses.iter().collect::<Vec<_>>(),
    );
    write(&args.pdf, &note.pdf())?;
    println!(
        "{}: {} wheels, {:.3} kg",
        args.pdf.display(),
        cheeses.len(),
        note.grams() as f64 / 1_000.0
    );
    Ok(())
}

async fn export(args: &DispatchExportArgs) -> anyhow::Result<()> {
    let office = Office::open(&args.office).await?;
    let export = dispatch::export(&office.problem());
    write(&args.out, &serde_json::to_vec(&export)?)?;
    println!(
        "{}: {} nodes, {} arcs",
        args.out.display(),
        export.supply.len(),
        export.arcs.len()
    );
    Ok(())
}

fn write(path: &Path, bytes: &[u8]) -> anyhow::Result<()> {
    std::fs::write(path, bytes).with_context(|| format!("could not write {}", path.display()))
}
