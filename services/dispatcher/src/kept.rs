//! Allocations kept for a restart: the latest, and the last of the day before, which today's
//! stays close to. They are no part of the log: where they are lost, today's allocation may
//! send equally good wheels elsewhere than yesterday's did.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::Context as _;
use bus::telling::Telling;
use dispatch::{Allocation, Yesterday};
use quantity::DairyDay;

/// What alerts about a file that does not read begin with.
pub(crate) const UNREADABLE: &str = "allocation-unreadable-";

/// The latest allocation, and what it is compared with.
pub(crate) struct Kept {
    latest_file: PathBuf,
    before_file: PathBuf,
    latest: Option<Allocation>,
    before: Arc<Yesterday>,
    unreadable: Vec<Telling>,
}

impl Kept {
    /// Reads what the last run kept. What does not read is put aside, and people hear of it.
    pub(crate) fn open(folder: &Path) -> Self {
        let mut kept = Self {
            latest_file: folder.join("today.json"),
            before_file: folder.join("yesterday.json"),
            latest: None,
            before: Arc::default(),
            unreadable: Vec::new(),
        };
        kept.latest = kept.read(&kept.latest_file.clone());
        if let Some(before) = kept.read(&kept.before_file.clone()) {
            kept.before = Arc::new(Yesterday::of(&before));
        }
        kept
    }

    fn read(&mut self, file: &Path) -> Option<Allocation> {
        let read = match std::fs::read(file) {
            Ok(json) => serde_json::from_slice(&json).map_err(|error| error.to_string()),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return None,
            Err(error) => Err(error.to_string()),
        };
        match read {
            Ok(allocation) => Some(allocation),
            Err(why) => {
                let name = file.file_stem().unwrap_or_default().to_string_lossy();
                let aside = put_aside(file);
                let text = format!(
                    "{} could not be read ({why}) and {aside}: today's allocation is made without it and may send other wheels, equally good, than yesterday's. Look over the lists that were picked from; nothing else has to be done",
                    file.display()
                );
                tracing::warn!("{text}");
                self.unreadable
                    .push(Telling::warning(format!("{UNREADABLE}{name}"), text));
                None
            }
        }
    }

    /// What was allocated when the day before ended.
    pub(crate) const fn before(&self) -> &Arc<Yesterday> {
        &self.before
    }

    /// What people have to hear of, until a day has gone by.
    pub(crate) fn unreadable(&self) -> &[Telling] {
        &self.unreadable
    }

    /// It is this day: what was allocated last on an earlier one is yesterday's from now on.
    pub(crate) fn reaches(&mut self, today: DairyDay) {
        let Some(ended) = self.latest.take_if(|latest| latest.today < today) else {
            return;
        };
        self.before = Arc::new(Yesterday::of(&ended));
        self.unreadable.clear();
        if let Err(error) = std::fs::rename(&self.latest_file, &self.before_file) {
            tracing::warn!(%error, file = %self.before_file.display(), "yesterday's allocation was not kept");
        }
    }

    /// Keeps the latest allocation, whole or not at all.
    pub(crate) fn keep(&mut self, allocation: &Allocation) {
        let written = serde_json::to_vec(allocation)
            .context("not writable as JSON")
            .and_then(|json| Ok(bus::write_whole(&self.latest_file, &json)?));
        if let Err(error) = written {
            tracing::warn!(%error, file = %self.latest_file.display(), "the allocation was not kept for a restart: make room there");
        }
        self.latest = Some(allocation.clone());
    }
}

