//! The live picture of the floor in the terminal.

use std::io::{IsTerminal as _, Write as _};
use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use quantity::DairyDay;
use ripening::answer::FloorPicture;
use site::Site;

use crate::cli::DemoArgs;
use crate::demo::webhook::{Heard, Sink};
use crate::running::Asker;
use crate::show;

/// How often the picture is drawn again.
const EVERY: Duration = Duration::from_millis(250);

/// Clears the screen and goes home (ECMA-48 ED and CUP).
const CLEAR: &str = "\x1b[2J\x1b[H";

/// Draws the floor while it runs.
pub struct Picture {
    name: String,
    clock: quantity::DairyClock,
    data: String,
    live: bool,
    quiet: bool,
    sink: Sink,
    drawn_at: Option<Instant>,
    began: Instant,
    facts_at_start: Option<u64>,
}

impl Picture {
    /// A picture that nobody has drawn yet.
    pub fn new(args: &DemoArgs, site: &Site, sink: Sink) -> Self {
        Self {
            name: site.name.clone(),
            clock: site.clock,
            data: args.data.display().to_string(),
            live: std::io::stdout().is_terminal() && !args.once,
            quiet: args.json,
            sink,
            drawn_at: None,
            began: monotonic(),
            facts_at_start: None,
        }
    }

    /// What the chat has heard.
    pub fn heard(&self) -> Heard {
        self.sink.heard()
    }

    /// Draws the floor, if it is time to.
    pub async fn show(&mut self, asker: &Asker, scans: u64, now: DateTime<Utc>) {
        if !self.live || self.drawn_at.is_some_and(|at| at.elapsed() < EVERY) {
            return;
        }
        self.drawn_at = Some(monotonic());
        let Some(floor) = ask(asker).await else {
            return;
        };
        let rate = self.rate(&floor);
        let heard = self.sink.heard();
        let mut text = format!(
            "{CLEAR}{} (invented), {}   {scans} scans, {rate:.0} facts/s\n\n{}\nIn the chat\n",
            self.name,
            DairyDay::starting(self.clock.day_of(now).date()),
            show::floor_text(&floor)
        );
        if heard.latest.is_empty() {
            text.push_str("  nothing yet\n");
        }
        for message in &heard.latest {
            text.push_str(&format!("  {message}\n"));
        }
        text.push_str(&format!(
            "\nAsk more in another terminal: wheelward due --data {}   Ctrl-C stops.\n",
            self.data
        ));
        print!("{text}");
        let _ = std::io::stdout().flush();
    }

    /// Says one line when a day is over, where no picture is drawn.
    pub async fn day_over(&mut self, asker: &Asker, scans: u64, now: DateTime<Utc>) {
        if self.live || self.quiet {
            return;
        }
        let Some(floor) = ask(asker).await else {
            return;
        };
        let late = |f: fn(&ripening::answer::PlaceLine) -> usize| -> usize {
            floor.places.iter().map(f).sum()
        };
        println!(
            "{}: {} wheels, {} due, {} overdue, {} missed, {} alerts standing, {scans} scans, {:.0} facts/s",
            self.clock.day_of(now),
            floor.on_floor,
            late(|p| p.due),
            late(|p| p.overdue),
            late(|p| p.missed),
            floor.alerts.len(),
            self.rate(&floor)
        );
    }

    /// Leaves the picture on the screen.
    pub fn stop(&mut self) {
        self.live = false;
    }

    fn rate(&mut self, floor: &FloorPicture) -> f64 {
        let facts = floor.counts.facts;
        let first = *self.facts_at_start.get_or_insert(facts);
        (facts - first.min(facts)) as f64 / self.began.elapsed().as_secs_f64().max(0.001)
    }
}

async fn ask(asker: &Asker) -> Option<FloorPicture> {
    asker.bus.ask(&asker.site, "floor", &()).await.ok()
}

#[allow(clippy::disallowed_methods)] // paces a picture, in a shell
fn monotonic() -> Instant {
    Instant::now()
}
