//! Comparing the log, the ledger and the seals, and naming every fact that does not fit.
//!
//! Seals are what nobody without the key can make. What the ledger says between two seals
//! is true when its lines chain up to the later one; then every difference between ledger
//! and log is the log's, and is named. When the log chains up and the ledger does not, it is
//! the ledger's. When neither does, both are named and the day is.

use std::collections::{HashMap, HashSet, VecDeque};
use std::fmt;

use chrono::NaiveDate;
use facts::SiteId;

use crate::chain::Head;
use crate::key::PublicKey;
use crate::ledger::{BadLedger, Entry};
use crate::statement::Seal;

/// Which side is wrong.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Whose {
    /// The log: the ledger has what was sealed.
    Log,
    /// The ledger: the log has what was sealed.
    Ledger,
    /// One of them: no seal says which.
    Either,
}

/// Something that is not as it was sealed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Finding {
    /// A record says something else than it did.
    Changed {
        /// Its place in the chain.
        number: u64,
        /// As the ledger has it.
        was: Entry,
        /// Which side is wrong.
        whose: Whose,
    },
    /// A record is gone.
    Missing {
        /// Its place in the chain.
        number: u64,
        /// As the ledger has it.
        was: Entry,
        /// Which side is wrong.
        whose: Whose,
    },
    /// A record that was not there has been put in.
    Added {
        /// Its place in the log, from 1.
        place: u64,
        /// The record.
        is: Entry,
        /// The place in the chain of the one it repeats, if it repeats one.
        repeats: Option<u64>,
        /// Which side is wrong.
        whose: Whose,
    },
    /// A record stands elsewhere.
    Moved {
        /// Its place in the chain.
        number: u64,
        /// Its place in the log now, from 1.
        place: u64,
        /// The record.
        was: Entry,
        /// Which side is wrong.
        whose: Whose,
    },
    /// What is under a seal is neither in the log nor in the ledger.
    NotAsSealed {
        /// The seal's day.
        day: NaiveDate,
        /// The first record under it.
        first: u64,
        /// The last.
        last: u64,
    },
    /// A line of the ledger cannot be read.
    Ledger(BadLedger),
    /// A seal's signature does not fit.
    Forged {
        /// The seal's day.
        day: NaiveDate,
    },
    /// A seal is signed by a key that is not the site's.
    ForeignKey {
        /// The seal's day.
        day: NaiveDate,
        /// The key.
        key: PublicKey,
    },
    /// A seal of another site.
    ForeignSite {
        /// The seal's day.
        day: NaiveDate,
        /// The site it names.
        site: SiteId,
    },
    /// A seal does not follow the one before: one in between is gone, or both were swapped.
    Gap {
        /// The later seal's day.
        day: NaiveDate,
    },
}

