//! Files of facts, a line each: read by every core, given in the order in which they lie.

use std::fs::File;
use std::io::{BufRead as _, BufReader, Read as _};
use std::path::Path;
use std::sync::mpsc::{Receiver, SyncSender, sync_channel};

use anyhow::Context as _;
use facts::wire::{self, Read, Unreadable};

/// Bytes read at a time.
const BLOCK: u64 = 1 << 20;

/// Blocks that wait for whoever reads lines, or for whoever takes them.
const WAITING: usize = 2;

/// What a line says; nothing of one that is no text.
type Line = (u64, Option<Result<Read, Unreadable>>);

/// Gives every line of a file that is not empty, with its number, from 1.
///
/// # Errors
/// The file cannot be read, a line is no text, or what `take` says.
pub fn each(
    path: &Path,
    mut take: impl FnMut(u64, Result<Read, Unreadable>) -> anyhow::Result<()>,
) -> anyhow::Result<()> {
    let shown = path.display();
    let file = File::open(path).with_context(|| format!("could not open {shown}"))?;
    let readers = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
    std::thread::scope(|scope| {
        let (mut given, mut taken) = (Vec::new(), Vec::new());
        for _ in 0..readers {
            let (give, blocks) = sync_channel(WAITING);
            let (lines, take) = sync_channel(WAITING);
            scope.spawn(move || read(&blocks, &lines));
            given.push(give);
            taken.push(take);
        }
        let blocks = scope.spawn(move || deal(file, &given));
        // Block by block, in the order in which they were dealt; the first that has none is
        // behind the last.
        'all: loop {
            for lines in &taken {
                let Ok(lines) = lines.recv() else {
                    break 'all;
                };
                for (number, read) in lines {
                    let read =
                        read.with_context(|| format!("{shown}:{number}: not readable as text"))?;
                    take(number, read)?;
                }
            }
        }
        let read = blocks.join();
        let read = read.unwrap_or_else(|_| Err(std::io::Error::other("reading ended badly")));
        read.with_context(|| format!("could not read {shown}"))
    })
}

/// Deals whole lines out in blocks, each with the number of its first line, one reader after
/// the other.
fn deal(file: File, readers: &[SyncSender<(u64, Vec<u8>)>]) -> std::io::Result<()> {
    let mut file = BufReader::with_capacity(1 << 16, file);
    let mut number = 1;
    for reader in readers.iter().cycle() {
        let mut block = Vec::new();
        file.by_ref().take(BLOCK).read_to_end(&mut block)?;
        if block.is_empty() {
            return Ok(());
        }
        file.read_until(b'\n', &mut block)?;
        let lines = block.iter().filter(|byte| **byte == b'\n').count() as u64;
        if reader.send((number, block)).is_err() {
            return Ok(()); // nobody wants more
        }
        number += lines;
    }
    Ok(())
}

fn read(blocks: &Receiver<(u64, Vec<u8>)>, taken: &SyncSender<Vec<Line>>) {
    while let Ok((first, block)) = blocks.recv() {
        let lines = (first..).zip(block.split(|byte| *byte == b'\n'));
        let read = lines.filter_map(|(number, line)| match std::str::from_utf8(line) {
            Ok(text) if text.trim().is_empty() => None,
            Ok(text) => Some((number, Some(wire::from_line(text.trim_end())))),
            Err(_) => Some((number, None)),
        });
        if taken.send(read.collect()).is_err() {
            return;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lines_come_in_order_with_their_numbers_whatever_the_blocks() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("facts.ndjson");
        // Lines of any length, some empty, of several blocks, the last without an end.
        let line = |n: usize| match n % 7 {
            0 => String::new(),
            _ => format!("{{\"nothing\":\"{}\"}}", "x".repeat(n % 900)),
        };
        let text: Vec<String> = (1..=9_000).map(line).collect();
        std::fs::write(&path, text.join("\n")).unwrap();
        let mut numbers = Vec::new();
        each(&path, |number, read| {
            assert!(read.is_err());
            numbers.push(number);
            Ok(())
        })
        .unwrap();
        let full: Vec<u64> = (1..=9_000).filter(|n| n % 7 != 0).collect();
        assert_eq!(numbers, full);
    }

    #[test]
    fn a_line_that_is_no_text_is_named_and_whoever_has_enough_may_stop() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("facts.ndjson");
        std::fs::write(&path, b"{}\n\n\xff\n{}\n").unwrap();
        let error = each(&path, |_, _| Ok(())).unwrap_err();
        assert!(
            error.to_string().contains(":3: not readable as text"),
            "{error}"
        );
        std::fs::write(&path, "{}\n".repeat(2_000_000)).unwrap();
        let enough = each(&path, |_, _| anyhow::bail!("enough")).unwrap_err();
        assert_eq!(enough.to_string(), "enough");
        let missing = each(&dir.path().join("none"), |_, _| Ok(())).unwrap_err();
        assert!(missing.to_string().contains("could not open"), "{missing}");
    }
}
