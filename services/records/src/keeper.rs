//! The ledger and the index, kept in step with the log.

use std::path::Path;

use ::holds::{Rights, Rule};
use bus::Stored;
use bus::telling::Telling;
use chrono::{DateTime, TimeDelta, Utc};
use facts::wire::Read;
use facts::{Event, Fact, SiteId};
use quantity::{DairyClock, DairyDay, calendar};
use safety::{Diary, Plan};
use seal::{BadLedger, Entry, Seal, Statement};
use trace::{HoldStanding, Index, Trace};

use crate::answering::RecordsStanding;
use crate::checks;
use crate::error::RecordsError;
use crate::folder::{self, Folder};
use crate::holds;

/// Findings that are told before they are only counted.
const TOLD: usize = 20;

/// What was written down before, while the log is read again.
type Before = Box<dyn Iterator<Item = Result<(u64, Entry), BadLedger>> + Send>;

/// Writes down what the log has, and folds it for tracing. Reading the log from its
/// beginning, it also sees whether what was written down before is still there.
pub struct Keeper {
    site: SiteId,
    ours: String,
    folder: Folder,
    before: Option<Before>,
    index: Index,
    diary: Diary,
    rights: Rights,
    plan: Option<Plan>,
    seq: u64,
    findings: Vec<String>,
    /// Whether the log has been read to its end.
    live: bool,
    /// Whether facts came that may ask for a hold.
    stirred: bool,
    /// The latest instant at which somebody says to have ended a hold, or made a wheel that a
    /// hold may have to be worked out for.
    ended: Option<DateTime<Utc>>,
    /// When the first record of a log was written that this ledger, new and empty, found.
    found: Option<DateTime<Utc>>,
}

impl Keeper {
    /// A site's records in their folder.
    ///
    /// # Errors
    /// [`RecordsError`].
    pub fn open(
        dir: &Path,
        site: SiteId,
        rule: Rule,
        plan: Option<Plan>,
    ) -> Result<Self, RecordsError> {
        let folder = Folder::open(dir, site)?;
        let before = folder::entries(dir)?;
        Ok(Self {
            site,
            ours: format!("floor.{site}."),
            before: Some(Box::new(before)),
            folder,
            rights: rule.rights().clone(),
            diary: Diary::under(rule.rights().clone()),
            index: Index::new(rule),
            plan,
            seq: 0,
            findings: Vec::new(),
            live: false,
            stirred: false,
            ended: None,
            found: None,
        })
    }

    /// Takes the log's next messages.
    ///
    /// # Errors
    /// [`RecordsError::File`] when they cannot be written down.
    pub fn take(&mut self, messages: &[Stored]) -> Result<(), RecordsError> {
        let mut new = Vec::new();
        let empty = self.folder.count() == 0;
        for message in messages {
            self.seq = message.seq;
            if !begins(&message.subject, &self.ours) {
                continue;
            }
            let entry = Entry::of(&crate::line(message), message.seq);
            match self.before.as_mut().and_then(Iterator::next) {
                Some(was) => self.compare(was, &entry),
                None => {
                    self.before = None;
                    new.push(entry);
                }
            }
            if let Ok(Read::Fact(fact)) = message.read()
                && fact.site == self.site
            {
                self.stirred |= matters(&fact.event);
                if empty && !self.live {
                    self.found.get_or_insert(fact.recorded_at);
                }
                if matches!(
                    fact.event,
                    Event::WheelReleased(_) | Event::HoldLifted(_) | Event::WheelPortioned(_)
                ) {
                    self.ended = self.ended.max(Some(fact.occurred_at));
                }
                // The log's numbers fit for as long as a site makes less than 4e9 facts.
                self.index
                    .apply_from(&fact, u32::try_from(message.seq).unwrap_or(0));
                self.diary.apply(&fact);
            }
        }
        self.folder.append(&new)
    }

    fn compare(&mut self, was: Result<(u64, Entry), BadLedger>, is: &Entry) {
        let wrong = match was {
            Ok((_, was)) if was.leaf == is.leaf => return,
            Ok((number, was)) => {
                format!(
                    "number {number}: the ledger has {was}, the log has {is} at {}",
                    is.seq
                )
            }
            Err(bad) => bad.to_string(),
        };
        if self.findings.len() < TOLD {
            tracing::error!("{wrong}. Run `wheelward verify`");
            self.findings.push(wrong);
        }
    }

