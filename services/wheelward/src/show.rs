//! Shows answers: tables for people, JSON for machines.

use chrono::{DateTime, Utc};
use facts::RoomId;
use ripening::Level;
use ripening::answer::{BatchPicture, Due, FloorPicture, LifeLine, WheelLife, WheelRow};
use serde::Serialize;

use crate::table::Table;

/// How many wheels a line names before it only counts them.
const NAMED: usize = 3;

/// How many alerts the floor's picture shows.
const ALERTS: usize = 8;

/// What is due; `room`: only there.
pub fn due(due: &Due, room: Option<RoomId>, json: bool) -> anyhow::Result<()> {
    if json {
        return print_json(due);
    }
    println!("Due at {}", due.now_local);
    if due.lines.is_empty() {
        match room {
            Some(room) => println!("Nothing in {room}: every wheel there has what it needs."),
            None => println!("Nothing: every wheel has what it needs for now."),
        }
        return Ok(());
    }
    let mut table = Table::new(&["", "do", "where", "wheels", "by", "because"]);
    for line in &due.lines {
        let room = line.room.map(|room| room.to_string());
        let carrier = line.carrier.map(|carrier| carrier.to_string());
        let place: Vec<String> = room.into_iter().chain(carrier).collect();
        let state = if line.blocked {
            "waits".to_owned()
        } else {
            line.urgency.to_string()
        };
        table.row([
            state,
            line.action.clone(),
            place.join(" "),
            some(&line.wheels),
            line.due_local.clone(),
            line.because.clone(),
        ]);
    }
    table.print();
    Ok(())
}

/// A wheel's life.
pub fn wheel(life: &WheelLife, json: bool) -> anyhow::Result<()> {
    if json {
        return print_json(life);
    }
    let row = &life.wheel;
    let mut facts = vec![format!("Wheel {}", row.wheel)];
    facts.extend(row.batch.map(|batch| format!("batch {batch}")));
    facts.extend(life.recipe.clone());
    facts.extend(life.age_days.map(|days| format!("{days} days old")));
    facts.extend(row.room.map(|room| format!("in {room}")));
    facts.extend(row.carrier.map(|carrier| carrier.to_string()));
    facts.extend(
        row.weight_g
            .map(|g| format!("{}.{:03} kg", g / 1000, g % 1000)),
    );
    facts.extend(row.grade.map(|grade| format!("grade {grade}")));
    facts.extend(row.dispatched.then(|| "dispatched".to_owned()));
    facts.extend(row.discarded.then(|| "discarded".to_owned()));
    println!("{}", facts.join(", "));
    for hold in &row.holds {
        println!("HELD by {hold}: it must not leave until a named person releases it.");
    }
    for flag in &row.flags {
        println!("LOOK: {} (fact {})", flag.kind.words(), flag.fact);
    }
    if life.next.is_empty() {
        println!("\nNeeds nothing.");
    } else {
        println!("\nNeeds next");
        let mut table = Table::new(&["", "do", "by", "because"]);
        for line in &life.next {
            let state = if line.blocked {
                "waits".to_owned()
            } else {
                line.urgency.to_string()
            };
            table.row([
                state,
                line.action.clone(),
                line.due_local.clone(),
                line.because.clone(),
            ]);
        }
        table.print();
    }
    println!("\nIts life");
    life_table(&life.life);
    Ok(())
}

/// A batch.
pub fn batch(batch: &BatchPicture, json: bool) -> anyhow::Result<()> {
    if json {
        return print_json(batch);
    }
    let recipe = batch
        .recipe
        .clone()
        .unwrap_or_else(|| "recipe unknown".to_owned());
    println!(
        "Batch {}, {recipe}, {} wheels",
        batch.batch,
        batch.wheels.len()
    );
    let ready = match batch.ready {
        Some(at) => format!("ready since {}", short(at)),
        None => "not ready".to_owned(),
    };
    println!("{ready}; its cores are drawn from {}", some(&batch.to_iron));
    if !batch.record.is_empty() {
        println!("\nMake record");
        life_table(&batch.record);
    }
    if batch.wheels.is_empty() {
        println!("\nNo wheel has been portioned from it yet.");
        return Ok(());
    }
    println!("\nWheels");
    census(&batch.wheels, false)
}

/// Every wheel.
pub fn census(wheels: &[WheelRow], json: bool) -> anyhow::Result<()> {
    if json {
        return print_json(&wheels);
    }
    if wheels.is_empty() {
        println!("No wheel has been portioned yet.");
        return Ok(());
    }
    let head = [
        "wheel", "made", "where", "turned", "weight", "rind", "blue", "grade", "state",
    ];
    let mut table = Table::new(&head);
    for row in wheels {
        let room = row.room.map(|room| room.to_string());
        let place: Vec<String> = room
            .into_iter()
            .chain(row.carrier.map(|carrier| carrier.to_string()))
            .collect();
        let percent = |value: Option<f64>| value.map_or(String::new(), |p| format!("{p:.0} %"));
        let states = [
            (!row.holds.is_empty(), "HELD"),
            (!row.flags.is_empty(), "LOOK"),
            (row.discarded, "discarded"),
            (row.dispatched, "dispatched"),
            (row.pierced && !row.dispatched, "pierced"),
        ];
        let state: Vec<&str> = states
            .iter()
            .filter(|(is, _)| *is)
            .map(|(_, word)| *word)
            .collect();
        table.row([
            row.wheel.to_string(),
            row.made.map_or(String::new(), |day| day.date().to_string()),
            place.join(" "),
            format!("{} on {} days", row.turns, row.turn_days),
            row.weight_g.map_or(String::new(), |g| {
                format!("{}.{:03} kg", g / 1000, g % 1000)
            }),
            percent(row.rind_cover_pct),
            percent(row.blue_coverage_pct),
            row.grade.map_or(String::new(), |grade| grade.to_string()),
            state.join(" "),
        ]);
    }
    table.print();
    Ok(())
}