/// Puts a file aside under a name that is free; says where it is now.
fn put_aside(file: &Path) -> String {
    let free = |n: &u32| {
        let aside = file.with_extension(format!("unreadable-{n}.json"));
        (!aside.exists()).then_some(aside)
    };
    let aside = (1..1_000).find_map(|n| free(&n));
    match aside.map(|aside| (std::fs::rename(file, &aside), aside)) {
        Some((Ok(()), aside)) => format!("was put aside as {}", aside.display()),
        _ => "could not be put aside".to_owned(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn day(text: &str) -> DairyDay {
        DairyDay::starting(text.parse().unwrap())
    }

    /// One wheel for one line.
    fn allocation(today: &str, wheel: &str) -> Allocation {
        let nothing = [0; 6];
        let json = serde_json::json!({
            "today": today, "until": "2026-05-01", "left": [], "kept": [],
            "objective": nothing, "bound": nothing,
            "size": { "wheels": 1, "lots": 1, "lines": 1, "arcs": 1, "steps": 1, "solutions": 1 },
            "lines": [{
                "key": { "arrive_on": "2026-03-20", "order": "O1", "line": 1 },
                "customer": "HARBOUR", "market": "NORTH", "recipe": "larkholm-blue",
                "grade": "A", "amount": { "wheels": 1 },
                "window": { "least": 58, "most": 84, "asked": false, "legal_least": null },
                "told": false, "short": 0, "certainty": 1.0, "shortage": null, "trouble": null,
                "assigned": [{
                    "source": { "batch": "311" }, "grade": "A", "graded": true, "class": 0,
                    "awaits": null, "count": 1, "wheels": [wheel], "grams": 4200,
                    "lane": "NORTH-ROAD", "leave_on": "2026-03-18", "arrive_on": "2026-03-19",
                    "age_days": 70, "ready": 1.0, "on_time": 1.0, "in_window": 1.0,
                    "locked": false, "because": "the oldest that fits",
                }],
            }],
        });
        serde_json::from_value(json).unwrap()
    }

    #[test]
    fn yesterdays_is_known_after_a_restart_on_the_day_and_on_the_next() {
        let dir = tempfile::tempdir().unwrap();
        let open = || Kept::open(dir.path());
        let is = |kept: &Kept, of: &Allocation| **kept.before() == Yesterday::of(of);
        let (monday, tuesday) = (
            allocation("2026-03-16", "311-01"),
            allocation("2026-03-17", "311-02"),
        );
        let mut kept = open();
        kept.reaches(monday.today);
        kept.keep(&monday);
        // Down over midnight, or not: the same.
        for mut kept in [kept, open()] {
            kept.reaches(tuesday.today);
            assert!(is(&kept, &monday));
        }
        let mut kept = open();
        kept.reaches(tuesday.today);
        kept.keep(&tuesday);
        let mut kept = open();
        kept.reaches(tuesday.today);
        assert!(is(&kept, &monday));
        let mut kept = open();
        kept.reaches(day("2026-03-18"));
        assert!(is(&kept, &tuesday));
        assert!(kept.unreadable().is_empty());
    }

    #[test]
    fn what_does_not_read_is_put_aside_and_people_hear_of_it_until_the_next_day() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("yesterday.json");
        for n in 1..3 {
            std::fs::write(&file, "{\"today\":").unwrap();
            let mut kept = Kept::open(dir.path());
            assert!(kept.before().is_empty());
            let aside = dir.path().join(format!("yesterday.unreadable-{n}.json"));
            assert!(aside.exists() && !file.exists());
            let told = kept.unreadable();
            assert_eq!(told.len(), 1);
            assert_eq!(told[0].alert, "allocation-unreadable-yesterday");
            assert!(
                told[0].text.contains(aside.to_str().unwrap()),
                "{}",
                told[0].text
            );
            kept.keep(&allocation("2026-03-16", "311-01"));
            kept.reaches(day("2026-03-17"));
            assert!(kept.unreadable().is_empty());
            std::fs::remove_file(&file).unwrap();
        }
    }

    #[test]
    fn a_crash_while_it_is_written_leaves_the_one_before() {
        let dir = tempfile::tempdir().unwrap();
        let monday = allocation("2026-03-16", "311-01");
        Kept::open(dir.path()).keep(&monday);
        std::fs::write(dir.path().join("today.new"), "{").unwrap();
        let mut kept = Kept::open(dir.path());
        kept.reaches(day("2026-03-17"));
        assert!(**kept.before() == Yesterday::of(&monday));
        assert!(kept.unreadable().is_empty());
    }
}
