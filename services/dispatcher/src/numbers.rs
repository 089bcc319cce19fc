//! Case numbers: given out here and nowhere else, and kept on the disk before they are given.

use std::path::{Path, PathBuf};

use anyhow::Context as _;
use dispatch::customers::Shipper;
use dispatch::pack::{CaseNumbers, MOST_AT_ONCE};
use facts::Sscc;

/// How far numbers have been given.
pub(crate) struct Numbers {
    numbers: CaseNumbers,
    kept: PathBuf,
}

impl Numbers {
    /// Goes on where the last run stopped.
    ///
    /// # Errors
    /// When what was kept cannot be read: then nobody knows which numbers are taken.
    pub(crate) fn open(folder: &Path, shipper: &Shipper) -> anyhow::Result<Self> {
        let kept = folder.join("case-numbers.json");
        let mut numbers = CaseNumbers::after(shipper, []);
        let damaged = || {
            format!(
                "{} cannot be read, and so nobody knows which case numbers were given. Restore it from the backup; or, if it is lost, see that every case packed is in the log, delete it and start again",
                kept.display()
            )
        };
        match std::fs::read(&kept) {
            Ok(json) => numbers.not_before(&serde_json::from_slice(&json).with_context(damaged)?),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {}
            Err(error) => return Err(error).with_context(damaged),
        }
        Ok(Self { numbers, kept })
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
            let mut numbers = Numbers::open(dir.path(), &shipper()).unwrap();
            for count in [3, 1, 7] {
                for number in numbers.give(count).unwrap() {
                    assert!(given.insert(number), "{number} twice");
                }
            }
        }
        assert_eq!(given.len(), 55);
    }

    #[test]
    fn what_cannot_be_read_gives_no_numbers() {
        let dir = tempfile::tempdir().unwrap();
        std::fs::write(dir.path().join("case-numbers.json"), "{").unwrap();
        let error = Numbers::open(dir.path(), &shipper()).err().unwrap();
        assert!(error.to_string().contains("nobody knows which"), "{error}");
    }
}
