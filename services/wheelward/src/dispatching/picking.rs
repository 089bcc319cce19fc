//! `wheelward dispatch pick` and `pack`: wheels are fetched, scanned, weighed again and put
//! into cases.

use std::collections::BTreeMap;
use std::io::{BufRead as _, IsTerminal as _};
use std::path::Path;

use anyhow::Context as _;
use dispatch::customers::Shipper;
use dispatch::pack::{CaseNumbers, numbers_needed, pack as into_cases};
use dispatch::pick::{PickList, Picking, Scanned, pick_list};
use dispatch::stock;
use dispatcher::PickQuery;
use facts::{Event, OrderPacked, Sscc, WheelId};
use labels::{CaseLabel, CaseWheel, Dpi, Label};
use names::{Kind, Known};
use quantity::{DairyDay, Grams};
use ripening::answer;
use station::{Code, Line};

use crate::cli::{DispatchPackArgs, DispatchPickArgs, kilograms};
use crate::office::{Office, desk_of};
use crate::running::Asker;
use crate::show;
use crate::table::Table;

/// A weight further from what is known of the wheel is a typing error: a maturing wheel
/// loses a few percent in a week.
const UNLIKELY_OFF: f64 = 0.25;

/// `wheelward dispatch pick`
pub async fn pick(args: &DispatchPickArgs) -> anyhow::Result<()> {
    let query = PickQuery { day: args.day };
    if args.scan.is_none()
        && let Some((desk, _)) = desk_of(&args.office).await?
    {
        return shown(args, &desk.asks("picks", &query).await?);
    }
    let office = Office::open_to_record(&args.office, &args.record).await?;
    let day = args.day.map_or(office.today(), DairyDay::starting);
    let allocation = office.allocation(&args.office).await?;
    let look = &office.look;
    let customers = office.all.customers().clone();
    let list = pick_list(&allocation, &look.cheeses, &look.lines, &customers, day);
    if args.scan.is_some() {
        return scan(args, office, &list).await;
    }
    shown(args, &list)
}

fn shown(args: &DispatchPickArgs, list: &PickList) -> anyhow::Result<()> {
    if args.office.source.ask.json {
        return show::print_json(list);
    }
    show_list(list);
    Ok(())
}

fn show_list(list: &PickList) {
    println!("Pick list for {}", list.day);
    if list.stops.is_empty() && list.stopped.is_empty() {
        println!("No wheel leaves on that day: `wheelward dispatch plan` says when some do.");
        return;
    }
    for first in &list.first {
        println!("FIRST: {first}");
    }
    let mut table = Table::new(&["room", "on", "wheel", "batch", "grade", "kg", "order"]);
    for stop in &list.stops {
        for wheel in &stop.wheels {
            table.row([
                stop.place.room.map_or(String::new(), |r| r.to_string()),
                stop.place.carrier.map_or(String::new(), |c| c.to_string()),
                wheel.wheel.to_string(),
                wheel.batch.to_string(),
                wheel.grade.map_or(String::new(), |g| g.to_string()),
                format!("{:.3}", f64::from(wheel.weight_g) / 1_000.0),
                format!("{}/{}", wheel.line.order, wheel.line.line),
            ]);
        }
    }
    table.print();
    for (wheel, line, why) in &list.stopped {
        println!("STOP: {wheel} for {line}: {why}");
    }
}

/// What a person scanned or typed.
enum Said {
    Wheel(WheelId),
    Weight(Grams),
    Words(String),
}

impl Said {
    fn read(line: &str) -> Option<Self> {
        let line = line.trim();
        if line.is_empty() {
            return None;
        }
        if let Ok(Line {
            code: Code::Wheel(wheel),
            ..
        }) = Line::read(line)
        {
            return Some(Self::Wheel(wheel));
        }
        let number = line.trim_end_matches("kg").trim_end();
        Some(match kilograms(number) {
            Ok(weight) => Self::Weight(weight),
            Err(_) => Self::Words(line.to_owned()),
        })
    }
}

