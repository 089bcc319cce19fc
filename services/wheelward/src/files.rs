//! Files that people write.

use std::path::Path;

use anyhow::Context as _;
use recipe::{Origin, Recipe};
use site::Site;

use crate::cli::{BadFile, CheckArgs};

/// Reads a site file with its recipes.
pub fn site(path: &Path) -> anyhow::Result<Site> {
    let folder = path.parent().unwrap_or_else(|| Path::new(""));
    let open = |path: &Path| std::fs::read_to_string(path).map_err(|e| e.to_string());
    parse(&path.display().to_string(), &text(path)?, folder, open)
}

/// Reads a site file that is in memory, as its recipes are.
pub fn site_text(
    name: &str,
    text: &str,
    open: impl Fn(&Path) -> Result<String, String>,
) -> anyhow::Result<Site> {
    parse(name, text, Path::new(""), open)
}

fn parse(
    file: &str,
    text: &str,
    folder: &Path,
    open: impl Fn(&Path) -> Result<String, String>,
) -> anyhow::Result<Site> {
    Site::parse(&Origin { file, text }, folder, open).map_err(|e| BadFile(e.to_string()).into())
}

/// Reads a recipe file.
pub fn recipe(path: &Path) -> anyhow::Result<Recipe> {
    let text = text(path)?;
    let origin = Origin {
        file: &path.display().to_string(),
        text: &text,
    };
    Recipe::parse(&origin).map_err(|e| BadFile(e.to_string()).into())
}

/// Reads a text file.
pub fn text(path: &Path) -> anyhow::Result<String> {
    std::fs::read_to_string(path).with_context(|| format!("could not open {}", path.display()))
}

/// `wheelward check`
pub fn check(args: &CheckArgs) -> anyhow::Result<()> {
    for path in &args.files {
        // A recipe file names a recipe at its top; a site file has a table of its own.
        if text(path)?
            .lines()
            .take_while(|line| !line.starts_with('['))
            .any(|line| line.trim_start().starts_with("recipe "))
        {
            check_recipe(path)?;
        } else {
            let site = site(path)?;
            println!(
                "{}: site {} is right: {} rooms, {} stations, {} recipes",
                path.display(),
                site.id,
                site.rooms.len(),
                site.stations.len(),
                site.recipes.iter().count()
            );
        }
    }
    Ok(())
}

/// Says that a recipe file is right.
pub fn check_recipe(path: &Path) -> anyhow::Result<()> {
    let Recipe { id, version, .. } = recipe(path)?;
    println!("{}: recipe {id} v{version} is right", path.display());
    Ok(())
}
