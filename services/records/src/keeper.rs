//! The ledger and the index, kept in step with the log.

use std::collections::{BTreeMap, BTreeSet};
use std::hash::{DefaultHasher, Hash as _, Hasher as _};
use std::path::Path;

use ::holds::{Rights, Rule};
use bus::telling::Telling;
use bus::{Position, Stored};
use chrono::{DateTime, TimeDelta, Utc};
use facts::wire::Read;
use facts::{Event, Fact, HoldId, SampleId, SiteId};
use projection::{Records as _, Store, StoreError};
use quantity::{DairyClock, DairyDay, calendar};
use safety::{Diary, Plan};
use seal::{Entry, Seal};
use trace::{HoldStanding, Index, Trace};

use crate::answering::RecordsStanding;
use crate::checks;
use crate::disk::Disk;
use crate::error::RecordsError;
use crate::folder::Folder;
use crate::holds;
use crate::lines::{Lines, Mark, Place};
use crate::matching::Matching;
use crate::notebook::Notebook;
use crate::sweep::{Reached, Round, Step};

/// Findings that are told before they are only counted.
const TOLD: usize = 20;

/// The index's folder, in the records folder: derived, and no part of what is sealed.
const INDEX: &str = "index";

/// The worker's own records in the store.
const KEPT: &[u8] = b"kept";
/// How far the ledger is looked through again.
const ROUND: &[u8] = b"round";

/// More lines that are gone from the log are not kept, but found again by reading both anew.
const MOST_OWED: usize = 5_000;

/// Changed wheels whose stories are told again at a time, so that questions need not wait.
const SETTLED_AT_ONCE: usize = 2_000;
/// More changed wheels than this are not left for later: those with the first codes are most
/// often those that have left.
const UNSETTLED: usize = 20_000;

/// What the store keeps beside the index.
#[derive(Debug, Clone, Default, PartialEq)]
struct Kept {
    /// What the site says about holds: an index is of one only. Nothing while ledger and log are
    /// not beside each other: what has to be known of that is found by reading both anew.
    rule: String,
    /// The line of the ledger that the position in the log stands for.
    mark: Mark,
    /// The latest instant at which somebody says to have ended a hold, or made a wheel that a
    /// hold may have to be worked out for.
    ended: Option<At>,
    /// The same for each hold alone.
    ended_of: BTreeMap<HoldId, At>,
    /// Lines of the ledger that are gone from the log, perhaps for good.
    owed: Vec<String>,
}

facts::stored_struct!(Kept {
    rule,
    mark,
    ended,
    ended_of,
    owed,
});

#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
struct At {
    at: DateTime<Utc>,
}

use facts::stored::instant;
facts::stored_struct!(At { at via instant });

impl Kept {
    fn saw(&mut self, fact: &Fact) {
        let hold = match &fact.event {
            Event::WheelReleased(released) => Some(released.hold),
            Event::HoldLifted(lifted) => Some(lifted.hold),
            Event::WheelPortioned(_) => None,
            _ => return,
        };
        let at = At {
            at: fact.occurred_at,
        };
        self.ended = self.ended.max(Some(at));
        if let Some(hold) = hold {
            let of = self.ended_of.entry(hold).or_insert(at);
            *of = at.max(*of);
        }
    }
}

