//! Measures a fortnight's plan for a large floor:
//! `cargo run --release -p plan --example fortnight [wheels] [crews] [export]`, where a
//! crew is the demo's four people and their machine.
#![allow(clippy::unwrap_used, clippy::disallowed_methods)] // a stopwatch, not a product

use std::time::Instant;

use facts::RoomId;
use plan::{Crew, Problem, Space, Yesterday};
use quantity::DairyDay;
use recipe::Origin;

#[path = "../tests/plan/past.rs"]
mod past;

const CREW: &str = include_str!("../../../deploy/demo/crew.toml");
const AGES: i64 = 80;

fn main() {
    let mut args = std::env::args().skip(1);
    let wheels: usize = args.next().map_or(20_000, |n| n.parse().unwrap());
    let crews: usize = args.next().map_or(5, |n| n.parse().unwrap());
    let export_to = args.next();
    let today = DairyDay::starting("2026-03-13".parse().unwrap());
    let floor = past::floor(today, AGES, wheels / AGES as usize, |_, ago| ago < 3);
    let origin = Origin {
        file: "crew",
        text: CREW,
    };
    let mut crew = Crew::parse(&origin).unwrap();
    let four = crew.people.clone();
    crew.people.clear();
    for n in 0..crews {
        for person in &four {
            let mut person = person.clone();
            person.badge = format!("{}-{n}", person.badge).parse().unwrap();
            crew.people.push(person);
        }
    }
    for machine in &mut crew.machines {
        machine.minutes = (machine.minutes * crews as i64).min(1_440);
    }

    let started = Instant::now();
    let projected = plan::project(&floor, today, 14, crew.weight_loss_pct_per_week);
    let projecting = started.elapsed();
    let problem = Problem {
        days: (0..14).map(|d| today.plus(d)).collect(),
        tasks: projected.tasks,
        waiting: projected.waiting,
        crew,
        walk: ["R0", "R1", "R2", "R3", "R4"]
            .map(|r| RoomId::new(r).unwrap())
            .to_vec(),
        rooms: vec![Space {
            room: RoomId::new("R2").unwrap(),
            fits: wheels as i64,
            taken: 0,
        }],
    };
    let started = Instant::now();
    let (plan, export) = plan::make_with(&problem, &Yesterday::default());
    let making = started.elapsed();
    if let Some(path) = export_to {
        std::fs::write(path, serde_json::to_vec(&export).unwrap()).unwrap();
    }
    let started = Instant::now();
    let again = plan::make(&problem, &Yesterday::of(&plan));
    let remaking = started.elapsed();
    let pieces: usize = problem.tasks.iter().map(|t| t.wheels.len()).sum();
    println!(
        "{wheels} wheels, {} tasks of {pieces} wheels in all, {} people; a network of {} nodes and {} arcs",
        problem.tasks.len(),
        problem.crew.people.len(),
        export.nodes,
        export.arcs.len()
    );
    println!("projecting {projecting:.0?}, planning {making:.0?}, again after it {remaking:.0?}");
    println!(
        "plan  {:?}\nbound {:?}\nagain {:?}",
        plan.objective, plan.bound, again.objective
    );
    println!(
        "{} stops, {} postponed, {} unmet",
        plan.stops.len(),
        plan.postponed.len(),
        plan.unmet.len()
    );
    for fix in &plan.fixes {
        println!("  {}: saves {}", fix.words, fix.saves);
    }
}
