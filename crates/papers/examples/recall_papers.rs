//! How long the whole papers of a recall take among many facts.
//!
//! ```text
//! cargo run --release -p trace --example long_history -- 10000000 facts.ndjson
//! cargo run --release -p papers --example recall_papers -- facts.ndjson deploy/demo/larkholm-papers.toml M03030Aa
//! ```
//!
//! The file stands for the log: an index is folded from it, and facts about wheels are read
//! again from where they lie, as the records worker reads them from the broker.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::disallowed_methods)] // a tool

use std::fs::File;
use std::io::{BufRead as _, BufReader, Read as _, Seek as _, SeekFrom};
use std::time::Instant;

use chrono::{DateTime, NaiveTime, Utc};
use facts::wire::{Read, from_line};
use facts::{Fact, Scope};
use papers::{Asked, Dairy, counting, epcis};
use quantity::DairyClock;
use recipe::Origin;
use trace::{Index, Settings};

fn fact(line: &str) -> Option<Fact> {
    match from_line(line.trim_end()) {
        Ok(Read::Fact(fact)) => Some(fact),
        _ => None,
    }
}

fn main() {
    let mut args = std::env::args().skip(1);
    let (Some(path), Some(papers_file), Some(lot)) = (args.next(), args.next(), args.next()) else {
        eprintln!("usage: recall_papers FACTS PAPERS LOT, with facts that long_history wrote");
        std::process::exit(2);
    };
    let text = std::fs::read_to_string(&papers_file).unwrap();
    let dairy = Dairy::parse(&Origin {
        file: &papers_file,
        text: &text,
    })
    .unwrap();
    let clock = DairyClock::new(chrono_tz::UTC, NaiveTime::from_hms_opt(4, 0, 0).unwrap());

    let began = Instant::now();
    let mut index = Index::default();
    let mut lies_at = vec![0_u64];
    let mut last = DateTime::<Utc>::UNIX_EPOCH;
    let mut file = BufReader::with_capacity(1 << 20, File::open(&path).unwrap());
    let (mut line, mut end) = (String::new(), 0);
    while file.read_line(&mut line).unwrap() > 0 {
        let fact = fact(&line).expect("a fact a line");
        last = last.max(fact.occurred_at);
        index.apply_from(&fact, u32::try_from(lies_at.len()).unwrap());
        lies_at.push(end);
        end += line.len() as u64;
        line.clear();
    }
    lies_at.push(end);
    let _ = index.trace();
    println!(
        "{} facts folded in {:.1} s",
        lies_at.len() - 2,
        began.elapsed().as_secs_f64()
    );

    let mut file = File::open(&path).unwrap();
    for _ in 0..5 {
        let began = Instant::now();
        let about = Scope::Lot(lot.parse().unwrap());
        let trace = index.trace();
        let recall = trace.recall(&about, &Settings::default(), last);
        let traced = began.elapsed();
        let evidence = trace.evidence(&recall);
        let mut some = evidence.facts.clone();
        for place in &evidence.places {
            let at = lies_at[*place as usize];
            // The first place is 1: the next line begins where this one ends.
            let until = lies_at[*place as usize + 1];
            let mut bytes = vec![0; usize::try_from(until - at).unwrap()];
            file.seek(SeekFrom::Start(at)).unwrap();
            file.read_exact(&mut bytes).unwrap();
            some.extend(fact(std::str::from_utf8(&bytes).unwrap()));
        }
        let facts = counting(some, &holds::Rights::AnyBadge);
        let asked = Asked {
            lots: recall.batches.iter().map(ToString::to_string).collect(),
            ..Asked::default()
        };
        let sheets = [
            papers::traceability(&facts, &dairy, &clock, &asked),
            papers::one_step_back(&facts, &dairy, &clock, &Asked::default()),
            papers::one_step_forward(&facts, &dairy, &clock, &asked),
            papers::key_sheet(&dairy),
        ];
        let book = papers::workbook(&sheets, "traceability", last).unwrap();
        let notices: Vec<String> = recall
            .customers
            .iter()
            .map(|line| papers::notice(&recall, line, &dairy, &clock))
            .collect();
        let mut pdf = 0;
        for batch in &recall.batches {
            let alone = Settings {
                sideways: false,
                ..Settings::default()
            };
            let of = trace.recall(&Scope::Batch(*batch), &alone, last);
            pdf += papers::batch_file(*batch, &facts, &of, None, &dairy, &clock).len();
        }
        let epcis = serde_json::to_vec(&epcis::document(&facts, &dairy, &clock, last)).unwrap();
        println!(
            "papers of lot {lot}: {:.1} ms, of it the trace with contact {:.1} ms: {} facts, {} wheels, {} notices, sheets {} B, batch files {pdf} B, EPCIS {} B",
            began.elapsed().as_secs_f64() * 1e3,
            traced.as_secs_f64() * 1e3,
            facts.len(),
            recall.wheels.len(),
            notices.len(),
            book.len(),
            epcis.len()
        );
    }
}
