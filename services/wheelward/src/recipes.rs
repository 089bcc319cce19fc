//! Recipes as people read them: checked, drawn, compared, and what another one would
//! change for the wheels on a floor.

mod moving;
mod on_the_floor;

use std::path::{Path, PathBuf};

use on_the_floor::OnTheFloor;
use recipe::{Difference, Line, Recipe, RecipeBook, Timeline};
use serde::Serialize;

use crate::cli::{BadFile, CompareArgs, RecipeCommand};
use crate::table::{self, Table};
use crate::{files, replay, show};

/// Columns to draw in when nobody says how many there are.
const COLUMNS: u16 = 80;

/// `wheelward recipe`
pub async fn run(command: &RecipeCommand) -> anyhow::Result<()> {
    match command {
        RecipeCommand::Check { files } => check(files),
        RecipeCommand::Show { file, json } => show(file, *json),
        RecipeCommand::Compare(args) => compare(args),
        RecipeCommand::Move(args) => moving::run(args).await,
    }
}

/// Looks at every file before it says which are wrong.
fn check(paths: &[PathBuf]) -> anyhow::Result<()> {
    let mut wrong = Vec::new();
    for path in paths {
        match files::check_recipe(path) {
            Err(error) if error.is::<BadFile>() => wrong.push(error.to_string()),
            other => other?,
        }
    }
    if wrong.is_empty() {
        return Ok(());
    }
    Err(BadFile(wrong.join("\n")).into())
}

#[derive(Serialize)]
struct Shown {
    #[serde(flatten)]
    head: Head,
    timeline: Timeline,
    rules: Vec<Line>,
}

/// Which recipe.
#[derive(PartialEq, Serialize)]
struct Head {
    recipe: facts::RecipeId,
    version: u32,
    name: String,
}

impl Head {
    fn of(recipe: &Recipe) -> Self {
        Self {
            recipe: recipe.id,
            version: recipe.version,
            name: recipe.name.clone(),
        }
    }
}

impl std::fmt::Display for Head {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} v{}, {}", self.recipe, self.version, self.name)
    }
}

fn show(path: &Path, json: bool) -> anyhow::Result<()> {
    let recipe = files::recipe(path)?;
    let shown = Shown {
        head: Head::of(&recipe),
        timeline: Timeline::of(&recipe),
        rules: recipe.lines(),
    };
    if json {
        return show::print_json(&shown);
    }
    let width = table::width().unwrap_or(COLUMNS);
    println!("{}\n\n{}", shown.head, shown.timeline.draw(width.into()));
    println!("▒ may be, █ aimed at\n");
    let mut table = Table::new(&["rule", "says"]);
    for line in shown.rules {
        table.row([line.what, line.says]);
    }
    table.print();
    Ok(())
}

#[derive(Serialize)]
struct Compared {
    a: Head,
    b: Head,
    differences: Vec<Difference>,
    floor: Option<OnTheFloor>,
}

fn compare(args: &CompareArgs) -> anyhow::Result<()> {
    let (a, b) = (files::recipe(&args.a)?, files::recipe(&args.b)?);
    let floor = match (&args.replay, args.at, &args.site) {
        (Some(file), Some(at), Some(site)) => {
            let practice = scheduler::practice(&files::site(site)?);
            let by = |recipe: &Recipe| ripening::Practice {
                recipes: instead_of(&a, recipe, &practice.recipes),
                ..practice.clone()
            };
            let [by_a, by_b] = replay::fold_each(file, at, [by(&a), by(&b)])?;
            Some(OnTheFloor::between(&by_a, &by_b, &a))
        }
        _ => None,
    };
    let compared = Compared {
        a: Head::of(&a),
        b: Head::of(&b),
        differences: recipe::compare(&a, &b),
        floor,
    };
    if args.json {
        return show::print_json(&compared);
    }
    compared.show(args);
    Ok(())
}

/// A site's recipes with the rules of `b` in the place of `a`, so that every batch that
/// goes by `a` goes by them.
fn instead_of(a: &Recipe, b: &Recipe, site: &RecipeBook) -> RecipeBook {
    let mut book = RecipeBook::default();
    // The first of a version stays in a book.
    book.add(Recipe {
        id: a.id,
        version: a.version,
        ..b.clone()
    });
    for recipe in site.iter() {
        book.add(recipe.as_ref().clone());
    }
    book
}

impl Compared {
    fn show(&self, args: &CompareArgs) {
        println!("A  {} ({})", self.a, args.a.display());
        println!("B  {} ({})\n", self.b, args.b.display());
        if self.differences.is_empty() {
            println!("Their rules are the same.");
        } else {
            let mut table = Table::new(&["rule", "by A", "by B"]);
            for difference in &self.differences {
                let says = |rule: &Option<String>| rule.clone().unwrap_or("nothing".to_owned());
                let (a, b) = (says(&difference.first), says(&difference.second));
                table.row([difference.what.clone(), a, b]);
            }
            table.print();
            if (self.a.recipe, self.a.version) == (self.b.recipe, self.b.version) {
                println!(
                    "\nBoth call themselves {} v{}: give B a version of its own before the site uses it.",
                    self.b.recipe, self.b.version
                );
            }
        }
        if let Some(floor) = &self.floor {
            println!();
            floor.show();
        }
    }
}