    /// The log has been read to its end: whatever the ledger still has is gone from it.
    pub fn caught_up(&mut self) {
        let gone = self.before.take().map_or(0, Iterator::count);
        if gone > 0 {
            let wrong = format!(
                "{gone} records that were written down are no longer in the log. Run `wheelward verify`"
            );
            tracing::error!("{wrong}");
            self.findings.push(wrong);
        }
        self.live = true;
        self.stirred = true;
    }

    /// What must be said of the chain that begins or goes on here: `sealed` are the seals that
    /// were published of this log, by whatever box.
    #[must_use]
    pub fn of_the_chain(&self, sealed: &[Seal], now: DateTime<Utc>) -> Vec<Telling> {
        let ours = self.folder.public_key();
        let mut told = Vec::new();
        let restore = "Stop this worker, put the records folder of that box back from its backup (deploy/README says what to back up), and start again; keep this folder as well, and show both to whoever checks the records";
        let other = sealed.iter().rev().find(|seal| seal.statement.key != ours);
        if let Some(seal) = other {
            let Statement { day, last, key, .. } = &seal.statement;
            told.push(Telling::alarm(
                format!("chain-{}-{last}", short(&key.to_string())),
                format!("this log was sealed up to {day} ({last} records) with another key, {key}: a second chain of seals has begun here. {restore}"),
            ));
        }
        let own = sealed.iter().rev().find(|seal| seal.statement.key == ours);
        let newer = own.filter(|seal| {
            let here = self
                .folder
                .last_seal()
                .map_or(0, |seal| seal.statement.last);
            seal.statement.last > here
        });
        if let Some(seal) = newer {
            let Statement { day, last, .. } = &seal.statement;
            told.push(Telling::alarm(
                format!("chain-older-{last}"),
                format!("the records folder is older than its last seal, of {day} over {last} records, which is not in it. {restore}"),
            ));
        }
        let young = self.found.filter(|first| now - *first > TimeDelta::days(1));
        if let (Some(first), true) = (young, told.is_empty()) {
            told.push(Telling::warning(
                format!("chain-young-{}", first.timestamp()),
                format!("the ledger begins today, and the log goes back to {}: what was written before today is vouched for from today on only. If records were kept before, {}{}", first.format("%Y-%m-%d"), restore[..1].to_lowercase(), &restore[1..]),
            ));
        }
        if let Some(first) = self.findings.first() {
            told.push(Telling::alarm(
                "ledger-differs".to_owned(),
                format!("the ledger is not what was written down: {first}. {} such findings are known. Keep this folder as it is, run `wheelward verify`, and show both to whoever checks the records", self.findings.len()),
            ));
        }
        told
    }

    /// Whether facts came that may ask for a hold.
    #[must_use]
    pub const fn is_stirred(&self) -> bool {
        self.stirred
    }

    /// The number of the last message taken.
    #[must_use]
    pub const fn seq(&self) -> u64 {
        self.seq
    }

