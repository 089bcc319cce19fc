//! The `[[printer]]` sections: where labels come out.

use std::path::{Path, PathBuf};

use labels::{Dpi, Kind};
use recipe::{Located, Origin};
use serde::Deserialize;
use toml::Spanned;

/// Where labels are printed.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Printer {
    /// What people call it.
    pub name: String,
    /// The device or folder.
    pub target: PrintTarget,
    /// Its resolution.
    pub dpi: Dpi,
    /// The kinds of label that it prints. Each kind has one printer at most.
    pub prints: Vec<Kind>,
}

/// A printer, or a folder that stands in for one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PrintTarget {
    /// PNG files in a folder.
    Folder(PathBuf),
    /// An Internet Printing Protocol printer (RFC 8010, 8011).
    Ipp(String),
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PrinterTable {
    name: Spanned<String>,
    target: Spanned<String>,
    dpi: Spanned<u32>,
    prints: Option<Spanned<Vec<Spanned<String>>>>,
}

pub(crate) fn read(
    origin: &Origin<'_>,
    folder: &Path,
    tables: &[PrinterTable],
) -> Result<Vec<Printer>, Located> {
    let mut printers: Vec<Printer> = Vec::new();
    for table in tables {
        let name = table.name.get_ref();
        if name.trim().is_empty() || name.len() > 60 || name.contains(char::is_control) {
            let message = "a printer's name has 1 to 60 characters: it stands in alerts";
            return Err(origin.error(table.name.span(), message));
        }
        if printers.iter().any(|other| other.name == *name) {
            let message = format!("another printer is called {name:?}: give each its own name");
            return Err(origin.error(table.name.span(), message));
        }
        let prints = read_kinds(origin, table, &printers)?;
        printers.push(Printer {
            name: name.clone(),
            target: read_target(origin, folder, &table.target)?,
            dpi: Dpi::try_from(*table.dpi.get_ref())
                .map_err(|unknown| origin.error(table.dpi.span(), unknown.to_string()))?,
            prints,
        });
    }
    Ok(printers)
}

/// The kinds named, or without any those that no printer before prints.
fn read_kinds(
    origin: &Origin<'_>,
    table: &PrinterTable,
    before: &[Printer],
) -> Result<Vec<Kind>, Located> {
    let asked_for = || Kind::ALL.into_iter().filter(|kind| kind.is_asked_for());
    let taken = |kind: Kind| before.iter().find(|other| other.prints.contains(&kind));
    let Some(named) = &table.prints else {
        let rest: Vec<Kind> = asked_for().filter(|kind| taken(*kind).is_none()).collect();
        if rest.is_empty() {
            let message = "nothing is left for this printer to print: name its kinds of label \
                           with prints = [\"wheel\"] here and at the printers before";
            return Err(origin.error(table.name.span(), message));
        }
        return Ok(rest);
    };
    let mut kinds = Vec::new();
    for word in named.get_ref() {
        let kind = asked_for().find(|kind| kind.name() == word.get_ref());
        let Some(kind) = kind else {
            let known: Vec<&str> = asked_for().map(Kind::name).collect();
            let message = format!(
                "{:?} is no kind of label that is printed one by one: write {}. Cards and \
                 badges are printed as sheets",
                word.get_ref(),
                known.join(" or ")
            );
            return Err(origin.error(word.span(), message));
        };
        if let Some(other) = taken(kind) {
            let message = format!("{kind} labels are printed by {:?} already", other.name);
            return Err(origin.error(word.span(), message));
        }
        kinds.push(kind);
    }
    if kinds.is_empty() {
        return Err(origin.error(named.span(), "prints is empty: leave it out to print all"));
    }
    Ok(kinds)
}

fn read_target(
    origin: &Origin<'_>,
    folder: &Path,
    target: &Spanned<String>,
) -> Result<PrintTarget, Located> {
    let text = target.get_ref().as_str();
    if let Some(path) = text.strip_prefix("file:").filter(|p| !p.is_empty()) {
        Ok(PrintTarget::Folder(folder.join(path)))
    } else if text.starts_with("ipp://") {
        Ok(PrintTarget::Ipp(text.to_owned()))
    } else {
        let message =
            format!("target is {text:?}: write \"file:labels\" or \"ipp://printer:631/ipp/print\"");
        Err(origin.error(target.span(), message))
    }
}
