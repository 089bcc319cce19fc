//! Moving a batch to another recipe or version, on purpose.

use anyhow::{Context as _, bail};
use dispatch::recipe_named;
use facts::{Event, VatRecipeChanged};
use ripening::{Floor, answer};

use super::Head;
use crate::cli::MoveArgs;
use crate::stating::Desk;
use crate::{files, reading};

/// The desk whose facts these are.
const DESK: &str = "recipe-desk";

/// `wheelward recipe move`
pub async fn run(args: &MoveArgs) -> anyhow::Result<()> {
    let source = &args.source;
    let site = files::site(&source.site)?;
    let newest = recipe_named(&site.recipes, args.to)?;
    let Some(recipe) = site.recipes.get(args.to, args.version) else {
        let known: Vec<_> = site
            .recipes
            .iter()
            .filter(|recipe| recipe.id == args.to)
            .map(|recipe| format!("v{}", recipe.version))
            .collect();
        bail!(
            "recipe {} has no version {}; it has {}: name that file in the site file first",
            newest.id,
            args.version,
            known.join(", ")
        );
    };
    let at = reading::instant(source).await?;
    let facts = reading::of(source);
    let mut floor = Floor::new(scheduler::practice(&site), at);
    let mut desk = Desk::new(DESK)?.knows(site.people.keys().copied());
    reading::each(&facts, |fact| {
        desk.saw(fact);
        if reading::had_happened(source, at, fact) {
            floor.apply(fact);
        }
    })
    .await?;
    desk.person(&args.record)?;
    let (batch, _) = answer::batch_named(&floor, args.batch)?;
    let by = floor.recipe_of(batch).with_context(|| {
        format!(
            "batch {batch} was made by a recipe that site {} does not name: name its file in the site file first",
            site.id
        )
    })?;
    if (by.id, by.version) == (args.to, args.version) {
        bail!(
            "batch {batch} ripens by {} v{} already",
            args.to,
            args.version
        );
    }
    let (was, is) = (Head::of(by), Head::of(recipe));
    let wheels = floor
        .wheels()
        .filter(|(_, wheel)| wheel.state().batch == Some(batch) && wheel.state().on_floor())
        .count();
    let moved = Event::from(VatRecipeChanged {
        batch,
        recipe: recipe.id,
        recipe_version: args.version,
        reason: args.reason.clone(),
    });
    desk.record(
        (site.id, at),
        &source.ask,
        &args.record,
        source.replay.is_some(),
        vec![moved],
    )
    .await?;
    println!(
        "Batch {batch} ripens by {is} from now on, no longer by {was}: {wheels} wheels on the floor."
    );
    Ok(())
}
