//! Allocations kept for a restart: the latest, and the last of the day before, which today's
//! stays close to. They are no part of the log: where they are lost, today's allocation may
//! send equally good wheels elsewhere than yesterday's did.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use anyhow::Context as _;
use bus::kept::{self, KeptError};
use dispatch::{Allocation, Yesterday};
use quantity::DairyDay;
use serde::{Deserialize, Serialize};

/// Raised when an allocation is written otherwise than before; one of another number is done
/// without. The golden file below fails when the one changes without the other.
const FORM: u32 = 1;

/// The latest allocation.
const LATEST: &str = "today.json";

/// The last of the day before.
const BEFORE: &str = "yesterday.json";

/// What is done without a file that was damaged, for whoever hears of it.
pub(crate) const WITHOUT: &[(&str, &str)] = &[
    (LATEST, WITHOUT_ALLOCATION),
    (BEFORE, WITHOUT_ALLOCATION),
    (
        crate::TOLD,
        "What people were told was read back from the broker",
    ),
];

const WITHOUT_ALLOCATION: &str = "The day's allocation was made without it and may send other wheels, equally good, than the one before: look over the lists that were picked from";

/// An allocation as its file has it.
#[derive(Serialize, Deserialize)]
struct Written<A> {
    form: u32,
    allocation: A,
}

/// Of which form a file is; earlier ones did not say.
#[derive(Deserialize)]
struct OfForm {
    form: Option<u32>,
}

/// The latest allocation, and what it is compared with.
pub(crate) struct Kept {
    latest_file: PathBuf,
    before_file: PathBuf,
    latest: Option<Allocation>,
    before: Arc<Yesterday>,
}

impl Kept {
    /// Reads what the last run kept. What is damaged is put aside, and people hear of it.
    ///
    /// # Errors
    /// A damaged file that cannot be put aside.
    pub(crate) fn open(folder: &Path) -> Result<Self, KeptError> {
        let (latest_file, before_file) = (folder.join(LATEST), folder.join(BEFORE));
        let before = read(&before_file)?.as_ref().map(Yesterday::of);
        Ok(Self {
            latest: read(&latest_file)?,
            before: Arc::new(before.unwrap_or_default()),
            latest_file,
            before_file,
        })
    }

    /// What was allocated when the day before ended.
    pub(crate) const fn before(&self) -> &Arc<Yesterday> {
        &self.before
    }

    /// It is this day: what was allocated last on an earlier one is yesterday's from now on.
    pub(crate) fn reaches(&mut self, today: DairyDay) {
        let Some(ended) = self.latest.take_if(|latest| latest.today < today) else {
            return;
        };
        self.before = Arc::new(Yesterday::of(&ended));
        if let Err(error) = std::fs::rename(&self.latest_file, &self.before_file) {
            tracing::warn!(%error, file = %self.before_file.display(), "yesterday's allocation was not kept");
        }
    }

    /// Keeps the latest allocation, whole or not at all.
    pub(crate) fn keep(&mut self, allocation: &Allocation) {
        let form = FORM;
        let written = serde_json::to_vec(&Written { form, allocation })
            .context("not writable as JSON")
            .and_then(|json| Ok(bus::write_whole(&self.latest_file, &json)?));
        if let Err(error) = written {
            tracing::warn!(%error, file = %self.latest_file.display(), "the allocation was not kept for a restart: make room there");
        }
        self.latest = Some(allocation.clone());
    }
}

fn read(file: &Path) -> Result<Option<Allocation>, KeptError> {
    let read = kept::read(file, |json| {
        let wrong = |error: serde_json::Error| error.to_string();
        let of: OfForm = serde_json::from_slice(&json).map_err(wrong)?;
        if of.form != Some(FORM) {
            tracing::info!(file = %file.display(), "kept by another version: it is done without");
            return Ok(None);
        }
        let written: Written<Allocation> = serde_json::from_slice(&json).map_err(wrong)?;
        Ok(Some(written.allocation))
    });
    Ok(read?.flatten())
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
        let open = || Kept::open(dir.path()).unwrap();
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
    }

    #[test]
    fn what_is_damaged_is_put_aside_and_what_another_version_kept_is_not() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("yesterday.json");
        for damaged in ["{\"form\":1,\"allocation\":{}}", "{\"form\":"] {
            std::fs::write(&file, damaged).unwrap();
            assert!(Kept::open(dir.path()).unwrap().before().is_empty());
            assert!(!file.exists());
        }
        assert!(dir.path().join("yesterday.json.damaged-2").exists());
        for other in ["{\"form\":0}", "{\"today\":\"2026-03-16\"}"] {
            std::fs::write(&file, other).unwrap();
            assert!(Kept::open(dir.path()).unwrap().before().is_empty());
            assert!(file.exists());
        }
    }

    /// Every field filled, and every variant there is.
    #[test]
    fn the_form_of_this_number_is_the_one_that_is_written_down_for_it() {
        let name = format!("tests/kept-{FORM}.json");
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(&name);
        let golden = std::fs::read_to_string(path).expect("the golden file of this form");
        let read: Written<Allocation> = serde_json::from_str(&golden).unwrap();
        assert_eq!(read.form, FORM);
        let written = serde_json::to_string_pretty(&read).unwrap();
        assert!(
            written == golden.trim_end(),
            "an allocation is kept otherwise than form {FORM} says: raise FORM, and make {name} anew from:\n{written}"
        );
    }

    #[test]
    fn a_crash_while_it_is_written_leaves_the_one_before() {
        let dir = tempfile::tempdir().unwrap();
        let monday = allocation("2026-03-16", "311-01");
        Kept::open(dir.path()).unwrap().keep(&monday);
        std::fs::write(dir.path().join("today.new"), "{").unwrap();
        let mut kept = Kept::open(dir.path()).unwrap();
        kept.reaches(day("2026-03-17"));
        assert!(**kept.before() == Yesterday::of(&monday));
    }
}
