//! `wheelward orders`: what customers ordered, entered and listed.

use anyhow::Context as _;
use dispatch::check::{Desk, Known, Trouble};
use dispatch::confirm::confirm;
use dispatch::import::{Purpose, import};
use dispatch::{Order, recipe_named};
use dispatcher::OddOrders;
use facts::{
    AgeRange, Event, Mixing, OrderCancelled, OrderChanged, OrderLine, OrderPlaced, OrderRefused,
    Standing, WeightRange, WheelDelivered, WheelId, WheelReturned,
};
use quantity::DairyDay;
use ripening::answer;

use crate::cli::{
    BadFile, OfficeArgs, OrderSays, OrdersCancelArgs, OrdersChangeArgs, OrdersCommand,
    OrdersConfirmArgs, OrdersDeliveredArgs, OrdersImportArgs, OrdersPlaceArgs, OrdersRefusedArgs,
};
use crate::office::{Office, desk_of};
use crate::show;
use crate::table::Table;

/// How many wrong rows are named before they are only counted.
const TOLD: usize = 40;

/// `wheelward orders`
pub async fn run(command: &OrdersCommand) -> anyhow::Result<()> {
    match command {
        OrdersCommand::Import(args) => from_table(args).await,
        OrdersCommand::Place(args) => place(args).await,
        OrdersCommand::Change(args) => change(args).await,
        OrdersCommand::Confirm(args) => told(args).await,
        OrdersCommand::Delivered(args) => delivered(args).await,
        OrdersCommand::Refused(args) => refused(args).await,
        OrdersCommand::Returned(args) => returned(args).await,
        OrdersCommand::List(args) => list(args).await,
        OrdersCommand::Cancel(args) => cancel(args).await,
    }
}

async fn from_table(args: &OrdersImportArgs) -> anyhow::Result<()> {
    let shown = args.table.display();
    let table = std::fs::read(&args.table).with_context(|| format!("could not open {shown}"))?;
    let mut office = Office::open_to_record(&args.office, &args.record).await?;
    let purpose = if args.change {
        Purpose::Change
    } else {
        Purpose::Place
    };
    let found = import(&table, &desk(&office), purpose);
    for wrong in found.wrong.iter().take(TOLD) {
        eprintln!("{shown}:{wrong}");
    }
    if found.wrong.len() > TOLD {
        eprintln!("and {} more", found.wrong.len() - TOLD);
    }
    let right = found.orders.len();
    if !found.wrong.is_empty() && !args.accept_the_rest {
        return Err(BadFile(format!(
            "{shown}: nothing was recorded: {} orders are right, {} are not. Put the rows named above right, or say --accept-the-rest to go on with the {right} that are",
            right,
            found.left_out.len()
        ))
        .into());
    }
    if right > 0 {
        let event = |order: OrderPlaced| match purpose {
            Purpose::Place => Event::from(order),
            Purpose::Change => Event::from(changed(order)),
        };
        let events = found.orders.into_iter().map(event).collect();
        office.record(&args.office, &args.record, events).await?;
    }
    let done = if args.change { "changed" } else { "placed" };
    println!(
        "{right} orders {done} from {} rows; {} say so already, {} left out.",
        found.rows,
        found.unchanged.len(),
        found.left_out.len()
    );
    Ok(())
}

async fn list(args: &OfficeArgs) -> anyhow::Result<()> {
    let (orders, odd): (Vec<Order>, OddOrders) = match desk_of(args).await? {
        Some((desk, _)) => {
            let orders = desk.asks("orders", &()).await?;
            (orders, desk.asks(dispatcher::ODD, &()).await?)
        }
        None => {
            let office = Office::open(args).await?;
            (office.all.book().orders().collect(), office.odd())
        }
    };
    if args.source.ask.json {
        return show::print_json(&orders);
    }
    if orders.is_empty() {
        println!("No order was ever placed.");
    } else if orders.iter().all(|order| order.cancelled.is_some()) {
        println!("No order is open: all are cancelled.");
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
    if !orders.is_empty() {
        table.print();
    }
    for (order, words) in &odd.wrong {
        println!("LOOK: order {order}: {words}");
    }
    for order in &odd.never_placed {
        println!("LOOK: order {order} was never placed, though facts speak of it: place it");
    }
    Ok(())
}

async fn cancel(args: &OrdersCancelArgs) -> anyhow::Result<()> {
    let mut office = Office::open_to_record(&args.office, &args.record).await?;
    let order = office.order(args.order)?;
    if order.cancelled.is_some() {
        anyhow::bail!("order {} is cancelled already", order.id);
    }
    let event = Event::from(OrderCancelled {
        order: order.id,
        reason: args.reason.clone(),
    });
    office
        .record(&args.office, &args.record, vec![event])
        .await?;
    println!("Order {} is cancelled.", order.id);
    Ok(())
}

/// What orders are checked against.
fn desk(office: &Office) -> Desk<'_> {
    Desk {
        customers: office.all.customers(),
        recipes: &office.site.recipes,
        book: office.all.book(),
        now: office.look.now,
    }
}

