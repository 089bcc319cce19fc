//! From a floor with a past to its plan, its rooms and its roll-call.

use std::collections::BTreeMap;

use facts::{RoomId, WheelId};
use plan::rooms::{self, Room};
use plan::{Kind, Makes, Problem, Yesterday};
use quantity::DairyDay;
use recipe::Origin;
use ripening::Floor;

use crate::{given, past};

fn today() -> DairyDay {
    given::day(0)
}

fn every_day(_: i64, _: i64) -> bool {
    true
}

fn projected(floor: &Floor) -> plan::Projected {
    plan::project(floor, today(), 14, 0.5)
}

fn site_rooms(positions: u32) -> Vec<Room> {
    let rooms = ["R1", "R2", "R3", "R4"].map(|room| Room {
        id: RoomId::new(room).unwrap(),
        name: format!("Room {room}"),
        positions,
    });
    rooms.to_vec()
}

#[test]
fn every_wheel_is_turned_on_every_coming_dairy_day() {
    let floor = past::floor(today(), 60, 30, every_day);
    let mut turns: BTreeMap<(DairyDay, WheelId), usize> = BTreeMap::new();
    for task in projected(&floor).tasks {
        if task.kind == Kind::Turn {
            assert_eq!((task.earliest, task.latest), (task.due, task.due));
            for wheel in task.wheels {
                *turns.entry((task.due, wheel)).or_default() += 1;
            }
        }
    }
    assert_eq!(turns.len(), 60 * 30 * 14);
    assert!(turns.values().all(|n| *n == 1));
}

#[test]
fn work_has_the_recipes_window() {
    let floor = past::floor(today(), 30, 24, every_day);
    let tasks = projected(&floor).tasks;
    let of = |kind: Kind, batch: &str| {
        let mut found = tasks
            .iter()
            .filter(|t| t.kind == kind && t.batch.is_some_and(|b| b.as_str() == batch));
        let task = found.next().unwrap();
        let day = |d: DairyDay| d.days_since(today());
        (day(task.earliest), day(task.due), day(task.latest), task.to)
    };
    let room = |code: &str| Some(RoomId::new(code).unwrap());
    // Pierced at 34 to 42 days, best at 38; batch B30 is 30 days old.
    assert_eq!(of(Kind::Pierce, "B30"), (4, 8, 12, None));
    // Unhooped at 5 to 6 days; rubbed up and brought to the first room the same day.
    assert_eq!(of(Kind::Unhoop, "B03"), (2, 2, 3, room("R1")));
    // In R1 since the age of 5 days with too little rind to leave: 16 days at most.
    assert_eq!(of(Kind::MoveOn, "B10"), (11, 11, 11, room("R2")));
    // Looked at every 3 days from unhooping.
    assert_eq!(of(Kind::RindCheck, "B07"), (1, 1, 2, None));
}

#[test]
fn what_is_overdue_is_planned_for_today() {
    // Batch B20 stands untouched by the last two days' turning.
    let floor = past::floor(today(), 25, 24, |age, ago| age != 20 || ago > 2);
    let tasks = projected(&floor).tasks;
    let late: Vec<_> = tasks
        .iter()
        .filter(|t| t.kind == Kind::Turn && t.due < today())
        .collect();
    assert_eq!(
        late.len(),
        0,
        "a turn that was missed is gone: the next is today's"
    );
    let mine = tasks
        .iter()
        .filter(|t| t.kind == Kind::Turn && t.due == today())
        .find(|t| t.wheels.iter().any(|w| w.as_str().starts_with("B20")))
        .unwrap();
    assert!(mine.because.starts_with("last turned"), "{}", mine.because);
}

#[test]
fn a_large_floor_is_planned_without_losing_a_wheel() {
    let floor = past::floor(today(), 60, 48, every_day);
    let projected = projected(&floor);
    let problem = Problem {
        days: given::days(14),
        tasks: projected.tasks,
        waiting: projected.waiting,
        crew: given::crew(given::CREW),
        walk: site_rooms(1).iter().map(|room| room.id).collect(),
        rooms: Vec::new(),
    };
    let plan = plan::make(&problem, &Yesterday::default());
    let mut planned: BTreeMap<&str, usize> = BTreeMap::new();
    for stop in &plan.stops {
        *planned.entry(&stop.task).or_default() += stop.wheels.len();
    }
    for unmet in &plan.unmet {
        *planned.entry(&unmet.task).or_default() += unmet.wheels.len();
    }
    for task in problem.tasks.iter().filter(|t| t.latest <= plan.until) {
        assert_eq!(
            planned.get(task.id.as_str()),
            Some(&task.wheels.len()),
            "{}",
            task.id
        );
    }
    let again = plan::make(&problem, &Yesterday::of(&plan));
    assert_eq!(again.objective.broken, plan.objective.broken);
    assert!(again.objective.late <= plan.objective.late);
}

#[test]
fn the_roll_call_names_the_stillage_and_the_day_that_was_missed() {
    let floor = past::floor(today(), 25, 24, |age, ago| !(age == 20 && ago == 2));
    let call = plan::roll_call(&floor, 7);
    assert!(!call.last_day_counts, "it is five in the morning");
    let missed: Vec<_> = call.missed.iter().filter(|m| m.work == "turn").collect();
    assert_eq!(missed.len(), 1);
    assert_eq!(missed[0].carrier.unwrap().to_string(), "stillage S20-0");
    assert_eq!(missed[0].days, [given::day(-2)]);
    assert_eq!((missed[0].wheels.len(), missed[0].of), (24, 24));
    let today_only = plan::roll_call(&floor, 1);
    assert!(today_only.missed.iter().all(|m| m.work != "turn"));
}

