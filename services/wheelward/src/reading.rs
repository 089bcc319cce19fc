//! Facts in the order in which they lie: from files, or from a running floor's log.

use chrono::{DateTime, Utc};
use facts::Fact;
use facts::wire::Read;
use names::{Kind, Known};
use ripening::answer::FloorPicture;
use ripening::{Floor, Practice};

use crate::cli::{FactsArgs, SourceArgs};
use crate::lines;
use crate::running::{Asker, Running};

/// How many messages are taken at once.
const CHUNK: usize = 1_000;

/// The instant to look from: the one that is named, else a running floor's present.
pub async fn instant(source: &SourceArgs) -> anyhow::Result<DateTime<Utc>> {
    if let Some(at) = source.at {
        return Ok(at);
    }
    let asker = Asker::connect(&source.ask).await?;
    let picture: FloorPicture = asker.bus.ask(&asker.site, "floor", &()).await?;
    Ok(picture.now)
}

/// Whether a fact had happened at the instant that is looked from: of a running floor all
/// has that its log holds, also what was stated a moment ago.
pub fn had_happened(source: &SourceArgs, at: DateTime<Utc>, fact: &Fact) -> bool {
    source.at.is_none() || fact.occurred_at <= at
}

/// The floor as it was at the instant that is looked from.
pub async fn floor(source: &SourceArgs, practice: Practice) -> anyhow::Result<Floor> {
    let at = instant(source).await?;
    let mut floor = Floor::new(practice, at);
    each(&of(source), |fact| {
        if had_happened(source, at, fact) {
            floor.apply(fact);
        }
    })
    .await?;
    floor.refresh(at);
    Ok(floor)
}

/// The rooms that a running floor's site has, whether or not a fact speaks of them.
pub fn own_rooms(args: &FactsArgs) -> Known {
    let running = args.facts.is_empty().then(|| Running::read(&args.ask.data));
    let rooms = running.flatten().map(|running| running.rooms);
    let rooms = rooms.into_iter().flatten().map(|(id, _)| id);
    Known::default().with(Kind::Room, rooms)
}

/// Whose facts a command looks at.
pub fn of(source: &SourceArgs) -> FactsArgs {
    FactsArgs {
        facts: source.replay.iter().cloned().collect(),
        ask: source.ask.clone(),
    }
}

/// Gives every fact to `take`, and says on standard error what was left out.
pub async fn each(args: &FactsArgs, mut take: impl FnMut(&Fact)) -> anyhow::Result<()> {
    let mut left = Left::default();
    if args.facts.is_empty() {
        let asker = Asker::connect(&args.ask).await?;
        let end = asker.bus.floor_end().await?;
        let mut log = asker.bus.floor_after(None).await?;
        while log.position().seq < end {
            for message in log.next_chunk(CHUNK).await? {
                match message.read() {
                    Ok(Read::Fact(fact)) if fact.site == asker.site => take(&fact),
                    Ok(Read::Fact(_)) => {}
                    Ok(Read::UnknownType(_)) => left.unknown += 1,
                    Err(_) => left.unreadable += 1,
                }
            }
        }
        left.tell();
        return Ok(());
    }
    for path in &args.facts {
        let shown = path.display();
        lines::each(path, |number, read| {
            match read {
                Ok(Read::Fact(fact)) => take(&fact),
                Ok(Read::UnknownType(unknown)) => {
                    left.unknown += 1;
                    if left.unknown <= TOLD {
                        let ty = unknown.ty;
                        eprintln!("{shown}:{number}: {ty} is not known here: left out");
                    }
                }
                Err(error) => {
                    left.unreadable += 1;
                    if left.unreadable <= TOLD {
                        eprintln!("{shown}:{number}: {error}: left out");
                    }
                }
            }
            Ok(())
        })?;
    }
    left.tell();
    Ok(())
}

/// How many lines of a kind are named before they are only counted.
const TOLD: u64 = 5;

#[derive(Default)]
struct Left {
    unknown: u64,
    unreadable: u64,
}

impl Left {
    fn tell(&self) {
        if self.unknown + self.unreadable > 0 {
            eprintln!(
                "LOOK: {} messages of unknown type and {} unreadable ones were left out: what they say is not in the answer",
                self.unknown, self.unreadable
            );
        }
    }
}