/// Fetches one order: every answer that begins with OK is recorded before it is given.
async fn scan(args: &DispatchPickArgs, mut office: Office, list: &PickList) -> anyhow::Result<()> {
    let order = office.order(args.scan.context("an order is needed")?)?.id;
    if let Some(scale) = args.scale {
        let stations = office.site.stations.iter();
        let scales = stations.filter_map(|station| Some(station.scale.as_ref()?.tool));
        let scales = Known::default().with(Kind::Tool, scales);
        if office.all.floor().tool(scale).is_none() {
            scales.find(Kind::Tool, scale)?;
        }
    }
    let customers = office.all.customers().clone();
    let lines = office.look.lines.clone();
    let mut picking = Picking::new(list, order, &lines, &customers).with_context(|| {
        format!(
            "nothing of order {order} leaves on {}: `wheelward dispatch plan` says when",
            list.day
        )
    })?;
    if std::io::stdin().is_terminal() {
        println!(
            "{} to fetch. Scan each; type its kilograms after it. Ctrl-D ends.",
            show::wheels(picking.left())
        );
    }
    // The wheel that waits for a reason, and the one whose weight comes next.
    let (mut unlisted, mut fetched): (Option<WheelId>, Option<WheelId>) = (None, None);
    for line in std::io::stdin().lock().lines() {
        let Some(said) = Said::read(&line?) else {
            continue;
        };
        let (wheel, reason) = match said {
            Said::Weight(weight) => {
                let words = weigh(args, &mut office, &mut picking, fetched, weight).await?;
                println!("{words}");
                continue;
            }
            Said::Wheel(wheel) => (wheel, None),
            Said::Words(reason) => match unlisted {
                Some(wheel) => (wheel, Some(reason)),
                None => {
                    println!("WRONG {reason:?} is no wheel and no weight: scan the wheel's label");
                    continue;
                }
            },
        };
        unlisted = None;
        // As it stands now, with everything that was seen since the list was made.
        let cheese = stock::of_wheel(office.all.floor(), wheel, office.today());
        match picking.scan(wheel, cheese.as_ref(), reason.as_deref()) {
            Scanned::Picked { line, left, events } => {
                office.record(&args.office, &args.record, events).await?;
                fetched = Some(wheel);
                let of = format!("order {} line {}", line.order, line.line);
                println!("OK {wheel} for {of}: {left} left");
            }
            Scanned::Again(_) => {
                fetched = Some(wheel);
                println!("OK {wheel} was scanned before");
            }
            Scanned::NeedsReason { instead_of, .. } => {
                unlisted = Some(wheel);
                println!(
                    "NEXT {wheel} is not on the list, but may go instead of {instead_of}: type why, or scan another"
                );
            }
            Scanned::Stop(words) => println!("{words}"),
        }
    }
    let left = picking.left();
    if left > 0 {
        println!("{} of order {order} still to fetch.", show::wheels(left));
    } else {
        println!(
            "All of order {order} is fetched: pack it with `wheelward dispatch pack {order}`."
        );
    }
    Ok(())
}

async fn weigh(
    args: &DispatchPickArgs,
    office: &mut Office,
    picking: &mut Picking<'_>,
    fetched: Option<WheelId>,
    weight: Grams,
) -> anyhow::Result<String> {
    let Some(wheel) = fetched else {
        return Ok("WRONG scan the wheel first, then its weight".to_owned());
    };
    let known = stock::of_wheel(office.all.floor(), wheel, office.today());
    let known = known.map_or(0.0, |cheese| f64::from(cheese.weight_g));
    let grams = f64::from(weight.get());
    if known > 0.0 && (grams - known).abs() > UNLIKELY_OFF * known {
        return Ok(format!(
            "WRONG {weight} for {wheel}, which weighed {:.3} kg: weigh it again",
            known / 1_000.0
        ));
    }
    let Some(event) = picking.weigh(wheel, weight, args.scale) else {
        return Ok(format!("WRONG {wheel} was not fetched: scan it first"));
    };
    office
        .record(&args.office, &args.record, vec![event])
        .await?;
    let line = picking.taken().find(|(taken, _)| *taken == wheel);
    let ordered = line.map(|(_, line)| picking.weight_of(line));
    Ok(match ordered {
        Some((taken, Some(ordered))) => format!(
            "OK {wheel} weighs {weight}: {:.3} of {:.3} kg",
            taken as f64 / 1_000.0,
            f64::from(ordered) / 1_000.0
        ),
        _ => format!("OK {wheel} weighs {weight}"),
    })
}