    /// The index, ready to be asked.
    pub fn trace(&mut self) -> Trace<'_> {
        self.index.trace()
    }

    /// Who may release.
    #[must_use]
    pub const fn rights(&self) -> &Rights {
        &self.rights
    }

    /// The dairy's plan.
    #[must_use]
    pub const fn plan(&self) -> Option<&Plan> {
        self.plan.as_ref()
    }

    /// Checks done by hand, deviations, and what was decided: the facts that an index does
    /// not keep and papers show.
    #[must_use]
    pub fn checked(&self) -> Vec<Fact> {
        let of_checks = |fact: &&Fact| {
            matches!(
                fact.event,
                Event::ControlChecked(_)
                    | Event::DeviationFound(_)
                    | Event::DeviationDecided(_)
                    | Event::VatRecipeChanged(_)
            )
        };
        self.diary.facts().filter(of_checks).cloned().collect()
    }

    /// What people have to hear of, and every check that is not as it should be, those
    /// included that are too old to tell of; and forgets what no later look needs.
    pub fn to_tell(
        &mut self,
        now: DateTime<Utc>,
        clock: &DairyClock,
    ) -> (Vec<Telling>, Vec<Telling>) {
        let mut tell = checks::of_no_sample(&self.index.trace(), now);
        let Some(plan) = &self.plan else {
            return (tell, Vec::new());
        };
        checks::tidy(&mut self.diary, now);
        let (fresh, old) = checks::alerts(plan, &self.diary, clock, now);
        tell.extend_from_slice(&fresh);
        (tell, [fresh, old].concat())
    }

    /// Releases without the right to them that people have to hear of.
    pub fn without_right(&mut self) -> Vec<Telling> {
        checks::without_right(&self.index.trace())
    }

    /// Facts that have to be stated: holds that results ask for, and what holds owe to
    /// wheels. Looked for only after something came that may ask for one.
    /// `refused`: what the broker did not take of that.
    pub fn owed(&mut self, refused: &[Event]) -> Vec<Event> {
        if !std::mem::take(&mut self.stirred) {
            return Vec::new();
        }
        holds::owed(&self.index.trace(), self.plan.as_ref(), refused)
    }

    /// When a hold that is stated at `now` happens: after whatever ended one, also when the
    /// clock of whoever ended it is ahead of ours. Else it would count as ended already; and
    /// what was said of a hold's wheels would not count for those made last.
    #[must_use]
    pub fn hold_at(&self, now: DateTime<Utc>) -> DateTime<Utc> {
        let after = |ended: DateTime<Utc>| calendar::later(ended, TimeDelta::milliseconds(1));
        self.ended.map_or(now, |ended| now.max(after(ended)))
    }

    /// Every hold that stands.
    pub fn standing_holds(&mut self) -> Vec<HoldStanding> {
        self.index.trace().standing_holds()
    }

    /// Where the records stand.
    #[must_use]
    pub fn standing(&self) -> RecordsStanding {
        RecordsStanding {
            seq: self.seq,
            count: self.folder.count(),
            sealed: self
                .folder
                .last_seal()
                .map_or(0, |seal| seal.statement.last),
            public_key: self.folder.public_key().to_string(),
            findings: self.findings.clone(),
        }
    }

    /// Seals the dairy day that ended last, unless that was done.
    ///
    /// # Errors
    /// [`RecordsError`].
    pub fn seal_if_due(
        &mut self,
        now: DateTime<Utc>,
        clock: &DairyClock,
    ) -> Result<Option<Seal>, RecordsError> {
        let ended = clock.day_of(now).plus(-1);
        let sealed = self
            .folder
            .last_seal()
            .map(|seal| DairyDay::starting(seal.statement.day));
        if self.folder.count() == 0 || sealed.is_some_and(|sealed| sealed >= ended) {
            return Ok(None);
        }
        self.folder.seal(ended.date(), now).map(Some)
    }
}

/// The beginning of a key: enough for a name.
fn short(key: &str) -> &str {
    key.get(..8).unwrap_or(key)
}

/// Whether a subject begins so. A site's code is the same in any case, as every code is.
fn begins(subject: &str, with: &str) -> bool {
    let start = subject.get(..with.len());
    start.is_some_and(|start| start.eq_ignore_ascii_case(with))
}

/// Whether a fact may change what has to be held.
const fn matters(event: &Event) -> bool {
    matches!(
        event,
        Event::LabResulted(_)
            | Event::LabSampled(_)
            | Event::LabSwabbed(_)
            | Event::HoldPlaced(_)
            | Event::HoldLifted(_)
            | Event::HoldTraced(_)
            | Event::WheelHeld(_)
            | Event::WheelReleased(_)
            | Event::WheelPortioned(_)
            | Event::WheelLoaded(_)
            | Event::WheelMoved(_)
            | Event::WheelPierced(_)
            | Event::WheelIroned(_)
            | Event::LotUsed(_)
            | Event::VatStarted(_)
            | Event::VatFilled(_)
            | Event::VatDosed(_)
            | Event::VatReworked(_)
            | Event::MilkPooled(_)
            | Event::Voided(_)
    )
}
