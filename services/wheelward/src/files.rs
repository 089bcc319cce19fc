//! Files that people write.

use std::path::Path;

use anyhow::Context as _;
use dispatch::Customers;
use plan::{Crew, Makes};
use recipe::{Located, Origin, Recipe, RecipeBook};
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
    located(path, Recipe::parse)
}

/// Reads a text file.
pub fn text(path: &Path) -> anyhow::Result<String> {
    std::fs::read_to_string(path).with_context(|| format!("could not open {}", path.display()))
}

/// Reads a crew file.
pub fn crew(path: &Path) -> anyhow::Result<Crew> {
    located(path, Crew::parse)
}

/// Reads a file of planned vats, by the recipes of a site.
pub fn makes(path: &Path, recipes: &RecipeBook) -> anyhow::Result<Makes> {
    located(path, |origin| Makes::parse(origin, recipes))
}

/// Reads a customers file.
pub fn customers(path: &Path) -> anyhow::Result<Customers> {
    located(path, Customers::parse)
}

/// Reads the dairy's own checks and sampling plans.
pub fn safety(path: &Path) -> anyhow::Result<safety::Plan> {
    located(path, safety::Plan::parse)
}

/// Reads what the papers for others say of the dairy.
pub fn papers(path: &Path) -> anyhow::Result<papers::Dairy> {
    located(path, papers::Dairy::parse)
}

fn located<T>(
    path: &Path,
    parse: impl FnOnce(&Origin<'_>) -> Result<T, Located>,
) -> anyhow::Result<T> {
    let text = text(path)?;
    let origin = Origin {
        file: &path.display().to_string(),
        text: &text,
    };
    parse(&origin).map_err(|e| BadFile(e.to_string()).into())
}

/// Which kind of file a person wrote.
#[derive(Clone, Copy)]
enum Kind {
    Site,
    Recipe,
    Crew,
    Customers,
    Makes,
    Safety,
    Papers,
}

impl Kind {
    /// Told from what only such a file has: a recipe names itself at its top, a crew has
    /// people, customers have lanes, makes have vats, checks have controls, papers have the
    /// dairy. Anything else is meant as a site file.
    fn of(text: &str) -> Self {
        let has = |head: &str| text.lines().any(|line| line.trim() == head);
        let top = |key: &str| {
            text.lines()
                .take_while(|line| !line.starts_with('['))
                .any(|line| line.trim_start().starts_with(key))
        };
        if top("recipe ") {
            Self::Recipe
        } else if has("[[person]]") || has("[[task]]") {
            Self::Crew
        } else if has("[[lane]]") || has("[[market]]") {
            Self::Customers
        } else if has("[[vat]]") {
            Self::Makes
        } else if has("[[control]]") || has("[[sampling]]") {
            Self::Safety
        } else if has("[dairy]") {
            Self::Papers
        } else {
            Self::Site
        }
    }
}

/// `wheelward check`
pub fn check(args: &CheckArgs) -> anyhow::Result<()> {
    let mut recipes = RecipeBook::default();
    let (mut makes_later, mut customers_later) = (Vec::new(), Vec::new());
    for path in &args.files {
        let shown = path.display();
        match Kind::of(&text(path)?) {
            Kind::Recipe => check_recipe(path)?,
            Kind::Crew => {
                let crew = crew(path)?;
                println!(
                    "{shown}: the crew is right: {} people, {} machines, {} kinds of work",
                    crew.people.len(),
                    crew.machines.len(),
                    crew.rules.len()
                );
            }
            Kind::Customers => {
                customers_later.push((path, customers(path)?));
            }
            Kind::Safety => {
                safety(path)?;
                println!("{shown}: the checks and sampling plans are right");
            }
            Kind::Papers => {
                papers(path)?;
                println!("{shown}: what papers say of the dairy is right");
            }
            Kind::Makes => makes_later.push(path),
            Kind::Site => {
                let site = site(path)?;
                println!(
                    "{shown}: site {} is right: {} rooms, {} stations, {} recipes",
                    site.id,
                    site.rooms.len(),
                    site.stations.len(),
                    site.recipes.iter().count()
                );
                check_people(path, &site)?;
                if let Some(dispatch) = &site.dispatch {
                    let own = customers(&dispatch.customers)?;
                    check_markets(&dispatch.customers, &own, &site.recipes)?;
                }
                for recipe in site.recipes.iter() {
                    recipes.add(recipe.as_ref().clone());
                }
            }
        }
    }
    for (path, customers) in customers_later {
        check_markets(path, &customers, &recipes)?;
        println!("{}: the customers are right", path.display());
    }
    // What a vat is made by stands in a site's recipes, wherever that was named.
    for path in makes_later {
        if recipes.iter().next().is_none() {
            anyhow::bail!(
                "{}: planned vats are checked against recipes: name the site file as well",
                path.display()
            );
        }
        makes(path, &recipes)?;
        println!("{}: the planned vats are right", path.display());
    }
    Ok(())
}

/// Checks that scanners know everyone who works here.
pub fn check_people(path: &Path, site: &Site) -> anyhow::Result<()> {
    let shown = path.display();
    if let Some(nobody) = site.nobody_scans() {
        return Err(BadFile(format!("{shown}: {nobody}")).into());
    }
    let crew_file = site
        .gateway
        .as_ref()
        .and_then(|gateway| gateway.crew.as_ref());
    let Some(crew_file) = crew_file.filter(|_| !site.stations.is_empty()) else {
        return Ok(());
    };
    let crew = crew(crew_file)?;
    let unknown = crew
        .people
        .iter()
        .find(|person| !site.people.contains_key(&person.badge));
    match unknown {
        Some(person) => Err(BadFile(format!(
            "{shown}: badge {} of {} is not among badges under [people]: scanners would refuse it",
            person.badge,
            crew_file.display()
        ))
        .into()),
        None => Ok(()),
    }
}

/// Checks that somebody describes every market that customers are in: the law there, and how
/// much life cheese must have left, would else silently be none.
fn check_markets(path: &Path, customers: &Customers, recipes: &RecipeBook) -> anyhow::Result<()> {
    let shown = path.display();
    for customer in customers.customers.values() {
        if let Err(unknown) = customers.market_named(recipes, customer.market) {
            return Err(BadFile(format!(
                "{shown}: customer {}: {unknown} Describe it in a [[market]] here or in a recipe (and name the site file as well)",
                customer.id
            ))
            .into());
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
