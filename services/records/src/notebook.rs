//! The diary, and the facts that it is read from again at the next start.

use chrono::{DateTime, TimeDelta, Utc};
use facts::Fact;
use facts::wire::{self, Read};
use holds::Rights;
use projection::Records as _;
use safety::Diary;

use crate::checks;
use crate::disk::Disk;
use crate::error::RecordsError;

/// Facts that stay in the diary.
const STAYS: u8 = b'd';
/// Readings and handling, which are forgotten.
const ROUTINE: u8 = b'r';

/// Forgetting looks through the whole diary.
const TIDIED_EVERY: TimeDelta = TimeDelta::days(1);

/// The diary of a site, kept on a disk.
#[derive(Debug)]
pub(crate) struct Notebook {
    diary: Diary,
    /// Until when routine has been forgotten.
    tidied: Option<DateTime<Utc>>,
}

impl Notebook {
    /// The diary as it was stored.
    ///
    /// # Errors
    /// [`RecordsError::Store`].
    pub(crate) fn open(rights: Rights, disk: &Disk) -> Result<Self, RecordsError> {
        let mut diary = Diary::under(rights);
        for of in [STAYS, ROUTINE] {
            disk.store().each(&[of, b'/'], |_, line: String| {
                match wire::from_line(&line) {
                    Ok(Read::Fact(fact)) => diary.apply(&fact),
                    Ok(Read::UnknownType(_)) => {}
                    Err(error) => return Err(error.to_string()),
                }
                Ok(())
            })?;
        }
        Ok(Self {
            diary,
            tidied: None,
        })
    }

    pub(crate) const fn diary(&self) -> &Diary {
        &self.diary
    }

    /// Takes a fact in, if it speaks of safety.
    ///
    /// # Errors
    /// [`RecordsError::Store`].
    pub(crate) fn write(&mut self, fact: &Fact, disk: &Disk) -> Result<(), RecordsError> {
        if !Diary::takes(&fact.event) {
            return Ok(());
        }
        self.diary.apply(fact);
        let of = if Diary::is_routine(&fact.event) {
            ROUTINE
        } else {
            STAYS
        };
        // A fact that came from the log can be written as it came.
        if let Ok(line) = wire::to_line(fact) {
            let mut key = start(of, fact.occurred_at);
            key.extend(fact.id.uuid().as_bytes());
            disk.keep(&key, &line)?;
        }
        Ok(())
    }

    /// Forgets what no look at that time or later needs.
    ///
    /// # Errors
    /// [`RecordsError::Store`].
    pub(crate) fn tidy(&mut self, now: DateTime<Utc>, disk: &Disk) -> Result<(), RecordsError> {
        let until = checks::routine_kept_from(now);
        let from = self.tidied.unwrap_or(DateTime::UNIX_EPOCH);
        if until - from < TIDIED_EVERY {
            return Ok(());
        }
        self.diary.forget_routine_before(until);
        let mut old = Vec::new();
        let until_key = start(ROUTINE, until);
        disk.each_key(&start(ROUTINE, DateTime::UNIX_EPOCH), &until_key, |key| {
            old.push(key.to_vec());
        });
        old.iter().for_each(|key| disk.forget(key));
        self.tidied = Some(until);
        Ok(())
    }
}

/// The start of the keys of facts of an instant.
fn start(of: u8, at: DateTime<Utc>) -> Vec<u8> {
    let micros = at.timestamp_micros().cast_unsigned() ^ (1 << 63);
    let mut key = vec![of, b'/'];
    key.extend(micros.to_be_bytes());
    key
}
