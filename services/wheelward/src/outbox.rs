//! `wheelward outbox`: what a station keeps until the broker has it, whoever has it open and
//! however damaged it is.

use std::collections::BTreeMap;
use std::io::Write as _;

use anyhow::Context as _;
use bus::OutboxError;
use facts::wire;
use serde::Serialize;

use crate::cli::OutboxArgs;
use crate::show;
use crate::table::Table;

/// What of one station lies there.
#[derive(Debug, Default, Serialize)]
struct OfStation {
    waiting: usize,
    sent: usize,
    refused: usize,
    /// The lowest and the highest of its numbers.
    first_number: Option<u64>,
    last_number: Option<u64>,
}

/// What became of a fact so far.
#[derive(Clone, Copy)]
enum State {
    Waiting,
    Sent,
    Refused,
}

impl OfStation {
    const fn count(&mut self, state: State) -> &mut usize {
        match state {
            State::Waiting => &mut self.waiting,
            State::Sent => &mut self.sent,
            State::Refused => &mut self.refused,
        }
    }
}

#[derive(Serialize)]
struct Shown {
    stations: BTreeMap<String, OfStation>,
    damaged_parts: usize,
}

/// `wheelward outbox`
pub fn run(args: &OutboxArgs) -> anyhow::Result<()> {
    let looked = bus::look_at_outbox(&args.folder).map_err(|error| match error {
        OutboxError::Folder { dir, reason } => anyhow::anyhow!(
            "no outbox can be read in {}: {reason}. Name the folder of one, for example data/move-recorder/outbox; of one that an earlier version kept, start its worker once",
            dir.display()
        ),
        error => error.into(),
    })?;
    let mut stations: BTreeMap<String, OfStation> = BTreeMap::new();
    let refused: Vec<&String> = looked.refused.iter().map(|refused| &refused.line).collect();
    let waiting: Vec<&String> = looked.waiting.iter().collect();
    let sent: Vec<&String> = looked.sent.iter().collect();
    for (lines, state) in [
        (&waiting, State::Waiting),
        (&sent, State::Sent),
        (&refused, State::Refused),
    ] {
        for line in lines {
            let parcel = wire::parcel(line).ok();
            let station = parcel.as_ref().map(|parcel| parcel.station.to_string());
            let of = stations.entry(station.unwrap_or_else(|| "not known".to_owned()));
            let of = of.or_default();
            *of.count(state) += 1;
            let number = parcel.map(|parcel| parcel.station_seq);
            of.first_number = of.first_number.into_iter().chain(number).min();
            of.last_number = of.last_number.max(number);
        }
    }
    if let Some(path) = &args.rescue {
        let mut text = String::new();
        for line in sent.iter().chain(&refused).chain(&waiting) {
            text += line;
            text.push('\n');
        }
        // Never over a file that is there: it may be what is left of an earlier rescue.
        let file = std::fs::File::create_new(path);
        let mut file = file.with_context(|| format!("could not make {}", path.display()))?;
        let written = file
            .write_all(text.as_bytes())
            .and_then(|()| file.sync_all());
        written.with_context(|| format!("could not write {}", path.display()))?;
    }
    if args.json {
        return show::print_json(&Shown {
            stations,
            damaged_parts: looked.damaged,
        });
    }
    let mut table = Table::new(&["station", "wait", "sent", "refused", "numbers"]);
    for (station, of) in &stations {
        let numbers = of.first_number.zip(of.last_number);
        table.row([
            station.clone(),
            of.waiting.to_string(),
            of.sent.to_string(),
            of.refused.to_string(),
            numbers.map_or_else(String::new, |(first, last)| format!("{first} to {last}")),
        ]);
    }
    if stations.is_empty() {
        println!("No fact lies there: none was recorded, or the broker has had all for long.");
    } else {
        print!("{}", table.text());
    }
    for refused in &looked.refused {
        println!("REFUSED: {}", refused.reason);
    }
    if looked.damaged > 0 {
        println!(
            "LOOK: {} parts of the file do not read: what they said is not here. Start the worker: it puts them aside, and goes on with the rest",
            looked.damaged
        );
    }
    if let Some(path) = &args.rescue {
        println!(
            "{} facts in {}: `wheelward replay` and `wheelward recall` read it. What waits here goes to the broker by itself once the worker runs.",
            sent.len() + refused.len() + waiting.len(),
            path.display()
        );
    }
    Ok(())
}
