//! Compares the running floor with the simulation's own ledger, wheel by wheel.
//!
//! The ledger shares no code with the floor: it knows what the simulated people truly did.

use std::collections::BTreeMap;
use std::time::{Duration, Instant};

use floor_sim::{Dairy, WheelState};
use ripening::answer::{FloorPicture, WheelRow};
use serde::Serialize;
use site::Site;

use crate::demo::drive::Driver;
use crate::demo::picture::Picture;
use crate::running::Asker;
use crate::table::Table;

/// How long the last facts may take to be folded, and the last labels to be printed.
const SETTLES_WITHIN: Duration = Duration::from_secs(60);

/// The end of a demo in figures.
#[derive(Debug, Serialize)]
pub struct Summary {
    /// The dairy day that ended.
    day: String,
    /// Counts as the floor and as the ledger have them.
    counts: BTreeMap<&'static str, (u64, u64)>,
    /// Wheels whose state differs, with how, at most a few.
    differing: Vec<String>,
    /// How many wheels were compared.
    compared: usize,
    /// Scans made live.
    scans: u64,
    /// Answers that the simulated people did not expect.
    surprises: Vec<String>,
    /// Scan to answer, in milliseconds: half within the first, 99 % within the second.
    answer_ms: (f64, f64),
    /// Messages in the chat by step.
    chat: BTreeMap<String, usize>,
    /// Messages in the chat sent twice.
    chat_repeated: usize,
    /// Facts folded, duplicates, unreadable, unknown.
    facts: ripening::Counts,
    /// Room sensors' messages that could not be read and were kept.
    unreadable_air: usize,
    /// Facts that stations numbered and that never arrived.
    missing_facts: u64,
}

impl Summary {
    /// Whether the floor is as the ledger says.
    pub fn agrees(&self) -> bool {
        self.differing.is_empty()
            && self.surprises.is_empty()
            && self.missing_facts == 0
            && self.chat_repeated == 0
            // A sensor said nonsense while it started: somebody must be able to find it.
            && self.unreadable_air > 0
            && self.counts.values().all(|(floor, ledger)| floor == ledger)
    }

    /// Shows the summary.
    pub fn show(&self, json: bool) -> anyhow::Result<()> {
        if json {
            println!("{}", serde_json::to_string_pretty(self)?);
            return Ok(());
        }
        println!("\nAt the end of {}", self.day);
        let mut table = Table::new(&["", "the floor", "the simulation's ledger"]);
        for (what, (floor, ledger)) in &self.counts {
            let mark = if floor == ledger { "" } else { "  DIFFERS" };
            table.row([
                (*what).to_owned(),
                floor.to_string(),
                format!("{ledger}{mark}"),
            ]);
        }
        table.print();
        println!(
            "{} wheels compared one by one, {} differ",
            self.compared,
            self.differing.len()
        );
        for wheel in self.differing.iter().take(10) {
            println!("  {wheel}");
        }
        println!(
            "{} live scans, answered in {:.1} ms (half of them), {:.1} ms (99 of 100); {} unexpected answers",
            self.scans,
            self.answer_ms.0,
            self.answer_ms.1,
            self.surprises.len()
        );
        for surprise in self.surprises.iter().take(10) {
            println!("  {surprise}");
        }
        let chat: Vec<_> = self
            .chat
            .iter()
            .map(|(step, n)| format!("{n} {step}"))
            .collect();
        println!(
            "chat messages: {}; {} sent twice",
            chat.join(", "),
            self.chat_repeated
        );
        println!(
            "{} facts folded, {} never arrived, {} unreadable; {} messages of sensors that start, kept in climate-reader/{}",
            self.facts.facts,
            self.missing_facts,
            self.facts.unreadable,
            self.unreadable_air,
            climate_reader::REJECTED
        );
        Ok(())
    }
}

