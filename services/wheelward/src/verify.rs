//! `wheelward verify`, `seal` and `archive`: that nothing was rewritten.

use std::io::BufRead as _;
use std::path::{Path, PathBuf};

use anyhow::Context as _;
use bus::Clock;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use facts::{Fact, SiteId, wire};
use records::{Archive, Folder};
use seal::mark::{Kept, Vouched};
use seal::retention::Retention;
use seal::{Clocks, Entry, Finding, Mark, Report, Seal};
use serde::Serialize;

use crate::cli::{ArchiveArgs, FactsArgs, SealArgs, VerifyArgs, records_folder};
use crate::running::Asker;
use crate::show;

/// How many messages are taken at once.
const CHUNK: usize = 1_000;

/// How many findings are listed before they are only counted.
const LISTED: usize = 50;

/// `wheelward verify`
pub async fn verify(args: &VerifyArgs) -> anyhow::Result<()> {
    let mut clocks = Clocks::default();
    let mut went_back = Vec::new();
    let mut log = Vec::new();
    let mut over = Vec::new();
    let own = records_folder(args.records.as_ref(), &args.source);
    let records = args.archive.as_ref().unwrap_or(&own);
    let seals = records::seals(records)?;
    let mut open = Unsealed::after(&seals);
    let mut look = |seq: u64, line: &[u8]| -> anyhow::Result<Option<DateTime<Utc>>> {
        log.push(Entry::of(line, seq));
        let seen = clocks.saw(line);
        went_back.extend(seen.went_back);
        open.saw(seen.recorded_at);
        Ok(seen.recorded_at)
    };
    let now = Clock::system().now();
    let keep = args
        .keep_months
        .map(|facts_months| Retention { facts_months });
    let site = match &args.archive {
        Some(dir) => {
            for path in records::facts_files(dir)? {
                let mut last = None;
                lines(&path, &mut |seq, line| {
                    last = last.max(look(seq, line)?);
                    Ok(())
                })?;
                if let (Some(keep), Some(last)) = (&keep, last)
                    && keep.facts_are_due(last, now)
                {
                    over.push(format!(
                        "{}: its last record is of {}, older than {} months. A person may delete it; ledger and seals stay",
                        path.display(),
                        last.format("%Y-%m-%d"),
                        keep.facts_months
                    ));
                }
            }
            None
        }
        None => {
            let mut look = |seq: u64, line: &[u8]| look(seq, line).map(|_| ());
            each(&args.source, &mut look).await?
        }
    };
    let site = match site {
        Some(site) => site,
        None => site_of(records)?,
    };
    let mut trusted = args.key.clone();
    if trusted.is_empty() {
        trusted.extend(records::public_key(records)?);
    }
    let (vouched, not_so) = seal::mark::vouch(&seals, &kept_elsewhere(args)?);
    let mut first = Vec::new();
    if seals.is_empty() {
        first.push(format!(
            "no seal lies in {}: nothing here can be vouched for. Where the records were sealed before, the seals were taken away: ask for the printed ones, the marks in the chat, or the copies",
            records.display()
        ));
    }
    first.extend(not_so.iter().map(ToString::to_string));
    first.extend(open.finding());
    let has_ledger = records.join(seal::archive::LEDGER).exists();
    let ledger = has_ledger
        .then(|| records::entries(records, &site))
        .transpose()?;
    let report = seal::verify(&site, &seals, &trusted, ledger, log.into_iter());
    let chain = Chain::of(&seals, vouched.as_ref());
    let shown = Shown::of(&report, first, chain, &went_back, over);
    if args.source.ask.json {
        show::print_json(&shown)?;
    } else {
        shown.print(args.key.is_empty(), has_ledger);
    }
    match shown.findings.len() {
        0 => Ok(()),
        n => anyhow::bail!("{n} findings: the records are not as they were sealed"),
    }
}

/// What was kept elsewhere, and where.
fn kept_elsewhere(args: &VerifyArgs) -> anyhow::Result<Vec<(String, Kept)>> {
    let mut kept = Vec::new();
    for path in &args.seal {
        let seal = records::read_seal(path)?;
        kept.push((path.display().to_string(), Kept::Seal(Box::new(seal))));
    }
    for folder in &args.seals {
        let seals = records::seals_in(folder)?;
        anyhow::ensure!(!seals.is_empty(), "no seal lies in {}", folder.display());
        for seal in seals {
            kept.push((folder.display().to_string(), Kept::Seal(Box::new(seal))));
        }
    }
    for mark in &args.mark {
        kept.push((format!("the mark {mark}"), Kept::Mark(*mark)));
    }
    Ok(kept)
}

/// How long records are under no seal where each dairy day is sealed: the day that goes on, and
/// what is left of the one before it.
const SEALED_WITHIN: TimeDelta = TimeDelta::days(2);

/// What lies after the last seal.
struct Unsealed {
    /// Records that are sealed and not seen yet.
    sealed: u64,
    first: Option<DateTime<Utc>>,
    last: Option<DateTime<Utc>>,
}