#[test]
fn after_the_days_work_the_roll_call_counts_today_too() {
    let mut floor = past::floor(today(), 10, 24, every_day);
    floor.refresh(floor.practice().clock.at(today(), past::hour(13)));
    let call = plan::roll_call(&floor, 1);
    let wheels: usize = call
        .missed
        .iter()
        .filter(|m| m.work == "turn")
        .map(|m| m.wheels.len())
        .sum();
    assert_eq!(wheels, 10 * 24);
    let words = plan::shift_summary(&floor, "Larkholm Dairy");
    assert!(
        words.starts_with("Larkholm Dairy, Mon 2 Mar 2026: nothing was scanned. Missed: "),
        "{words}"
    );
    assert!(
        words.contains("Missed: turn, 240 wheels (on nothing known, stillage S06-0 in R1,"),
        "{words}"
    );
    assert!(
        words.contains("stillage S09-0 in R1 and 1 more)"),
        "{words}"
    );
}

#[test]
fn every_stillage_takes_one_position_in_one_room() {
    let floor = past::floor(today(), 60, 48, every_day);
    let forecast = plan::forecast(&floor, today(), 56, &site_rooms(200), &Makes::none(24));
    let taken = |day: usize| -> u32 { forecast.rooms.iter().map(|r| r.taken[day]).sum() };
    // Batches of 6 to 60 days stand in rooms, two stillages each; that of 5 days comes
    // out of its hoops today.
    assert_eq!(taken(0), 56 * 2);
    assert!(forecast.rooms.iter().all(|room| room.overflow.is_none()));
    // Unhooped by then and nothing gone yet: all 60 batches.
    assert_eq!(taken(6), 60 * 2);
    // The last leaves with its dispatch window, well after the eight weeks of the first.
    assert!(taken(55) < taken(6));
}

#[test]
fn planned_vats_fill_the_rooms_and_the_first_overflow_is_explained() {
    let floor = past::floor(today(), 20, 24, every_day);
    let text = "wheels_per_stillage = 24\n[[vat]]\nday = \"2026-03-03\"\nrecipe = \"larkholm-blue\"\nwheels = 48\nuntil = \"2026-04-20\"\non = [\"Mon\", \"Tue\", \"Wed\", \"Thu\", \"Fri\"]\n";
    let origin = Origin {
        file: "makes.toml",
        text,
    };
    let makes = Makes::parse(&origin, &floor.practice().recipes).unwrap();
    assert_eq!(makes.vats.len(), 35);
    let rooms = site_rooms(20);
    let without = plan::forecast(&floor, today(), 56, &rooms, &Makes::none(24));
    assert!(without.rooms[0].overflow.is_none());
    let with = plan::forecast(&floor, today(), 56, &rooms, &makes);
    let first = &with.rooms[0];
    let day = first.overflow.unwrap();
    let d = usize::try_from(day.days_since(today())).unwrap();
    assert!(first.taken[d] > 20 && first.taken[d - 1] <= 20);
    assert!(
        first.why.as_ref().unwrap().contains("of 20 positions on"),
        "{:?}",
        first.why
    );
}

#[test]
fn a_wrong_make_plan_is_pointed_at() {
    let floor = past::empty();
    let wrong = |text: &str| {
        let origin = Origin {
            file: "makes.toml",
            text,
        };
        Makes::parse(&origin, &floor.practice().recipes)
            .unwrap_err()
            .to_string()
    };
    let vat = "wheels_per_stillage = 24\n[[vat]]\nday = \"2026-03-03\"\nrecipe = \"brick\"\nwheels = 48\n";
    assert!(wrong(vat).starts_with("makes.toml:4:10: the site has no recipe brick"));
    let day = vat
        .replace("brick", "larkholm-blue")
        .replace("03-03", "13-03");
    assert!(wrong(&day).contains("is no day"));
}

#[test]
fn the_fullest_stillage_says_how_many_fit() {
    assert_eq!(
        rooms::fullest_stillage(&past::floor(today(), 10, 30, every_day)),
        24
    );
    assert_eq!(rooms::fullest_stillage(&past::empty()), 1);
}

#[test]
fn the_walking_list_prints_a_page_for_everyone_who_works() {
    let floor = past::floor(today(), 40, 24, every_day);
    let problem = Problem {
        days: given::days(3),
        tasks: projected(&floor).tasks,
        waiting: Vec::new(),
        crew: given::crew(given::CREW),
        walk: Vec::new(),
        rooms: Vec::new(),
    };
    let plan = plan::make(&problem, &Yesterday::default());
    let pdf = plan::walking_list_pdf(&plan, "Käserei Larkholm (demo)");
    assert!(pdf.starts_with(b"%PDF-"));
    let holds = |text: &[u8]| pdf.windows(text.len()).any(|part| part == text);
    for person in ["03", "05", "04"] {
        assert!(holds(
            format!("({person}: walking list for Mon 2 Mar 2026)").as_bytes()
        ));
    }
    assert!(!holds(b"(06: walking"), "06 does not work on Mondays");
}

#[test]
fn the_demos_make_plan_is_right() {
    let origin = Origin {
        file: "makes.toml",
        text: include_str!("../../../../deploy/demo/makes.toml"),
    };
    let makes = Makes::parse(&origin, &past::empty().practice().recipes).unwrap();
    assert_eq!(makes.vats.len(), 11 * 5);
}