/// Compares, once everything that was scanned has been folded.
pub async fn against_ledger(
    asker: &Asker,
    site: &Site,
    dairy: &Dairy,
    driver: &Driver,
    picture: &Picture,
) -> anyhow::Result<Summary> {
    let began = monotonic();
    loop {
        let summary = compare(asker, site, dairy, driver, picture).await?;
        if summary.agrees() || began.elapsed() > SETTLES_WITHIN {
            return Ok(summary);
        }
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
}

async fn compare(
    asker: &Asker,
    site: &Site,
    dairy: &Dairy,
    driver: &Driver,
    picture: &Picture,
) -> anyhow::Result<Summary> {
    let rows = asker.census().await?;
    let floor: FloorPicture = asker.bus.ask(&asker.site, "floor", &()).await?;
    let ledger = dairy.ledger();
    let truth = ledger.known_at(floor.now);
    let by_id: BTreeMap<&str, &WheelRow> =
        rows.iter().map(|row| (row.wheel.as_str(), row)).collect();
    let differing = truth
        .iter()
        .filter_map(|state| match by_id.get(state.id.as_str()) {
            None => Some(format!("{} is unknown to the floor", state.id)),
            Some(row) => difference(row, state).map(|how| format!("{}: {how}", state.id)),
        })
        .collect();
    let mut counts = BTreeMap::new();
    let mut count = |what, row: &dyn Fn(&WheelRow) -> u64, state: &dyn Fn(&WheelState) -> u64| {
        // Wheels that were never portioned here are misread labels; the ledger lists them apart.
        let known = rows.iter().filter(|r| r.made.is_some());
        counts.insert(what, (known.map(row).sum(), truth.iter().map(state).sum()));
    };
    count("wheels made", &|_| 1, &|_| 1);
    count("turns", &|r| u64::from(r.turns), &|s| s.turns as u64);
    count(
        "wheel-days with a turn",
        &|r| u64::from(r.turn_days),
        &|s| s.turn_days.len() as u64,
    );
    count("unhooped", &|r| u64::from(r.unhooped), &|s| {
        u64::from(s.unhooped)
    });
    count("rubbed up", &|r| u64::from(r.rubbed_up), &|s| {
        u64::from(s.rubbed_up)
    });
    count("pierced", &|r| u64::from(r.pierced), &|s| {
        u64::from(s.pierced.is_some())
    });
    count("graded", &|r| u64::from(r.grade.is_some()), &|s| {
        u64::from(s.grade.is_some())
    });
    count("held", &|r| u64::from(!r.holds.is_empty()), &|s| {
        u64::from(!s.holds.is_empty())
    });
    count("dispatched", &|r| u64::from(r.dispatched), &|s| {
        u64::from(s.dispatched)
    });
    count("returned", &|r| u64::from(r.returned), &|s| {
        u64::from(s.returned)
    });
    count("discarded", &|r| u64::from(r.discarded), &|s| {
        u64::from(s.discarded)
    });
    count(
        "grams of wheels",
        &|r| u64::from(r.weight_g.unwrap_or(0)),
        &|s| u64::from(s.weight_g),
    );
    let heard = picture.heard();
    let (half, most) = driver.answer_times();
    let ms = |time: Duration| time.as_secs_f64() * 1_000.0;
    Ok(Summary {
        day: site.clock.day_of(floor.now).to_string(),
        counts,
        differing,
        compared: truth.len(),
        scans: driver.scans(),
        surprises: driver.surprises().to_vec(),
        answer_ms: (ms(half), ms(most)),
        chat: heard.steps,
        chat_repeated: heard.repeated,
        facts: floor.counts,
        unreadable_air: driver.unreadable_air(),
        missing_facts: floor.missing_facts,
    })
}

/// How a wheel on the floor differs from what truly happened to it.
fn difference(row: &WheelRow, state: &WheelState) -> Option<String> {
    let room = row.room.map(|room| room.to_string());
    let carrier = match row.carrier {
        Some(facts::Carrier::Stillage(id)) => Some(id.to_string()),
        _ => None,
    };
    let on_stillage = state.stillage.clone().filter(|_| state.in_house());
    let pairs = [
        (
            "room",
            format!("{room:?}"),
            format!(
                "{:?}",
                state.room.filter(|_| state.in_house()).map(str::to_owned)
            ),
        ),
        (
            "stillage",
            format!("{:?}", carrier.filter(|_| state.in_house())),
            format!("{on_stillage:?}"),
        ),
        ("turns", row.turns.to_string(), state.turns.to_string()),
        (
            "turn days",
            row.turn_days.to_string(),
            state.turn_days.len().to_string(),
        ),
        (
            "weight",
            format!("{:?}", row.weight_g),
            format!("{:?}", Some(state.weight_g)),
        ),
        (
            "pierced",
            row.pierced.to_string(),
            state.pierced.is_some().to_string(),
        ),
        (
            "rubbed up",
            row.rubbed_up.to_string(),
            state.rubbed_up.to_string(),
        ),
        (
            "held",
            row.holds.len().to_string(),
            state.holds.len().to_string(),
        ),
        (
            "dispatched",
            row.dispatched.to_string(),
            state.dispatched.to_string(),
        ),
        (
            "discarded",
            row.discarded.to_string(),
            state.discarded.to_string(),
        ),
    ];
    let room_matters = state.in_house();
    let differing: Vec<_> = pairs
        .into_iter()
        .filter(|(what, floor, ledger)| floor != ledger && (*what != "room" || room_matters))
        .map(|(what, floor, ledger)| format!("{what} {floor}, truly {ledger}"))
        .collect();
    (!differing.is_empty()).then(|| differing.join("; "))
}

#[allow(clippy::disallowed_methods)] // bounds a wait, in a shell
fn monotonic() -> Instant {
    Instant::now()
}
