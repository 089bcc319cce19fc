//! The walking list on paper: A4, one person after the other, a box to tick at each stop.

use std::collections::BTreeMap;

use chart::paper::{Column, Paper};
use facts::{PersonId, RoomId};

use crate::{Plan, Stop};

const COLUMNS: [Column<'static>; 7] = [
    column("", 0.03, false),
    column("on", 0.18, false),
    column("do", 0.19, false),
    column("wheels", 0.08, true),
    column("min", 0.05, true),
    column("by", 0.09, false),
    column("why", 0.38, false),
];

const fn column(head: &'static str, share: f32, right: bool) -> Column<'static> {
    Column { head, share, right }
}

/// The first day's walking lists as a PDF file.
#[must_use]
pub fn walking_list_pdf(plan: &Plan, dairy: &str) -> Vec<u8> {
    let mut walks: BTreeMap<PersonId, Vec<&Stop>> = BTreeMap::new();
    for stop in plan.stops.iter().filter(|stop| stop.day == plan.from) {
        walks.entry(stop.person).or_default().push(stop);
    }
    let title = |person: PersonId| format!("{person}: walking list for {}", plan.from);
    let mut walks = walks.into_iter();
    let foot = format!("{dairy}. A plan advises: scan what you do.");
    let Some((person, stops)) = walks.next() else {
        let title = format!("Nothing is planned for {}", plan.from);
        return Paper::new(&title, &foot).finish();
    };
    let mut paper = Paper::new(&title(person), &foot);
    walk(&mut paper, plan, person, &stops);
    for (person, stops) in walks {
        paper.page_of(&title(person));
        walk(&mut paper, plan, person, &stops);
    }
    paper.finish()
}

fn walk(paper: &mut Paper, plan: &Plan, person: PersonId, stops: &[&Stop]) {
    let minutes: f64 = stops.iter().map(|stop| stop.minutes).sum();
    let wheels: usize = stops.iter().map(|stop| stop.wheels.len()).sum();
    paper.paragraph(&format!(
        "{} stops, {wheels} pieces of work on wheels, {minutes:.0} min",
        stops.len()
    ));
    for line in plan.lifting.iter().filter(|line| line.person == person) {
        paper.small(&line.words);
    }
    // Stops are in the order of the walk: a room's stand together.
    for stops in stops.chunk_by(|a, b| a.room == b.room) {
        let room = stops.first().and_then(|stop| stop.room);
        paper.heading(&room.map_or("Before the rooms".to_owned(), name));
        let mut rows: Vec<Vec<String>> = Vec::new();
        let mut before = None;
        for stop in stops {
            let on = place(stop);
            let again = before.as_ref() == Some(&on);
            rows.push(row(stop, if again { "" } else { &on }));
            before = Some(on);
        }
        paper.checklist(&COLUMNS, &rows);
    }
}

fn name(room: RoomId) -> String {
    format!("Room {room}")
}

/// Where in the room, and on what.
fn place(stop: &Stop) -> String {
    let position = stop.position.map(|position| position.to_string());
    let carrier = stop.carrier.map(|carrier| carrier.to_string());
    position
        .into_iter()
        .chain(carrier)
        .collect::<Vec<_>>()
        .join(" ")
}

/// `on`: where, unless the row before says so already.
fn row(stop: &Stop, on: &str) -> Vec<String> {
    let work = match stop.to {
        Some(to) => format!("{} to {to}", stop.kind.words()),
        None => stop.kind.words().to_owned(),
    };
    let wheels = match stop.wheels.len() {
        all if all == stop.of => all.to_string(),
        some => format!("{some} of {}", stop.of),
    };
    let late = if stop.due < stop.day { "LATE " } else { "" };
    vec![
        String::new(),
        on.to_owned(),
        work,
        wheels,
        format!("{:.0}", stop.minutes.max(1.0)),
        format!("{late}{}", stop.due.date().format("%-d %b")),
        stop.because.clone(),
    ]
}