fn changed(order: OrderPlaced) -> OrderChanged {
    OrderChanged {
        order: order.order,
        arrive_on: order.arrive_on,
        lines: order.lines,
        standing: order.standing,
    }
}

/// Everything that is wrong with an order, a line each.
fn wrong(troubles: &[Trouble]) -> anyhow::Error {
    let lines: Vec<String> = troubles.iter().map(ToString::to_string).collect();
    anyhow::anyhow!("nothing was recorded:\n  {}", lines.join("\n  "))
}

impl OrderSays {
    fn line(&self) -> OrderLine {
        let mixing = self.most_batches.is_some() || self.least_per_batch.is_some();
        OrderLine {
            recipe: self.recipe,
            grade: self.grade,
            wheels: self.wheels.unwrap_or(0),
            weight_g: self.kg,
            each_g: self
                .each_least_kg
                .zip(self.each_most_kg)
                .map(|(least_g, most_g)| WeightRange { least_g, most_g }),
            age_days: self
                .age_least_days
                .zip(self.age_most_days)
                .map(|(least_days, most_days)| AgeRange {
                    least_days,
                    most_days,
                }),
            least_life_days: self.least_life_days,
            mixing: mixing.then_some(Mixing {
                most_batches: self.most_batches,
                least_per_batch: self.least_per_batch,
            }),
        }
    }

    fn standing(&self) -> Option<Standing> {
        self.every_weeks.map(|every_weeks| Standing {
            every_weeks,
            until: self.until,
            except: self.except.clone(),
        })
    }
}

async fn place(args: &OrdersPlaceArgs) -> anyhow::Result<()> {
    let mut office = Office::open_to_record(&args.office, &args.record).await?;
    let (id, customer) = office.all.customers().customer(args.customer)?;
    recipe_named(&office.site.recipes, args.says.recipe)?;
    let order = OrderPlaced {
        order: args.order,
        customer: id.to_string(),
        market: customer.market,
        arrive_on: args.says.arrive_on,
        lines: vec![args.says.line()],
        standing: args.says.standing(),
    };
    match desk(&office).check(&order) {
        Ok(Known::Same) => {
            println!("Order {} was placed before, word for word.", args.order);
            return Ok(());
        }
        Ok(Known::New) => {}
        Err(troubles) => return Err(wrong(&troubles)),
    }
    office
        .record(&args.office, &args.record, vec![order.into()])
        .await?;
    println!("Order {} is placed.", args.order);
    Ok(())
}

async fn change(args: &OrdersChangeArgs) -> anyhow::Result<()> {
    let mut office = Office::open_to_record(&args.office, &args.record).await?;
    let known = office.order(args.order)?;
    recipe_named(&office.site.recipes, args.says.recipe)?;
    let order = OrderPlaced {
        order: known.id,
        customer: known.customer,
        market: known.market,
        arrive_on: args.says.arrive_on,
        lines: vec![args.says.line()],
        standing: args.says.standing(),
    };
    match desk(&office).check_change(&order) {
        Ok(Known::Same) => {
            println!("Order {} says so already.", args.order);
            return Ok(());
        }
        Ok(Known::New) => {}
        Err(troubles) => return Err(wrong(&troubles)),
    }
    let lines = known.lines.len();
    office
        .record(&args.office, &args.record, vec![changed(order).into()])
        .await?;
    println!("Order {} is changed.", args.order);
    if lines > 1 {
        println!("LOOK: it had {lines} lines; it has one now.");
    }
    if !known.told.is_empty() {
        println!("LOOK: the customer was told what comes: confirm it anew.");
    }
    Ok(())
}

