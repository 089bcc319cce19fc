//! Case numbers: given out here and nowhere else, and kept on the disk before they are given.

use std::path::{Path, PathBuf};

use bus::telling::Telling;
use dispatch::customers::Shipper;
use dispatch::pack::{CaseNumbers, MOST_AT_ONCE};
use facts::Sscc;

/// What the alert of damaged numbers is called.
pub(crate) const UNKNOWN: &str = "case-numbers-unknown";

/// How far numbers have been given.
pub(crate) struct Numbers {
    numbers: CaseNumbers,
    kept: PathBuf,
    /// What was kept cannot be read: nobody knows which numbers are taken.
    unknown: Option<String>,
}

impl Numbers {
    /// Goes on where the last run stopped. Where what was kept cannot be read, no number is
    /// given; the file stays in its place, or the next start would take it for never written.
    pub(crate) fn open(folder: &Path, shipper: &Shipper) -> Self {
        let kept = folder.join("case-numbers.json");
        let mut numbers = CaseNumbers::after(shipper, []);
        let read = match std::fs::read(&kept) {
            Ok(json) => serde_json::from_slice(&json)
                .map(Some)
                .map_err(|error| error.to_string()),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(error.to_string()),
        };
        let unknown = match read {
            Ok(before) => {
                let before: Option<CaseNumbers> = before;
                before.iter().for_each(|before| numbers.not_before(before));
                None
            }
            Err(why) => Some(format!(
                "no case number is given: {} cannot be read ({why}), and so nobody knows which were given. Restore it from the backup; or, if it is lost, see that every case packed is in the log and delete it. Then start the dispatcher again",
                kept.display()
            )),
        };
        Self {
            numbers,
            kept,
            unknown,
        }
    }

    /// That none can be given, for whoever has to mend it.
    pub(crate) fn unknown(&self) -> Option<Telling> {
        let why = self.unknown.clone()?;
        Some(Telling::alarm(UNKNOWN.to_owned(), why))
    }

    /// A number stands in the log.
    pub(crate) fn saw(&mut self, number: Sscc) {
        self.numbers.saw(number);
    }

    /// So many numbers that nobody else gets.
    ///
    /// # Errors
    /// A sentence for whoever packs; no number is given then.
    pub(crate) fn give(&mut self, count: usize) -> Result<Vec<Sscc>, String> {
        if let Some(why) = &self.unknown {
            return Err(why.clone());
        }
        if count > MOST_AT_ONCE {
            return Err(format!(
                "{count} case numbers at once: pack no more than {MOST_AT_ONCE} cases and pallets at a time"
            ));
        }
        let mut after = self.numbers.clone();
        let given = after.reserve(count).ok_or(
            "the SSCC prefix in the customers file leaves no more numbers: ask for another",
        )?;
        self.keep(&after).map_err(|error| {
            format!(
                "no case number is given, because {} cannot be written: {error}. Make room there",
                self.kept.display()
            )
        })?;
        self.numbers = after;
        Ok(given)
    }

    /// On the disk before anyone has a number.
    fn keep(&self, numbers: &CaseNumbers) -> anyhow::Result<()> {
        Ok(bus::write_whole(&self.kept, &serde_json::to_vec(numbers)?)?)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn shipper() -> Shipper {
        Shipper {
            address: Vec::new(),
            sscc_prefix: "0950600".to_owned(),
            wheels_per_case: 2,
            cases_per_pallet: 3,
        }
    }

    #[test]
    fn no_number_is_given_twice_whatever_happens_between() {
        let dir = tempfile::tempdir().unwrap();
        let mut given = std::collections::BTreeSet::new();
        for _ in 0..5 {
            // Killed without a word each time; nothing of it ever came to the log.
            let mut numbers = Numbers::open(dir.path(), &shipper());
            for count in [3, 1, 7] {
                for number in numbers.give(count).unwrap() {
                    assert!(given.insert(number), "{number} twice");
                }
            }
        }
        assert_eq!(given.len(), 55);
    }

    #[test]
    fn what_cannot_be_read_gives_no_numbers_until_it_is_mended() {
        let dir = tempfile::tempdir().unwrap();
        let file = dir.path().join("case-numbers.json");
        let given = Numbers::open(dir.path(), &shipper()).give(2).unwrap();
        let whole = std::fs::read(&file).unwrap();
        std::fs::write(&file, &whole[..whole.len() / 2]).unwrap();
        // However often it is started again.
        for _ in 0..2 {
            let mut numbers = Numbers::open(dir.path(), &shipper());
            let error = numbers.give(1).unwrap_err();
            assert!(error.contains("nobody knows which"), "{error}");
            assert_eq!(numbers.unknown().unwrap().text, error);
        }
        std::fs::write(&file, whole).unwrap();
        let mut numbers = Numbers::open(dir.path(), &shipper());
        assert_eq!(numbers.unknown(), None);
        assert!(!given.contains(&numbers.give(1).unwrap()[0]));
    }
}
