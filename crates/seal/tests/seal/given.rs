//! A site's records, ledger and seals.

use chrono::{DateTime, NaiveDate, Utc};
use facts::SiteId;
use seal::{Entry, Ledger, Report, Seal, SigningKey, Statement, verify};

pub fn site() -> SiteId {
    "larkholm".parse().unwrap()
}

pub fn key() -> SigningKey {
    SigningKey::from_seed(&[7; 32])
}

/// A line like a fact's.
pub fn line(n: u64, says: &str) -> Vec<u8> {
    format!(
        "{{\"specversion\":\"1.0\",\"id\":\"019b8c4f-fcf8-7452-8c26-{n:012x}\",\"type\":\"floor.wheel.turned.v1\",\"data\":{{\"says\":\"{says}\"}}}}"
    )
    .into_bytes()
}

#[derive(Debug, Clone)]
pub struct Records {
    pub log: Vec<Vec<u8>>,
    pub ledger: Vec<(u64, Entry)>,
    pub seals: Vec<Seal>,
}

fn day(n: usize) -> NaiveDate {
    NaiveDate::from_ymd_opt(2026, 3, 1).unwrap() + chrono::Days::new(n as u64)
}

pub fn sealed_at(n: usize) -> DateTime<Utc> {
    day(n + 1).and_hms_opt(4, 0, 0).unwrap().and_utc()
}

/// Days of so many records each, every day sealed; the last number is left unsealed.
pub fn records(days: &[usize]) -> Records {
    let mut kept = Ledger::new(&site());
    let (mut log, mut ledger, mut seals) = (Vec::new(), Vec::new(), Vec::<Seal>::new());
    let mut first = 1;
    for (n, count) in days.iter().enumerate() {
        for _ in 0..*count {
            let line = line(kept.count() + 1, "as it was");
            let entry = Entry::of(&line, kept.count() + 101);
            kept.push(&entry);
            log.push(line);
            ledger.push((kept.count(), entry));
        }
        if n + 1 < days.len() {
            let statement = Statement {
                site: site(),
                number: Some(n as u64 + 1),
                day: day(n),
                first,
                last: kept.count(),
                head: kept.head(),
                previous: seals.last().map_or([0; 32], Seal::hash),
                sealed_at: sealed_at(n),
                key: key().public(),
            };
            seals.push(statement.sign(&key()));
            first = kept.count() + 1;
        }
    }
    Records { log, ledger, seals }
}

impl Records {
    pub fn verify(&self) -> Report {
        let ledger = self.ledger.iter().map(|entry| Ok(*entry));
        let log = self.log.iter().map(|line| Entry::of(line, 0));
        verify(&site(), &self.seals, &[key().public()], Some(ledger), log)
    }

    pub fn verify_without_ledger(&self) -> Report {
        let log = self.log.iter().map(|line| Entry::of(line, 0));
        let none = None::<std::iter::Empty<_>>;
        verify(&site(), &self.seals, &[key().public()], none, log)
    }

    pub fn findings(&self) -> Vec<String> {
        self.verify()
            .findings
            .iter()
            .map(ToString::to_string)
            .collect()
    }
}
