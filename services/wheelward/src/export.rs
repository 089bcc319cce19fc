//! Writes a running floor's facts to a file.

use std::io::Write;

use anyhow::Context as _;
use facts::wire::{self, Read};

use crate::cli::ExportArgs;
use crate::running::Asker;

/// How many messages are taken at once.
const CHUNK: usize = 1_000;

/// `wheelward facts export`
pub async fn run(args: &ExportArgs) -> anyhow::Result<()> {
    let asker = Asker::connect(&args.ask).await?;
    let mut out: Box<dyn Write> = match &args.out {
        Some(path) => Box::new(std::io::BufWriter::new(
            std::fs::File::create(path)
                .with_context(|| format!("could not write {}", path.display()))?,
        )),
        None => Box::new(std::io::BufWriter::new(std::io::stdout())),
    };
    let end = asker.bus.floor_end().await?;
    let mut log = asker.bus.floor_after(None).await?;
    let (mut written, mut left) = (0_u64, 0_u64);
    while log.position().seq < end {
        for message in log.next_chunk(CHUNK).await? {
            match message.read() {
                Ok(Read::Fact(fact)) if fact.site == asker.site => {
                    writeln!(out, "{}", wire::to_line(&fact)?)?;
                    written += 1;
                }
                Ok(Read::Fact(_)) => {}
                Ok(Read::UnknownType(_)) | Err(_) => left += 1,
            }
        }
    }
    out.flush()?;
    if written == 0 && end > 0 {
        anyhow::bail!(
            "the log has no fact of site {}: see how the site file writes its id",
            asker.site
        );
    }
    eprintln!("{written} facts written; {left} unknown or unreadable messages left in the log");
    Ok(())
}