/// The floor at a glance.
pub fn floor(floor: &FloorPicture, json: bool) -> anyhow::Result<()> {
    if json {
        return print_json(floor);
    }
    print!("{}", floor_text(floor));
    Ok(())
}

/// The floor at a glance, as text.
pub fn floor_text(floor: &FloorPicture) -> String {
    let mut text = format!(
        "{}  {} wheels on the floor ({} held), {} dispatched, {} discarded\n\n",
        floor.now_local, floor.on_floor, floor.held, floor.dispatched, floor.discarded
    );
    if floor.never_portioned > 0 {
        let strays: Vec<_> = floor.strays.iter().map(ToString::to_string).collect();
        text.push_str(&format!(
            "{} scanned but never portioned here, counted nowhere: {}\n\n",
            floor.never_portioned,
            strays.join(", ")
        ));
    }
    let mut table = Table::new(&["place", "wheels", "on", "due", "OVERDUE", "MISSED", "air"]);
    for place in &floor.places {
        let name = match place.room {
            Some(room) if place.name != room.as_str() => format!("{room} {}", place.name),
            _ => place.name.clone(),
        };
        let air = [
            place.temperature_c.map(|t| format!("{t:.1} °C")),
            place.humidity_pct.map(|h| format!("{h:.0} %")),
        ];
        table.row([
            name,
            place.wheels.to_string(),
            place.carriers.to_string(),
            count(place.due),
            count(place.overdue),
            count(place.missed),
            air.into_iter().flatten().collect::<Vec<_>>().join(" "),
        ]);
    }
    text.push_str(&table.text());
    if !floor.actions.is_empty() {
        let mut table = Table::new(&["wheels need", "due", "OVERDUE", "MISSED"]);
        for line in &floor.actions {
            table.row([
                line.action.clone(),
                count(line.due),
                count(line.overdue),
                count(line.missed),
            ]);
        }
        text.push('\n');
        text.push_str(&table.text());
    }
    text.push('\n');
    if floor.alerts.is_empty() {
        text.push_str("No alerts.\n");
    }
    for alert in floor.alerts.iter().take(ALERTS) {
        let mark = match alert.level {
            Level::Escalated => "!!",
            Level::Raised => "! ",
        };
        let wheels = match alert.wheels {
            0 => String::new(),
            1 => "1 wheel ".to_owned(),
            n => format!("{n} wheels "),
        };
        text.push_str(&format!(
            "{mark} {}: {wheels}{}\n",
            alert.subject, alert.words
        ));
    }
    if floor.alerts.len() > ALERTS {
        text.push_str(&format!("   and {} more\n", floor.alerts.len() - ALERTS));
    }
    let counts = floor.counts;
    text.push_str(&format!(
        "\n{} facts, {} of them sent twice; {} unreadable, {} of unknown type, {} never arrived\n",
        counts.facts + counts.duplicates,
        counts.duplicates,
        counts.unreadable,
        counts.unknown_types,
        floor.missing_facts
    ));
    text
}

fn life_table(lines: &[LifeLine]) {
    let mut table = Table::new(&["when", "what", "station", "who", ""]);
    for line in lines {
        let voided = line.voided.as_ref().map(|why| format!("VOID: {why}"));
        let flags = line.flags.iter().map(|flag| format!("LOOK: {flag}"));
        table.row([
            line.at_local.clone(),
            line.words.clone(),
            line.station.to_string(),
            line.person
                .map_or(String::new(), |person| person.to_string()),
            voided
                .into_iter()
                .chain(line.said.clone())
                .chain(flags)
                .collect::<Vec<_>>()
                .join("; "),
        ]);
    }
    table.print();
}

pub fn some<T: std::fmt::Display>(things: &[T]) -> String {
    let named = things
        .iter()
        .take(NAMED)
        .map(ToString::to_string)
        .collect::<Vec<_>>()
        .join(" ");
    if things.len() > NAMED {
        format!("{} ({named} ...)", things.len())
    } else {
        format!("{} ({named})", things.len())
    }
}

fn count(n: usize) -> String {
    if n == 0 { String::new() } else { n.to_string() }
}

fn short(at: DateTime<Utc>) -> String {
    at.format("%Y-%m-%d").to_string()
}

pub fn print_json(value: &impl Serialize) -> anyhow::Result<()> {
    println!("{}", serde_json::to_string_pretty(value)?);
    Ok(())
}

/// `1 wheel`, `24 wheels`
pub fn wheels(count: usize) -> String {
    format!("{count} wheel{}", if count == 1 { "" } else { "s" })
}
