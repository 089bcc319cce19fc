//! `wheelward orders`: what customers ordered, entered and listed.

use anyhow::Context as _;
use dispatch::check::Desk;
use dispatch::import::import;
use facts::{Event, OrderCancelled};

use crate::cli::{BadFile, OfficeArgs, OrdersCancelArgs, OrdersCommand, OrdersImportArgs};
use crate::office::Office;
use crate::show;
use crate::table::Table;

/// How many wrong rows are named before they are only counted.
const TOLD: usize = 40;

/// `wheelward orders`
pub async fn run(command: &OrdersCommand) -> anyhow::Result<()> {
    match command {
        OrdersCommand::Import(args) => place(args).await,
        OrdersCommand::List(args) => list(args).await,
        OrdersCommand::Cancel(args) => cancel(args).await,
    }
}

async fn place(args: &OrdersImportArgs) -> anyhow::Result<()> {
    let shown = args.table.display();
    let table = std::fs::read(&args.table).with_context(|| format!("could not open {shown}"))?;
    let office = Office::open(&args.office).await?;
    let found = import(
        &table,
        &Desk {
            customers: office.all.customers(),
            recipes: &office.site.recipes,
            book: office.all.book(),
            now: office.look.now,
        },
    );
    for wrong in found.wrong.iter().take(TOLD) {
        eprintln!("{shown}:{wrong}");
    }
    if found.wrong.len() > TOLD {
        eprintln!("and {} more", found.wrong.len() - TOLD);
    }
    let right = found.orders.len();
    if !found.wrong.is_empty() && !args.accept_the_rest {
        return Err(BadFile(format!(
            "{shown}: nothing was placed: {} orders are right, {} are not. Put the rows named above right, or say --accept-the-rest to place the {right} that are",
            right,
            found.left_out.len()
        ))
        .into());
    }
    if right > 0 {
        let events: Vec<Event> = found.orders.into_iter().map(Event::from).collect();
        let source = &args.office.source;
        let from_file = source.replay.is_some();
        office
            .record(&source.ask, &args.record, from_file, events)
            .await?;
    }
    println!(
        "{right} orders placed from {} rows; {} were placed before, {} left out.",
        found.rows,
        found.unchanged.len(),
        found.left_out.len()
    );
    Ok(())
}

async fn list(args: &OfficeArgs) -> anyhow::Result<()> {
    let office = Office::open(args).await?;
    let orders: Vec<_> = office.all.book().orders().collect();
    if args.source.ask.json {
        return show::print_json(&orders);
    }
    let mut table = Table::new(&["order", "customer", "arrives", "again", "lines", "stands"]);
    for order in &orders {
        let again = order.standing.as_ref().map(|standing| {
            let until = standing
                .until
                .map_or(String::new(), |until| format!(" until {until}"));
            format!("every {} weeks{until}", standing.every_weeks)
        });
        let lines = order.lines.iter().map(|line| {
            let much = match line.weight_g {
                Some(grams) => format!("{} kg", f64::from(grams.get()) / 1_000.0),
                None => format!("{} wheels", line.wheels),
            };
            format!("{much} {} {}", line.recipe, line.grade)
        });
        let stands = match &order.cancelled {
            Some(reason) => format!("cancelled: {reason}"),
            None => format!("{} wheels sent", order.sent.len()),
        };
        table.row([
            order.id.to_string(),
            order.customer.clone(),
            order.arrive_on.to_string(),
            again.unwrap_or_default(),
            lines.collect::<Vec<_>>().join(", "),
            stands,
        ]);
    }
    table.print();
    for (order, words) in &office.look.wrong {
        println!("LOOK: order {order}: {words}");
    }
    for order in office.all.book().never_placed() {
        println!("LOOK: order {order} was never placed, though facts speak of it: place it");
    }
    Ok(())
}

async fn cancel(args: &OrdersCancelArgs) -> anyhow::Result<()> {
    let office = Office::open(&args.office).await?;
    let order = office
        .all
        .book()
        .order(args.order)
        .with_context(|| format!("there is no order {}", args.order))?;
    if order.cancelled.is_some() {
        anyhow::bail!("order {} is cancelled already", args.order);
    }
    let event = Event::from(OrderCancelled {
        order: args.order,
        reason: args.reason.clone(),
    });
    let source = &args.office.source;
    office
        .record(
            &source.ask,
            &args.record,
            source.replay.is_some(),
            vec![event],
        )
        .await?;
    println!("Order {} is cancelled.", args.order);
    Ok(())
}