async fn told(args: &OrdersConfirmArgs) -> anyhow::Result<()> {
    let mut office = Office::open_to_record(&args.office, &args.record).await?;
    let order = office.order(args.order)?;
    let allocation = office.allocation(&args.office).await?;
    let day = args.arrive_on.map(DairyDay::starting);
    let confirmed = confirm(&allocation, order.id, day, args.partly)?;
    let words: Vec<String> = confirmed
        .promised
        .iter()
        .map(|told| {
            format!(
                "  {} of batch {}, grade {}, leaving on {} by {}",
                show::wheels(usize::try_from(told.wheels).unwrap_or(usize::MAX)),
                told.batch,
                told.grade,
                DairyDay::starting(told.leave_on),
                told.lane
            )
        })
        .collect();
    let arrives = DairyDay::starting(confirmed.arrive_on);
    office
        .record(&args.office, &args.record, vec![confirmed.into()])
        .await?;
    println!("Order {}, arriving on {arrives}:", args.order);
    println!("{}", words.join("\n"));
    println!("This is kept to from now on.");
    Ok(())
}

/// Wheels that must have left for an order, and not be told of already.
fn that_left(
    office: &Office,
    order: &dispatch::Order,
    wheels: &[WheelId],
    already: impl Fn(WheelId) -> bool,
) -> anyhow::Result<()> {
    for wheel in wheels {
        answer::wheel_named(office.all.floor(), *wheel)?;
        if !order.sent.iter().any(|(sent, _)| sent == wheel) {
            anyhow::bail!(
                "{wheel} never left for order {}: check its serial",
                order.id
            );
        }
        if already(*wheel) {
            anyhow::bail!("{wheel} of order {} was told before", order.id);
        }
    }
    Ok(())
}

async fn delivered(args: &OrdersDeliveredArgs) -> anyhow::Result<()> {
    let mut office = Office::open_to_record(&args.office, &args.record).await?;
    let order = office.order(args.order)?;
    let there = |wheel: WheelId| order.arrived.contains_key(&wheel);
    that_left(&office, &order, &args.wheels, there)?;
    let mut wheels = args.wheels.clone();
    if wheels.is_empty() {
        let sent = order.sent.iter().map(|(wheel, _)| *wheel);
        wheels = sent.filter(|wheel| !there(*wheel)).collect();
    }
    if wheels.is_empty() {
        anyhow::bail!("nothing of order {} is on its way", order.id);
    }
    let at = args.arrived.unwrap_or_else(|| office.present());
    let last = order
        .sent
        .iter()
        .filter(|(wheel, _)| wheels.contains(wheel));
    if let Some(left) = last.map(|(_, moment)| moment.at).max()
        && at < left
    {
        anyhow::bail!(
            "they left on {}: they cannot have arrived before",
            office.site.clock.local(left)
        );
    }
    if at > office.present() {
        anyhow::bail!("{at} is still to come: say it when they have arrived");
    }
    let count = wheels.len();
    let event = Event::from(WheelDelivered {
        wheels,
        order: Some(order.id),
    });
    office
        .record_at(at, &args.office, &args.record, vec![event])
        .await?;
    println!("{} of order {} arrived.", show::wheels(count), order.id);
    Ok(())
}

async fn refused(args: &OrdersRefusedArgs) -> anyhow::Result<()> {
    let mut office = Office::open_to_record(&args.office, &args.record).await?;
    let order = office.order(args.order)?;
    that_left(&office, &order, &args.wheels, |wheel| {
        order.refused.contains_key(&wheel)
    })?;
    let event = Event::from(OrderRefused {
        order: order.id,
        wheels: args.wheels.clone(),
        reason: args.reason.clone(),
    });
    office
        .record(&args.office, &args.record, vec![event])
        .await?;
    println!(
        "{} of order {} refused. Say `wheelward orders returned` when back.",
        show::wheels(args.wheels.len()),
        order.id
    );
    Ok(())
}

async fn returned(args: &OrdersRefusedArgs) -> anyhow::Result<()> {
    let mut office = Office::open_to_record(&args.office, &args.record).await?;
    let order = office.order(args.order)?;
    let back = |wheel: WheelId| {
        let state = office.all.floor().wheel(wheel).map(|wheel| wheel.state());
        state.is_some_and(|state| state.on_floor())
    };
    that_left(&office, &order, &args.wheels, back)?;
    let event = Event::from(WheelReturned {
        wheels: args.wheels.clone(),
        reason: args.reason.clone(),
    });
    office
        .record(&args.office, &args.record, vec![event])
        .await?;
    println!(
        "{} of order {} back: graded again before anybody is promised any.",
        show::wheels(args.wheels.len()),
        order.id
    );
    Ok(())
}