impl fmt::Display for Finding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let side = |whose: &Whose| match whose {
            Whose::Log => "in the log",
            Whose::Ledger => "in the ledger (the log has what was sealed)",
            Whose::Either => "in the log or in the ledger (no seal says which)",
        };
        match self {
            Self::Changed { number, was, whose } => {
                write!(
                    f,
                    "number {number}, sequence {}, {was}: changed {}",
                    was.seq,
                    side(whose)
                )
            }
            Self::Missing { number, was, whose } => write!(
                f,
                "number {number}, sequence {}, {was}: {}",
                was.seq,
                match whose {
                    Whose::Log => "missing from the log",
                    Whose::Ledger => "put into the ledger (the log has what was sealed)",
                    Whose::Either =>
                        "missing from the log, or put into the ledger (no seal says which)",
                }
            ),
            Self::Added {
                place,
                is,
                repeats,
                whose,
            } => {
                write!(f, "sequence {}, place {place} of the log, {is}: ", is.seq)?;
                match whose {
                    Whose::Log => f.write_str("added to the log")?,
                    Whose::Ledger => {
                        f.write_str("taken out of the ledger (the log has what was sealed)")?;
                    }
                    Whose::Either => f.write_str(
                        "added to the log, or taken out of the ledger (no seal says which)",
                    )?,
                }
                match repeats {
                    Some(number) => write!(f, "; it repeats number {number}"),
                    None => Ok(()),
                }
            }
            Self::Moved {
                number,
                place,
                was,
                whose,
            } => write!(
                f,
                "number {number}, sequence {}, {was}: moved to place {place} {}",
                was.seq,
                side(whose)
            ),
            Self::NotAsSealed { day, first, last } => write!(
                f,
                "numbers {first} to {last}, sealed for {day}: something was changed, removed, added or moved among them, and the ledger cannot tell what"
            ),
            Self::Ledger(bad) => write!(f, "{bad}"),
            Self::Forged { day } => {
                write!(f, "the seal of {day}: its signature does not fit its text")
            }
            Self::ForeignKey { day, key } => {
                write!(
                    f,
                    "the seal of {day} is signed by {key}, which is not the site's key"
                )
            }
            Self::ForeignSite { day, site } => write!(f, "the seal of {day} is of site {site}"),
            Self::Gap { day } => write!(
                f,
                "the seal of {day} does not follow the one before it: one is gone, or they were exchanged"
            ),
        }
    }
}

impl Finding {
    /// Whether a record only stands elsewhere in the log, with what it said. So it is after
    /// stations have sent again what a broker lost; what is made of a log does not depend on its
    /// order.
    #[must_use]
    pub const fn is_order_only(&self) -> bool {
        matches!(self, Self::Moved { whose, .. } if !matches!(whose, Whose::Ledger))
    }
}

/// What was compared, and what was found.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Report {
    /// Records in the log.
    pub records: u64,
    /// Seals looked at.
    pub seals: usize,
    /// Records under a seal that holds.
    pub sealed: u64,
    /// Records that are in the ledger and under no seal yet.
    pub unsealed: u64,
    /// Records that are not in the ledger yet.
    pub unwritten: u64,
    /// What is not as it was sealed, in the order of the log.
    pub findings: Vec<Finding>,
}

impl Report {
    /// Whether everything is as it was sealed.
    #[must_use]
    pub fn holds(&self) -> bool {
        self.findings.is_empty()
    }
}

/// What is sealed between two seals, and which side has it.
#[derive(Debug, Clone, Copy)]
struct Part {
    day: NaiveDate,
    first: u64,
    last: u64,
    from: Head,
    to: Head,
    /// Whether the ledger's lines chain up to it.
    holds: bool,
}

/// Compares. `trusted` are the site's keys, as somebody knows them who did not read them
/// from the seals; when there are none, the first seal's key is taken as the site's.
/// Without a ledger a difference can be told for a day, not for a fact.
pub fn verify(
    site: &SiteId,
    seals: &[Seal],
    trusted: &[PublicKey],
    ledger: Option<impl Iterator<Item = Result<(u64, Entry), BadLedger>>>,
    log: impl Iterator<Item = Entry>,
) -> Report {
    let mut report = Report::default();
    let seals = good_seals(site, seals, trusted, &mut report);
    let mut log = log.inspect(|_| report.records += 1);
    let mut parts = Parts::new(site, &seals);
    let mut agreed = Agreed::new(site);
    // As long as ledger and log agree there is little to remember.
    let mut differ: Option<Differing> = None;
    let mut bad_lines = Vec::new();
    match ledger {
        None => {
            for (number, is) in (1..).zip(log.by_ref()) {
                parts.push(number, is);
            }
        }
        Some(ledger) => {
            for line in ledger {
                let (number, was) = match line {
                    Ok(was) => was,
                    Err(bad) => {
                        bad_lines.push(Finding::Ledger(bad));
                        continue;
                    }
                };
                parts.push(number, was);
                match &mut differ {
                    Some(differ) => differ.was.push((number, was)),
                    None => match log.next() {
                        Some(is) if is.leaf == was.leaf && number == agreed.count + 1 => {
                            agreed.push(is);
                        }
                        other => {
                            differ = Some(Differing {
                                was: vec![(number, was)],
                                is: other.into_iter().collect(),
                            });
                        }
                    },
                }
            }
        }
    }
    match &mut differ {
        Some(differ) => differ.is.extend(log.by_ref()),
        None => report.unwritten = log.by_ref().count() as u64,
    }
    drop(log);
    report.unsealed = parts.count.saturating_sub(parts.sealed_to);
    let parts = parts.finish();
    let sealed = parts.iter().filter(|part| part.holds);
    report.sealed = sealed.map(|part| part.last + 1 - part.first).sum();
    report.findings.extend(bad_lines);
    match differ {
        Some(differ) => differ.compare(&agreed, &parts, &mut report),
        None => {
            let broken = parts.iter().filter(|part| !part.holds);
            report.findings.extend(broken.map(Part::finding));
        }
    }
    report
}