/// Writes down what the log has, and folds it for tracing. Both go on where they were: the
/// index, how far the ledger and the log had come and whatever else is kept are stored in one
/// batch.
pub struct Keeper {
    site: SiteId,
    ours: String,
    pub(crate) folder: Folder,
    /// What the ledger has beyond what the store knows: the last lines before a crash, all of
    /// it while the log is read anew.
    before: Option<Lines>,
    /// What of both is not beside each other.
    matching: Matching,
    /// What the site says about holds.
    of_rule: String,
    disk: Disk,
    index: Index,
    notebook: Notebook,
    rights: Rights,
    plan: Option<Plan>,
    kept: Kept,
    /// What is stored of it.
    stored: Kept,
    position: Option<Position>,
    pub(crate) findings: Vec<String>,
    /// Whether the log has been read to its end.
    live: bool,
    /// Whether facts came that may ask for a hold.
    stirred: bool,
    /// Whether facts came that may change what people have to hear of.
    news: bool,
    /// Samples whose results may ask for a hold.
    asking: BTreeSet<SampleId>,
    /// When the first record of a log was written that this ledger, new and empty, found.
    pub(crate) found: Option<DateTime<Utc>>,
    /// That a store was put aside.
    pub(crate) aside: Option<Telling>,
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
        std::fs::create_dir_all(dir).map_err(crate::error::file(dir))?;
        // One that passed over facts that this one knows is of another rule too.
        let mut types = DefaultHasher::new();
        facts::TYPES
            .iter()
            .for_each(|info| info.ty.hash(&mut types));
        let of_rule = format!("{rule:?} {:x}", types.finish());
        let load = |store: &Store| -> Result<_, StoreError> {
            let kept: Option<Kept> = store.get(KEPT)?;
            Ok((kept, store.position::<Position>()?))
        };
        let (disk, (kept, mut position), aside) = Disk::open(&dir.join(INDEX), load)?;
        let kept = kept.filter(|kept| {
            kept.rule == of_rule && position.is_some() && Matching::owing(&kept.owed).is_ok()
        });
        let place = |kept: &Kept| Place::of(kept.mark.clone(), &site);
        let known = match &kept {
            Some(kept) => Folder::open_at(dir, site, place(kept))?,
            None => None,
        };
        let (folder, kept) = match known.zip(kept) {
            Some((folder, kept)) => (folder, kept),
            None => {
                if position.take().is_some() {
                    tracing::info!(
                        "the index is of other rules about holds, or of another ledger: reading the log again"
                    );
                }
                disk.store().empty()?;
                let kept = Kept {
                    rule: of_rule.clone(),
                    ..Kept::default()
                };
                (Folder::open(dir, site)?, kept)
            }
        };
        let before = Lines::open(dir, place(&kept))?;
        let matching = Matching::owing(&kept.owed).unwrap_or_default();
        let notebook = Notebook::open(rule.rights().clone(), &disk)?;
        Ok(Self {
            site,
            ours: format!("floor.{site}."),
            before,
            matching,
            of_rule,
            folder,
            rights: rule.rights().clone(),
            notebook,
            index: Index::lying_in(Box::new(disk.clone()), rule),
            disk,
            plan,
            stored: kept.clone(),
            kept,
            position,
            findings: Vec::new(),
            live: false,
            stirred: false,
            news: false,
            asking: BTreeSet::new(),
            found: None,
            aside: aside.map(|aside| aside.telling(crate::STATION)),
        })
    }

    /// Where the log is to be read on; `None`: from its beginning.
    #[must_use]
    pub const fn position(&self) -> Option<&Position> {
        self.position.as_ref()
    }

    /// Forgets what was made of the log, but not the ledger: when it is opened next, the log is
    /// read from its beginning and compared with all of that.
    ///
    /// # Errors
    /// [`RecordsError::Store`].
    pub fn forget(self) -> Result<(), RecordsError> {
        Ok(self.disk.store().empty()?)
    }

    /// Takes the log's next messages, up to a position.
    ///
    /// # Errors
    /// [`RecordsError`] when they cannot be written down.
    pub fn take(&mut self, messages: &[Stored], position: Position) -> Result<(), RecordsError> {
        let mut recorded = None;
        let empty = self.folder.count() == 0;
        for message in messages {
            if !begins(&message.subject, &self.ours) {
                continue;
            }
            let entry = Entry::of(&crate::line(message), message.seq);
            for wrong in self.matching.pass(entry, &mut self.before) {
                self.found_wrong(wrong);
            }
            if let Ok(Read::Fact(fact)) = message.read()
                && fact.site == self.site
            {
                self.stirred |= matters(&fact.event);
                self.news |= Diary::takes(&fact.event) && !Diary::is_routine(&fact.event);
                // A clock that is ahead must not make what checks still need look old.
                let at = fact.recorded_at.min(message.stored_at);
                recorded = recorded.max(Some(at));
                if empty && !self.live {
                    self.found.get_or_insert(fact.recorded_at);
                }
                self.kept.saw(&fact);
                // The log's numbers fit for as long as a site makes less than 4e9 facts.
                self.index
                    .apply_from(&fact, u32::try_from(message.seq).unwrap_or(0));
                self.notebook.write(&fact, &self.disk)?;
            }
        }
        // Whenever it is looked next, it is later than this.
        if let Some(recorded) = recorded {
            self.notebook.tidy(recorded, &self.disk)?;
        }
        self.write_down()?;
        self.position = Some(position);
        while self.index.unsettled() > UNSETTLED {
            self.index.settle(SETTLED_AT_ONCE);
        }
        self.store()
    }

    /// Writes down what the ledger does not have. What the store says is in it is there first.
    fn write_down(&mut self) -> Result<(), RecordsError> {
        if self.before.is_none() {
            let new = self.matching.take_new();
            self.folder.append(&new)?;
        }
        let place = self.before.as_ref().map(Lines::place);
        self.kept.mark = place.unwrap_or(self.folder.place()).mark();
        let beside = self.before.is_none() || self.matching.is_even();
        let owed = if beside {
            self.matching.owes(MOST_OWED)
        } else {
            None
        };
        self.kept.rule = match &owed {
            Some(_) => self.of_rule.clone(),
            None => String::new(),
        };
        self.kept.owed = owed.unwrap_or_default();
        Ok(())
    }

    /// Tells the stories of some changed wheels again; answers whether there are more.
    ///
    /// # Errors
    /// [`RecordsError::Store`].
    pub fn settle_some(&mut self) -> Result<bool, RecordsError> {
        let left = self.index.settle(SETTLED_AT_ONCE);
        self.store()?;
        Ok(left > 0)
    }

    /// Stores what changed, in one batch.
    fn store(&mut self) -> Result<(), RecordsError> {
        self.index.put_down();
        if self.stored != self.kept {
            self.disk.keep(KEPT, &self.kept)?;
            self.stored = self.kept.clone();
        }
        self.disk.write(self.position.as_ref())?;
        self.sound()
    }

    /// Whether what was answered is to be believed.
    ///
    /// # Errors
    /// [`RecordsError::Unread`] when something stored did not read: the index has to be made
    /// anew, see [`Keeper::forget`].
    pub fn sound(&self) -> Result<(), RecordsError> {
        self.disk
            .failed()
            .map_or(Ok(()), |why| Err(RecordsError::Unread(why)))
    }

    fn found_wrong(&mut self, wrong: String) {
        self.folder.is_broken();
        if self.findings.len() < TOLD && !self.findings.contains(&wrong) {
            tracing::error!("{wrong}. Run `wheelward verify`");
            self.findings.push(wrong);
        }
    }

    /// The log has been read to its end: whatever the ledger still has is gone from it, until it
    /// comes back.
    ///
    /// # Errors
    /// [`RecordsError`] when what it lacks cannot be written down.
    pub fn caught_up(&mut self) -> Result<(), RecordsError> {
        for line in self.before.take().into_iter().flatten() {
            if let Some(wrong) = self.matching.line_alone(line) {
                self.found_wrong(wrong);
            }
        }
        self.write_down()?;
        self.live = true;
        self.stirred = true;
        self.store()
    }

    /// How many records that were written down are not in the log.
    pub(crate) fn gone(&self) -> usize {
        if self.live { self.matching.owed() } else { 0 }
    }

    /// What is not as it was written down.
    pub(crate) fn wrong(&self) -> Vec<String> {
        let gone = Some(self.gone()).filter(|gone| *gone > 0);
        let gone = gone.map(gone_from_the_log);
        self.findings.iter().cloned().chain(gone).collect()
    }

    /// How far the ledger has been looked through again; a new round where the last one ended.
    ///
    /// # Errors
    /// [`RecordsError::Store`].
    pub fn round(&self) -> Result<Option<Round>, RecordsError> {
        Ok(self.disk.store().get(ROUND)?)
    }

    /// A stretch of the ledger was looked through again. Whether anything new was found.
    ///
    /// # Errors
    /// [`RecordsError::Store`].
    pub fn looked_through(&mut self, step: Step) -> Result<bool, RecordsError> {
        let known = self.findings.len();
        step.wrong
            .into_iter()
            .for_each(|wrong| self.found_wrong(wrong));
        match &step.reached {
            Some(Reached::Here(round)) => self.disk.keep(ROUND, round)?,
            Some(Reached::End) => self.disk.forget(ROUND),
            None => {}
        }
        if step.reached.is_some() {
            self.disk.write(None)?;
        }
        Ok(self.findings.len() > known)
    }

    /// The ledger's end.
    pub(crate) fn end(&self) -> &Place {
        self.folder.place()
    }

    /// The records folder's last seal.
    pub(crate) const fn last_seal(&self) -> Option<&Seal> {
        self.folder.last_seal()
    }

    /// Whether facts came that may ask for a hold.
    #[must_use]
    pub const fn is_stirred(&self) -> bool {
        self.stirred
    }

    /// Whether facts came, since this was last asked, that may change what people have to hear
    /// of; readings and handling are left to the next look.
    pub fn take_news(&mut self) -> bool {
        std::mem::take(&mut self.news)
    }

    /// The number of the last message taken.
    #[must_use]
    pub fn seq(&self) -> u64 {
        self.position.as_ref().map_or(0, |position| position.seq)
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
        let diary = self.notebook.diary();
        diary.facts().filter(of_checks).cloned().collect()
    }

    /// What people have to hear of, and every check that is not as it should be, those
    /// included that are too old to tell of; and forgets what no later look needs.
    ///
    /// # Errors
    /// [`RecordsError::Store`].
    pub fn to_tell(
        &mut self,
        now: DateTime<Utc>,
        clock: &DairyClock,
    ) -> Result<(Vec<Telling>, Vec<Telling>), RecordsError> {
        let mut tell = checks::of_no_sample(&self.index.trace(), now);
        let Some(plan) = &self.plan else {
            return Ok((tell, Vec::new()));
        };
        self.notebook.tidy(now, &self.disk)?;
        let (fresh, old) = checks::alerts(plan, self.notebook.diary(), clock, now);
        tell.extend_from_slice(&fresh);
        Ok((tell, [fresh, old].concat()))
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
        self.asking.extend(self.index.stirred_samples());
        let trace = self.index.trace();
        holds::owed(&trace, &mut self.asking, self.plan.as_ref(), refused)
    }

    /// When what is stated of a hold at `now` happens: after whatever ended that very hold, also
    /// when the clock of whoever ended it is ahead of ours, or it would count as ended already.
    /// What another hold's end or another wheel says of the time moves it by nothing: else one
    /// clock that is wrong would make every later hold one that nobody can end before its time.
    /// That all of a hold's wheels were told comes after every wheel that was made.
    #[must_use]
    pub fn hold_at(&self, event: &Event, now: DateTime<Utc>) -> DateTime<Utc> {
        let after = |ended: At| calendar::later(ended.at, TimeDelta::milliseconds(1));
        let of = |hold: HoldId| self.kept.ended_of.get(&hold).copied();
        let ended = match event {
            Event::HoldPlaced(placed) => of(placed.hold),
            Event::WheelHeld(held) => of(held.hold),
            _ => self.kept.ended,
        };
        ended.map_or(now, |ended| now.max(after(ended)))
    }

    /// Every hold that stands.
    pub fn standing_holds(&mut self) -> Vec<HoldStanding> {
        self.index.trace().standing_holds()
    }

    /// The last seal in short.
    pub(crate) fn mark(&self) -> Option<seal::Mark> {
        self.folder.mark()
    }

    /// Where the records stand.
    #[must_use]
    pub fn standing(&self) -> RecordsStanding {
        RecordsStanding {
            seq: self.seq(),
            count: self.folder.count(),
            sealed: self
                .folder
                .last_seal()
                .map_or(0, |seal| seal.statement.last),
            public_key: self.folder.public_key().to_string(),
            findings: self.wrong(),
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
        // Also while something of the ledger is gone from the log, perhaps for good: a seal
        // vouches for what was written down, and what is gone is told as long as it is.
        self.folder.seal(ended.date(), now).map(Some)
    }
}

pub(crate) fn gone_from_the_log(records: usize) -> String {
    format!("{records} records that were written down are no longer in the log")
}

/// Whether a subject begins so. A site's code is the same in any case, as every code is.
pub(crate) fn begins(subject: &str, with: &str) -> bool {
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
