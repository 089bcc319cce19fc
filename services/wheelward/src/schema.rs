//! Writes the JSON Schemas and the AsyncAPI document, or checks that they are up to date.

use anyhow::Context as _;
use serde_json::Value;

use crate::cli::SchemaArgs;

/// `wheelward facts schema`
pub fn run(args: &SchemaArgs) -> anyhow::Result<()> {
    let documents = facts::TYPES
        .iter()
        .map(|info| (format!("{}.json", info.ty), facts::schema::of(info)))
        .chain([("asyncapi.json".to_owned(), facts::schema::asyncapi())]);
    let mut count = 0;
    for (name, document) in documents {
        let path = args.out.join(&name);
        let text = pretty(&document)?;
        if args.check {
            let there = std::fs::read_to_string(&path).unwrap_or_default();
            if there != text {
                anyhow::bail!(
                    "{} is out of date: run `wheelward facts schema` and commit what it writes",
                    path.display()
                );
            }
        } else {
            std::fs::create_dir_all(&args.out)
                .with_context(|| format!("could not make the folder {}", args.out.display()))?;
            std::fs::write(&path, text)
                .with_context(|| format!("could not write {}", path.display()))?;
        }
        count += 1;
    }
    let done = if args.check { "up to date" } else { "written" };
    println!("{count} documents {done} in {}", args.out.display());
    Ok(())
}

fn pretty(document: &Value) -> anyhow::Result<String> {
    Ok(serde_json::to_string_pretty(document)? + "\n")
}