/// The seals that can be relied on, in the order of what they seal.
fn good_seals(
    site: &SiteId,
    seals: &[Seal],
    trusted: &[PublicKey],
    report: &mut Report,
) -> Vec<Seal> {
    let mut seals = seals.to_vec();
    seals.sort_by_key(|seal| {
        (
            seal.statement.last,
            seal.statement.first,
            seal.statement.sealed_at,
        )
    });
    report.seals = seals.len();
    let first_key = seals.first().map(|seal| seal.statement.key);
    let mut before: Option<[u8; 32]> = None;
    let mut good = Vec::new();
    for (place, seal) in (1..).zip(seals) {
        let day = seal.statement.day;
        let key = seal.statement.key;
        let out_of_place = seal.statement.number.is_some_and(|number| number != place);
        if out_of_place || seal.statement.previous != before.unwrap_or([0; 32]) {
            report.findings.push(Finding::Gap { day });
        }
        before = Some(seal.hash());
        let known = trusted.contains(&key) || (trusted.is_empty() && first_key == Some(key));
        if !seal.is_signed() {
            report.findings.push(Finding::Forged { day });
        } else if !known {
            report.findings.push(Finding::ForeignKey { day, key });
        } else if seal.statement.site != *site {
            report.findings.push(Finding::ForeignSite {
                day,
                site: seal.statement.site,
            });
        } else {
            good.push(seal);
        }
    }
    good
}

/// The records at the beginning on which ledger and log agree.
struct Agreed {
    count: u64,
    head: Head,
    /// A few bytes of each one's name.
    tails: Vec<u64>,
}

impl Agreed {
    fn new(site: &SiteId) -> Self {
        Self {
            count: 0,
            head: Head::first(site),
            tails: Vec::new(),
        }
    }

    fn push(&mut self, entry: Entry) {
        self.count += 1;
        self.head = self.head.then(entry.leaf);
        self.tails.push(entry.tail());
    }
}

/// What comes after.
struct Differing {
    /// The ledger, with the numbers that it gives.
    was: Vec<(u64, Entry)>,
    /// The log.
    is: Vec<Entry>,
}

/// Chains lines up and looks at every seal on the way.
struct Parts<'s> {
    seals: &'s [Seal],
    parts: Vec<Part>,
    count: u64,
    head: Head,
    /// Whether no number was left out since the last seal.
    whole: bool,
    sealed_to: u64,
    sealed_head: Head,
}

impl<'s> Parts<'s> {
    fn new(site: &SiteId, seals: &'s [Seal]) -> Self {
        let head = Head::first(site);
        let mut parts = Self {
            seals,
            parts: Vec::new(),
            count: 0,
            head,
            whole: true,
            sealed_to: 0,
            sealed_head: head,
        };
        parts.at_seals(0);
        parts
    }

    fn push(&mut self, number: u64, entry: Entry) {
        self.at_seals(number.saturating_sub(1));
        self.whole &= number == self.count + 1;
        self.count = number;
        self.head = self.head.then(entry.leaf);
        self.at_seals(number);
    }