/// `wheelward dispatch pack`
pub async fn pack(args: &DispatchPackArgs) -> anyhow::Result<()> {
    let mut office = Office::open_to_record(&args.office, &args.record).await?;
    let order = office.order(args.order)?;
    let in_a_case = |wheel: &WheelId| order.packed.iter().any(|case| case.wheels.contains(wheel));
    let floor = office.all.floor();
    let mut wheels = args.wheels.clone();
    if wheels.is_empty() {
        let cheeses = office.look.cheeses.iter();
        let fetched = cheeses.filter(|cheese| cheese.reserved == Some(order.id));
        wheels = fetched.map(|cheese| cheese.wheel).collect();
        wheels.retain(|wheel| !in_a_case(wheel));
    }
    if wheels.is_empty() {
        anyhow::bail!(
            "nothing of order {} waits for a case: fetch it with `wheelward dispatch pick --scan {}`",
            order.id,
            order.id
        );
    }
    let mut unweighed = Vec::new();
    for wheel in &wheels {
        answer::wheel_named(floor, *wheel)?;
        let cheese = stock::of_wheel(floor, *wheel, office.today()).with_context(|| {
            format!("wheel {wheel} does not stand here any more: choose another")
        })?;
        if in_a_case(wheel) {
            anyhow::bail!("{wheel} is in a case already");
        }
        if cheese.reserved != Some(order.id) {
            anyhow::bail!(
                "{wheel} was not fetched for order {}: scan it first",
                order.id
            );
        }
        if let Some(kept) = cheese.kept {
            anyhow::bail!("STOP: {wheel} is {}", kept.words());
        }
        let state = floor.wheel(*wheel).map(|wheel| wheel.state());
        let weighed = state.is_some_and(|state| {
            let born = state.born;
            state.weight.is_some_and(|w| Some(w.moment) != born)
        });
        if !weighed {
            unweighed.push(wheel.to_string());
        }
    }
    if !unweighed.is_empty() {
        anyhow::bail!(
            "sold by weight, and not weighed since they were portioned: {}. Weigh them while picking, or at a station",
            unweighed.join(", ")
        );
    }
    let customers = office.all.customers().clone();
    let shipper = &customers.shipper;
    let needed = numbers_needed(wheels.len(), shipper);
    let numbers = numbers(args, &office, shipper, needed).await?;
    let packed = into_cases(order.id, &wheels, shipper, numbers)
        .context("the dispatch desk gave fewer case numbers than it was asked for")?;
    if let Some(folder) = &args.labels {
        write_labels(folder, &office, &order, &packed)?;
    }
    let events: Vec<Event> = packed.iter().cloned().map(Event::from).collect();
    office.record(&args.office, &args.record, events).await?;
    for case in &packed {
        let on = case
            .pallet
            .map_or(String::new(), |p| format!(" on pallet {p}"));
        println!(
            "case {}{on}: {}",
            case.case,
            show::wheels(case.wheels.len())
        );
    }
    Ok(())
}

/// Numbers for cases and pallets: of a running floor from its dispatch desk, which gives each
/// once; of a file, those after the ones in it.
async fn numbers(
    args: &DispatchPackArgs,
    office: &Office,
    shipper: &Shipper,
    needed: usize,
) -> anyhow::Result<Vec<Sscc>> {
    let source = &args.office.source;
    if source.replay.is_some() {
        let mut numbers = CaseNumbers::after(shipper, office.all.book().case_numbers());
        return numbers.reserve(needed).context(
            "the SSCC prefix in the customers file leaves no more numbers: ask for another",
        );
    }
    let asker = Asker::connect(&source.ask).await?;
    let given = asker.bus.ask(&asker.site, dispatcher::NUMBERS, &needed);
    given.await.context(
        "nothing was packed: the dispatcher gives every case number once, so it must run and have read the log",
    )
}

/// Labels of cases and of pallets: a pallet's is a case's that counts everything on it.
fn write_labels(
    folder: &Path,
    office: &Office,
    order: &dispatch::Order,
    packed: &[OrderPacked],
) -> anyhow::Result<()> {
    let mut units: BTreeMap<Sscc, (&str, Vec<WheelId>)> = BTreeMap::new();
    for case in packed {
        let (_, wheels) = units.entry(case.case).or_insert(("case", Vec::new()));
        wheels.extend(&case.wheels);
        if let Some(pallet) = case.pallet {
            let (_, wheels) = units.entry(pallet).or_insert(("pallet", Vec::new()));
            wheels.extend(&case.wheels);
        }
    }
    std::fs::create_dir_all(folder)
        .with_context(|| format!("could not make the folder {}", folder.display()))?;
    for (number, (kind, wheels)) in units {
        let label = label(office, order, number, &wheels)?;
        let drawing = office.site.labels.templates.draw_label(&label, Dpi::D203)?;
        let path = folder.join(format!("{kind}-{number}.png"));
        std::fs::write(&path, drawing.bitmap().png()?)
            .with_context(|| format!("could not write {}", path.display()))?;
        println!("{}", path.display());
    }
    Ok(())
}

fn label(
    office: &Office,
    order: &dispatch::Order,
    number: Sscc,
    wheels: &[WheelId],
) -> anyhow::Result<Label> {
    let cheeses: Vec<_> = wheels
        .iter()
        .filter_map(|wheel| stock::of_wheel(office.all.floor(), *wheel, office.today()))
        .collect();
    let first = cheeses.first().context("it holds no wheel")?;
    let customers = &office.all.customers().customers;
    let customer = customers
        .iter()
        .find(|(id, _)| id.as_str().eq_ignore_ascii_case(&order.customer));
    let best_before = cheeses
        .iter()
        .map(|cheese| cheese.made.plus(cheese.recipe.best_before_days));
    let inside = cheeses.iter().map(|cheese| {
        let weight_g = Grams::new(cheese.weight_g)?;
        Ok(CaseWheel {
            wheel: cheese.wheel,
            batch: cheese.batch,
            weight_g,
        })
    });
    Ok(Label::Case(CaseLabel {
        case: number,
        order: Some(order.id),
        customer: customer.map(|(_, customer)| customer.name.clone()),
        wheels: inside.collect::<anyhow::Result<_>>()?,
        best_before: best_before.min(),
        product: office.site.labels.product(&first.recipe),
        dairy: office.site.dairy(),
    }))
}
