//! How long it takes to verify many facts against their ledger and seals.
//!
//! ```text
//! cargo run --release -p trace --example long_history -- 10000000 facts.ndjson
//! cargo run --release -p seal --example verify_many -- facts.ndjson folder
//! ```
//!
//! Writes the ledger and a seal every 1 650 records (a day of that history), then times what
//! `wheelward verify` does: every line read, hashed and looked at for its clock, the ledger
//! read, both compared, and every seal checked.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::disallowed_methods)] // a tool

use std::fs::File;
use std::io::{BufRead as _, BufReader, BufWriter, Write as _};
use std::path::PathBuf;
use std::time::Instant;

use chrono::{DateTime, Days, NaiveDate, Utc};
use facts::SiteId;
use seal::{Clocks, Entry, Ledger, SigningKey, Statement};

/// Records under one seal.
const A_DAY: u64 = 1_650;

fn each(path: &str, mut take: impl FnMut(&[u8])) {
    let mut file = BufReader::with_capacity(1 << 20, File::open(path).unwrap());
    let mut line = Vec::new();
    while file.read_until(b'\n', &mut line).unwrap() > 0 {
        take(line.strip_suffix(b"\n").unwrap_or(&line));
        line.clear();
    }
}

fn main() {
    let mut args = std::env::args().skip(1);
    let (Some(path), Some(folder)) = (args.next(), args.next()) else {
        eprintln!("usage: verify_many FACTS FOLDER, with facts that long_history wrote");
        std::process::exit(2);
    };
    let folder = PathBuf::from(folder);
    std::fs::create_dir_all(&folder).unwrap();
    let ledger_file = folder.join("ledger.txt");
    let site: SiteId = "larkholm".parse().unwrap();
    let key = SigningKey::from_seed(&[7; 32]);
    let first_day = NaiveDate::from_ymd_opt(2020, 1, 1).unwrap();

    let began = Instant::now();
    let mut ledger = Ledger::new(&site);
    let mut seals: Vec<seal::Seal> = Vec::new();
    let mut out = BufWriter::with_capacity(1 << 20, File::create(&ledger_file).unwrap());
    let mut sealed = 0;
    let mut seal = |ledger: &Ledger, seals: &mut Vec<seal::Seal>| {
        let statement = Statement {
            site,
            number: Some(seals.len() as u64 + 1),
            day: first_day + Days::new(seals.len() as u64),
            first: sealed + 1,
            last: ledger.count(),
            head: ledger.head(),
            previous: seals.last().map_or([0; 32], seal::Seal::hash),
            sealed_at: DateTime::<Utc>::UNIX_EPOCH,
            key: key.public(),
        };
        sealed = ledger.count();
        seals.push(statement.sign(&key));
    };
    each(&path, |line| {
        let entry = Entry::of(line, ledger.count() + 1);
        ledger.push(&entry);
        writeln!(out, "{}", entry.line(ledger.count())).unwrap();
        if ledger.count().is_multiple_of(A_DAY) {
            seal(&ledger, &mut seals);
        }
    });
    seal(&ledger, &mut seals);
    out.flush().unwrap();
    println!(
        "{} records written down and {} seals made in {:.1} s",
        ledger.count(),
        seals.len(),
        began.elapsed().as_secs_f64()
    );

    for _ in 0..3 {
        let began = Instant::now();
        let mut clocks = Clocks::default();
        let (mut log, mut back) = (Vec::new(), 0);
        each(&path, |line| {
            log.push(Entry::of(line, 0));
            back += usize::from(clocks.saw(line).went_back.is_some());
        });
        let read = began.elapsed();
        let lines = BufReader::with_capacity(1 << 20, File::open(&ledger_file).unwrap()).lines();
        let entries = (1..)
            .zip(lines)
            .map(|(at, line)| Entry::read(&line.unwrap(), at));
        let report = seal::verify(
            &site,
            &seals,
            &[key.public()],
            Some(entries),
            log.into_iter(),
        );
        assert!(report.holds(), "{:?}", report.findings.first());
        println!(
            "verified {} records under {} seals in {:.1} s, of it reading and hashing {:.1} s; {back} clocks went back",
            report.records,
            report.seals,
            began.elapsed().as_secs_f64(),
            read.as_secs_f64()
        );
    }
}