    /// Looks at the seals up to a number.
    fn at_seals(&mut self, number: u64) {
        while let Some((seal, rest)) = self.seals.split_first()
            && seal.statement.last <= number
        {
            self.seals = rest;
            let statement = &seal.statement;
            let holds = self.whole && self.head == statement.head && statement.last == self.count;
            self.take(seal, holds);
        }
    }

    /// From a seal on, what it says is where the chain starts again: one rewritten day does
    /// not spoil the days after it.
    fn take(&mut self, seal: &Seal, holds: bool) {
        let statement = &seal.statement;
        let same = statement.last == self.sealed_to && statement.head == self.sealed_head;
        if !same {
            self.parts.push(Part {
                day: statement.day,
                first: self.sealed_to + 1,
                last: statement.last,
                from: self.sealed_head,
                to: statement.head,
                holds,
            });
        }
        self.count = self.count.max(statement.last);
        self.whole = self.count == statement.last;
        self.head = statement.head;
        self.sealed_head = statement.head;
        self.sealed_to = statement.last;
    }

    /// Seals over more than there is do not hold.
    fn finish(mut self) -> Vec<Part> {
        for seal in std::mem::take(&mut self.seals) {
            self.take(seal, false);
        }
        self.parts
    }
}

impl Part {
    const fn finding(&self) -> Finding {
        Finding::NotAsSealed {
            day: self.day,
            first: self.first,
            last: self.last,
        }
    }
}

impl Differing {
    /// Names what differs.
    fn compare(&self, agreed: &Agreed, parts: &[Part], report: &mut Report) {
        let Self { was, is } = self;
        let mut at: HashMap<[u8; 32], VecDeque<usize>> = HashMap::new();
        for (n, (_, entry)) in was.iter().enumerate() {
            at.entry(entry.name()).or_default().push_back(n);
        }
        let mut pairs: Vec<(usize, usize)> = Vec::new(); // (ledger, log)
        let mut new: Vec<usize> = Vec::new();
        for (n, entry) in is.iter().enumerate() {
            match at.get_mut(&entry.name()).and_then(VecDeque::pop_front) {
                Some(old) => pairs.push((old, n)),
                None => new.push(n),
            }
        }
        let in_order = longest_rising(&pairs);
        let mut place_of: Vec<Option<usize>> = vec![None; was.len()]; // in order only
        for &(old, now) in &in_order {
            place_of[old] = Some(now);
        }
        let verdicts: Vec<(Part, Whose)> = parts
            .iter()
            .map(|part| (*part, self.verdict(part, agreed, &place_of)))
            .collect();
        let whose = |number: u64| {
            let part = verdicts.partition_point(|(part, _)| part.last < number);
            verdicts
                .get(part)
                .map_or(Whose::Either, |(_, whose)| *whose)
        };
        let place = |now: usize| agreed.count + 1 + now as u64;

        let mut findings: Vec<(u64, Finding)> = Vec::new();
        for &(old, now) in &pairs {
            let ((number, was), is) = (was[old], is[now]);
            let whose = whose(number);
            if was.leaf != is.leaf {
                findings.push((number, Finding::Changed { number, was, whose }));
            }
            if place_of[old] != Some(now) {
                let place = place(now);
                findings.push((
                    number,
                    Finding::Moved {
                        number,
                        place,
                        was,
                        whose,
                    },
                ));
            }
        }
        for (number, was) in at.into_values().flatten().map(|old| was[old]) {
            let whose = whose(number);
            findings.push((number, Finding::Missing { number, was, whose }));
        }
        // What stands after everything the ledger knows is only not written down yet.
        let known_to = in_order.last().map_or(0, |(_, now)| now + 1);
        let repeated = self.repeated(agreed, &pairs, &new);
        for now in new {
            let repeats = repeated.get(&is[now].tail()).copied();
            if now >= known_to && repeats.is_none() {
                report.unwritten += 1;
                continue;
            }
            let before = in_order.partition_point(|(_, place)| *place < now);
            let next = in_order.get(before).map(|(old, _)| was[*old].0);
            let next = next.unwrap_or_else(|| was.last().map_or(0, |(number, _)| *number));
            let (place, is, whose) = (place(now), is[now], whose(next));
            findings.push((
                next,
                Finding::Added {
                    place,
                    is,
                    repeats,
                    whose,
                },
            ));
        }
        findings.sort_by_key(|(number, _)| *number);
        report
            .findings
            .extend(findings.into_iter().map(|(_, finding)| finding));
        let neither = verdicts
            .iter()
            .filter(|(part, whose)| !part.holds && *whose == Whose::Either);
        report
            .findings
            .extend(neither.map(|(part, _)| part.finding()));
    }