impl Unsealed {
    fn after(seals: &[Seal]) -> Self {
        Self {
            sealed: seals.last().map_or(0, |seal| seal.statement.last),
            first: None,
            last: None,
        }
    }

    fn saw(&mut self, recorded_at: Option<DateTime<Utc>>) {
        if self.sealed > 0 {
            self.sealed -= 1;
        } else {
            self.first = self.first.or(recorded_at);
            self.last = self.last.max(recorded_at);
        }
    }

    fn finding(&self) -> Option<String> {
        let (first, last) = self.first.zip(self.last)?;
        let day = |at: DateTime<Utc>| at.format("%Y-%m-%d");
        (last - first > SEALED_WITHIN).then(|| {
            format!(
                "nothing from {} to {} is sealed, and every day should be: the seals since were taken away, or nobody sealed. See that the records worker runs, and ask for the printed seals, the marks in the chat, or the copies",
                day(first),
                day(last)
            )
        })
    }
}

/// How far the chain of seals goes, and what vouches for it.
#[derive(Serialize)]
struct Chain {
    newest: Option<Link>,
    /// The newest seal that something from outside names, and what that is.
    vouched: Option<(Link, String)>,
}

#[derive(Serialize)]
struct Link {
    number: u64,
    day: NaiveDate,
    mark: String,
}

impl Chain {
    fn of(seals: &[Seal], vouched: Option<&Vouched>) -> Self {
        let link = |number: u64| {
            let place = usize::try_from(number.checked_sub(1)?).ok()?;
            let seal = seals.get(place)?;
            Some(Link {
                number,
                day: seal.statement.day,
                mark: Mark::of(seal, number).to_string(),
            })
        };
        Self {
            newest: link(seals.len() as u64),
            vouched: vouched.and_then(|v| Some((link(v.number)?, v.whence.clone()))),
        }
    }

    fn print(&self) {
        let Some(newest) = &self.newest else { return };
        let alone = "whoever can write this folder and has its key could have made";
        match &self.vouched {
            None => println!(
                "Sealed: {}, the newest of {}, mark {}. Nothing from outside vouches for them: {alone} them. Give a mark from the chat (--mark), a printed seal (--seal) or a folder of copies (--seals).",
                seals(1, newest.number),
                newest.day,
                newest.mark
            ),
            Some((vouched, whence)) => {
                println!(
                    "Vouched for by {whence}: {}, up to {}.",
                    seals(1, vouched.number),
                    vouched.day
                );
                if vouched.number < newest.number {
                    println!(
                        "By this folder alone: {}, up to {}; {alone} these.",
                        seals(vouched.number + 1, newest.number),
                        newest.day
                    );
                }
            }
        }
    }
}

fn seals(first: u64, last: u64) -> String {
    match last - first {
        0 => format!("seal {first}"),
        _ => format!("seals {first} to {last}"),
    }
}

#[derive(Serialize)]
struct Shown {
    holds: bool,
    chain: Chain,
    records: u64,
    seals: usize,
    sealed: u64,
    unsealed: u64,
    unwritten: u64,
    /// Records that stand elsewhere in the log than they were written down.
    in_another_order: usize,
    findings: Vec<String>,
    clocks_went_back: Vec<String>,
    kept_long_enough: Vec<String>,
}

impl Shown {
    fn of(
        report: &Report,
        first: Vec<String>,
        chain: Chain,
        went_back: &[seal::WentBack],
        kept_long_enough: Vec<String>,
    ) -> Self {
        let (moved, findings): (Vec<&Finding>, Vec<&Finding>) =
            report.findings.iter().partition(|of| of.is_order_only());
        let findings = findings.into_iter().map(ToString::to_string);
        let findings: Vec<String> = first.into_iter().chain(findings).collect();
        let went_back = went_back.iter().map(|back| {
            format!(
                "station {}, fact {}: written down at {}, after one written down at {}",
                back.station, back.fact, back.to, back.from
            )
        });
        Self {
            holds: findings.is_empty(),
            chain,
            records: report.records,
            seals: report.seals,
            sealed: report.sealed,
            unsealed: report.unsealed,
            unwritten: report.unwritten,
            in_another_order: moved.len(),
            findings,
            clocks_went_back: went_back.collect(),
            kept_long_enough,
        }
    }

    fn print(&self, believed: bool, has_ledger: bool) {
        println!(
            "{} records; {} under {} seals, {} in the ledger and not sealed yet, {} newer",
            self.records, self.sealed, self.seals, self.unsealed, self.unwritten
        );
        self.chain.print();
        if believed && self.seals > 0 {
            println!("The key in the folder was believed: compare it with a printed copy (--key).");
        }
        if !has_ledger {
            println!("There is no ledger: a difference can be told for a day, not for a fact.");
        }
        for back in self.clocks_went_back.iter().take(LISTED) {
            println!("CLOCK WENT BACK: {back}");
        }
        for over in &self.kept_long_enough {
            println!("KEPT LONG ENOUGH: {over}");
        }
        if self.in_another_order > 0 {
            println!(
                "IN ANOTHER ORDER: {} records stand elsewhere in the log than they were written down, each with what it said. So it is after stations have sent again what the broker had lost: the chat said so then",
                self.in_another_order
            );
        }
        for finding in self.findings.iter().take(LISTED) {
            println!("FOUND: {finding}");
        }
        let more = self.findings.len().saturating_sub(LISTED);
        if more > 0 {
            println!("and {more} more: --json lists them");
        }
        if self.holds {
            println!("Everything is as it was sealed.");
        }
    }
}