    /// Which side is wrong where they differ within a part.
    fn verdict(&self, part: &Part, agreed: &Agreed, place_of: &[Option<usize>]) -> Whose {
        if part.holds {
            return Whose::Log;
        }
        let (from, skip) = if part.first > agreed.count {
            (part.from, part.first - agreed.count - 1)
        } else {
            (agreed.head, 0)
        };
        let index = |n: u64| usize::try_from(n).ok();
        let chains_up = |begin: usize, end: usize| {
            let lines = self.is.get(begin..end);
            lines.is_some_and(|lines| {
                lines.iter().fold(from, |head, entry| head.then(entry.leaf)) == part.to
            })
        };
        // Where its numbers say it is, and where what is around it stands now.
        let counted = index(skip).zip(part.last.checked_sub(agreed.count).and_then(index));
        let stands = |number: u64| {
            let old = self.was.iter().position(|(its, _)| *its == number)?;
            place_of[old]
        };
        let begin = if skip == 0 {
            Some(0)
        } else {
            stands(part.first - 1).map(|place| place + 1)
        };
        let aligned = begin.zip(stands(part.last).map(|place| place + 1));
        let found = [counted, aligned].into_iter().flatten();
        if found.into_iter().any(|(begin, end)| chains_up(begin, end)) {
            Whose::Ledger
        } else {
            Whose::Either
        }
    }

    /// The places in the chain of what new records repeat.
    fn repeated(
        &self,
        agreed: &Agreed,
        pairs: &[(usize, usize)],
        new: &[usize],
    ) -> HashMap<u64, u64> {
        let wanted: HashSet<u64> = new.iter().map(|now| self.is[*now].tail()).collect();
        if wanted.is_empty() {
            return HashMap::new();
        }
        let earlier = (1..)
            .zip(&agreed.tails)
            .map(|(number, tail)| (*tail, number));
        let paired = pairs
            .iter()
            .map(|(old, _)| (self.was[*old].1.tail(), self.was[*old].0));
        earlier
            .chain(paired)
            .filter(|(tail, _)| wanted.contains(tail))
            .collect()
    }
}

/// The longest run of pairs, in the order of their second, whose first rises: what stayed
/// in its place when as few as possible were moved (patience sorting).
fn longest_rising(pairs: &[(usize, usize)]) -> Vec<(usize, usize)> {
    let mut tops: Vec<usize> = Vec::new(); // indices of pairs
    let mut before: Vec<Option<usize>> = vec![None; pairs.len()];
    for (n, (old, _)) in pairs.iter().enumerate() {
        let pile = tops.partition_point(|top| pairs[*top].0 < *old);
        before[n] = pile.checked_sub(1).map(|pile| tops[pile]);
        if pile == tops.len() {
            tops.push(n);
        } else {
            tops[pile] = n;
        }
    }
    let mut run = Vec::new();
    let mut at = tops.last().copied();
    while let Some(n) = at {
        run.push(pairs[n]);
        at = before[n];
    }
    run.reverse();
    run
}