/// `wheelward seal`
pub async fn seal(args: &SealArgs) -> anyhow::Result<()> {
    let mut log = Vec::new();
    let site = each(&args.source, &mut |seq, line| {
        log.push(Entry::of(line, seq));
        Ok(())
    })
    .await?;
    let site = site.context("no record tells which site this is")?;
    let records_dir = records_folder(args.records.as_ref(), &args.source);
    let mut folder = Folder::open(&records_dir, site)?;
    let known = usize::try_from(folder.count())?;
    let new = log.get(known..).with_context(|| {
        format!(
            "the ledger has {known} records and the log only {}: run `wheelward verify`",
            log.len()
        )
    })?;
    // What is under the ledger already must be the same before anything is added to it.
    let same = records::entries(&records_dir, &site)?
        .zip(&log)
        .all(|(was, is)| was.is_ok_and(|(_, was)| was.leaf == is.leaf));
    anyhow::ensure!(
        same,
        "the log is not as it was written down: run `wheelward verify`"
    );
    folder.append(new)?;
    let now = Clock::system().now();
    let seal = folder.seal(args.day.unwrap_or_else(|| now.date_naive()), now)?;
    if let Some(path) = &args.qr {
        let picture = seal::qr_svg(&seal).context("this seal is too long for a QR symbol")?;
        std::fs::write(path, picture)
            .with_context(|| format!("could not write {}", path.display()))?;
    }
    print!("{seal}");
    if let Some(mark) = folder.mark() {
        eprintln!("Mark of this seal, to be kept elsewhere: {mark}");
    }
    Ok(())
}

/// `wheelward archive`
pub async fn archive(args: &ArchiveArgs) -> anyhow::Result<()> {
    let mut archive = Archive::begin(&args.out)?;
    each(&args.source, &mut |_, line| Ok(archive.push(line)?)).await?;
    let count = archive.finish(&records_folder(args.records.as_ref(), &args.source))?;
    println!(
        "{count} records in {}. Nothing in it names a person: badges only.",
        args.out.display()
    );
    Ok(())
}

/// Gives every record of a running floor's log, or of files, to `take`, with the broker's
/// number where there is one. Returns the site.
async fn each(
    source: &FactsArgs,
    take: &mut impl FnMut(u64, &[u8]) -> anyhow::Result<()>,
) -> anyhow::Result<Option<SiteId>> {
    if !source.facts.is_empty() {
        let mut site = None;
        for path in &source.facts {
            lines(path, &mut |seq, line| {
                if site.is_none() {
                    site = std::str::from_utf8(line).ok().and_then(site_of_line);
                }
                take(seq, line)
            })?;
        }
        return Ok(site);
    }
    let asker = Asker::connect(&source.ask).await?;
    let ours = format!("floor.{}.", asker.site);
    let end = asker.bus.floor_end().await?;
    let mut log = asker.bus.floor_after(None).await?;
    while log.position().seq < end {
        for message in log.next_chunk(CHUNK).await? {
            let start = message.subject.get(..ours.len());
            // A site's code is the same in any case, as every code is.
            if start.is_some_and(|start| start.eq_ignore_ascii_case(&ours)) {
                take(message.seq, &records::line(&message))?;
            }
        }
    }
    Ok(Some(asker.site))
}

fn lines(
    path: &Path,
    take: &mut impl FnMut(u64, &[u8]) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let wrong = || format!("could not read {}", path.display());
    let file = std::fs::File::open(path).with_context(wrong)?;
    let mut file = std::io::BufReader::with_capacity(1 << 20, file);
    let mut line = Vec::new();
    loop {
        line.clear();
        if file.read_until(b'\n', &mut line).with_context(wrong)? == 0 {
            return Ok(());
        }
        if line.last() == Some(&b'\n') {
            line.pop();
        }
        take(0, &line)?;
    }
}

fn site_of_line(line: &str) -> Option<SiteId> {
    match wire::from_line(line) {
        Ok(wire::Read::Fact(Fact { site, .. })) => Some(site),
        _ => None,
    }
}

fn site_of(records: &Path) -> anyhow::Result<SiteId> {
    let path: PathBuf = records.join(seal::archive::SITE);
    let text = std::fs::read_to_string(&path)
        .with_context(|| format!("could not open {}", path.display()))?;
    Ok(SiteId::new(text.trim())?)
}
