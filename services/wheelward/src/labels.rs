//! Labels: previews and sheets, and what people ask and tell the label printer.

use std::path::Path;

use anyhow::Context as _;
use dispatch::recipe_named;
use facts::PersonId;
use label_printer::{Answered, Queue, WantedAgain};
use labels::{Card, Dpi, Drawing, Kind, Label, LabelJob, Templates, pdf, sheet};
use plan::Crew;
use recipe::Origin;
use site::Site;
use station::Action;

use crate::cli::{
    AnswerArgs, AskArgs, BadFile, FactsArgs, LabelCommand, LabelKind, PreviewArgs, ReprintArgs,
    Said, SheetArgs, SheetKind,
};
use crate::running::Asker;
use crate::table::Table;
use crate::{files, show, stating};

/// `wheelward label …`
pub async fn run(command: &LabelCommand) -> anyhow::Result<()> {
    match command {
        LabelCommand::Preview(args) => preview(args),
        LabelCommand::Sheet(args) => sheets(args),
        LabelCommand::Template { kind } => {
            print!("{}", Templates::ours(kind.kind()));
            Ok(())
        }
        LabelCommand::Queue { ask } => {
            let asker = Asker::connect(ask).await?;
            let queue: Queue = asker.bus.ask(&asker.site, "label.queue", &()).await?;
            show_queue(&queue, ask.json)
        }
        LabelCommand::Answer(args) => answer(args).await,
        LabelCommand::Reprint(args) => reprint(args).await,
    }
}

impl LabelKind {
    const fn kind(self) -> Kind {
        match self {
            Self::Wheel => Kind::Wheel,
            Self::Case => Kind::Case,
            Self::Stillage => Kind::Stillage,
            Self::Room => Kind::Room,
            Self::Position => Kind::Position,
            Self::Action => Kind::Action,
            Self::Badge => Kind::Badge,
        }
    }
}

fn preview(args: &PreviewArgs) -> anyhow::Result<()> {
    let site = args.site.as_deref().map(files::site).transpose()?;
    let mut label = match &args.from {
        Some(file) => serde_json::from_str(&files::text(file)?).map_err(|error| {
            let (line, column) = (error.line(), error.column());
            BadFile(format!("{}:{line}:{column}: {error}", file.display()))
        })?,
        None => args.kind.kind().sample()?,
    };
    if let (Some(site), None) = (&site, &args.from) {
        fill_in(&mut label, site, args)?;
    }
    let job = LabelJob {
        cause: "00000000-0000-7000-8000-000000000000".parse()?,
        copy: args.copy,
        label,
    };
    let templates = site.map(|site| site.labels.templates).unwrap_or_default();
    let drawing = templates.draw(&job, Dpi::try_from(args.dpi)?)?;
    let file = match args.out.extension().and_then(|end| end.to_str()) {
        Some("png") => drawing.bitmap().png()?,
        Some("pdf") => pdf(&job.label.of(), &[drawing])?,
        _ => anyhow::bail!(
            "name a file that ends in .png or .pdf, not {}",
            args.out.display()
        ),
    };
    write(&args.out, &file)
}

/// The site's own texts in the place of the invented ones.
fn fill_in(label: &mut Label, site: &Site, args: &PreviewArgs) -> anyhow::Result<()> {
    let recipe = match args.recipe {
        Some(id) => recipe_named(&site.recipes, id)?,
        None => site
            .recipes
            .iter()
            .next()
            .context("the site has no recipe")?,
    };
    let (product, dairy) = (site.labels.product(recipe), site.dairy());
    match label {
        Label::Wheel(wheel) => (wheel.product, wheel.dairy) = (product, dairy),
        Label::Case(case) => (case.product, case.dairy) = (product, dairy),
        Label::Stillage(card)
        | Label::Room(card)
        | Label::Position(card)
        | Label::Action(card)
        | Label::Badge(card) => card.dairy.clone_from(&site.name),
    }
    Ok(())
}

fn sheets(args: &SheetArgs) -> anyhow::Result<()> {
    let site = files::site(&args.site)?;
    let title = |what: &str| format!("{} – {what}", site.name);
    let parts: Vec<(String, Vec<Label>)> = match args.kind {
        SheetKind::Actions => vec![(title("cards for stations"), station_cards(&site))],
        SheetKind::Badges => vec![(title("badges"), badges(args, &site)?)],
        SheetKind::Rooms => {
            let (rooms, places) = rooms(&site);
            vec![(title("rooms"), rooms), (title("places in rooms"), places)]
        }
        SheetKind::Stillages => vec![(title("stillages"), stillages(args, &site)?)],
    };
    let mut pages = Vec::new();
    let mut number = 0;
    for (title, cards) in &parts {
        let mut drawn: Vec<Drawing> = Vec::new();
        for card in cards {
            let drawing = site.labels.templates.draw_label(card, Dpi::D300)?;
            drawn.extend(std::iter::repeat_n(drawing, usize::from(args.each)));
        }
        number += drawn.len();
        pages.extend(sheet(title, &drawn)?);
    }
    let names: Vec<&str> = parts.iter().map(|(title, _)| title.as_str()).collect();
    write(&args.pdf, &pdf(&names.join(", "), &pages)?)?;
    println!(
        "{number} on {} A4 pages: print them in their own size (100 %)",
        pages.len()
    );
    Ok(())
}

fn card(site: &Site, code: String, name: &str, note: &str) -> Card {
    Card {
        code,
        name: name.to_owned(),
        note: note.to_owned(),
        dairy: site.name.clone(),
    }
}

/// Everything that a station without a keyboard is told by a card.
fn station_cards(site: &Site) -> Vec<Label> {
    let mut cards = Vec::new();
    for (action, name, ask) in Action::ALL {
        let note = match action {
            Action::Undo => "takes the last record back",
            _ => ask,
        };
        cards.push(card(site, format!("A.{name}"), name, note));
    }
    for grade in ["A", "B", "C", "REJECT"] {
        cards.push(card(site, format!("G.{grade}"), grade, "grade"));
    }
    for number in (0..=100).step_by(5) {
        let note = "a number: rind cover or blue coverage, %";
        cards.push(card(site, format!("N.{number}"), &number.to_string(), note));
    }
    for recipe in site.recipes.iter() {
        let note = format!("recipe v{}", recipe.version);
        if site
            .recipes
            .newest(recipe.id)
            .is_some_and(|newest| newest.version == recipe.version)
        {
            cards.push(card(site, format!("C.{}", recipe.id), &recipe.name, &note));
        }
        for market in &recipe.markets {
            let code = format!("M.{}", market.id);
            if !cards.iter().any(|other| other.code == code) {
                cards.push(card(site, code, market.id.as_str(), "market"));
            }
        }
        for hold in &recipe.holds {
            let code = format!("Q.{}", hold.id);
            if !cards.iter().any(|other| other.code == code) {
                cards.push(card(
                    site,
                    code,
                    hold.id.as_str(),
                    &format!("hold: {}", hold.reason),
                ));
            }
        }
    }
    for station in &site.stations {
        if let Some(scale) = &station.scale {
            let note = format!("scale, {}", station.name);
            cards.push(card(
                site,
                format!("T.{}", scale.tool),
                scale.tool.as_str(),
                &note,
            ));
        }
    }
    cards.into_iter().map(Label::Action).collect()
}

fn badges(args: &SheetArgs, site: &Site) -> anyhow::Result<Vec<Label>> {
    let people: Vec<(String, String)> = match &args.crew {
        Some(file) => {
            let text = files::text(file)?;
            let origin = Origin {
                file: &file.display().to_string(),
                text: &text,
            };
            let crew = Crew::parse(&origin).map_err(|error| BadFile(error.to_string()))?;
            let badges = crew.people.iter().map(|person| person.badge.to_string());
            badges.map(|badge| (badge, String::new())).collect()
        }
        None => named(&args.codes)?,
    };
    anyhow::ensure!(
        !people.is_empty(),
        "name the badges: --codes P01=Anna,P02 or --crew FILE"
    );
    let mut cards = Vec::new();
    for (badge, name) in people {
        facts::PersonId::new(&badge)?;
        cards.push(Label::Badge(card(
            site,
            format!("P.{badge}"),
            &badge,
            &name,
        )));
    }
    Ok(cards)
}

fn stillages(args: &SheetArgs, site: &Site) -> anyhow::Result<Vec<Label>> {
    let codes = named(&args.codes)?;
    anyhow::ensure!(!codes.is_empty(), "name the stillages: --codes S01..S24");
    let mut cards = Vec::new();
    for (code, note) in codes {
        facts::StillageId::new(&code)?;
        cards.push(Label::Stillage(card(
            site,
            format!("S.{code}"),
            &code,
            &note,
        )));
    }
    Ok(cards)
}

/// Doors, and the places behind them: `P01`, `P02` …
fn rooms(site: &Site) -> (Vec<Label>, Vec<Label>) {
    let mut doors = Vec::new();
    let mut places = Vec::new();
    for room in &site.rooms {
        let code = format!("R.{}", room.id);
        doors.push(Label::Room(card(site, code, room.id.as_str(), &room.name)));
        for number in 1..=room.positions {
            let place = format!("P{number:02}");
            let code = format!("R.{}.{place}", room.id);
            let note = format!("{}, {}", room.id, room.name);
            places.push(Label::Position(card(site, code, &place, &note)));
        }
    }
    (doors, places)
}

/// Codes with the name after `=`; `S01..S24` is a row of them.
fn named(codes: &[String]) -> anyhow::Result<Vec<(String, String)>> {
    let mut all = Vec::new();
    for code in codes {
        match code.split_once("..") {
            Some((first, last)) => {
                all.extend(
                    row(first, last)?
                        .into_iter()
                        .map(|code| (code, String::new())),
                );
            }
            None => {
                let (code, name) = code.split_once('=').unwrap_or((code, ""));
                all.push((code.trim().to_owned(), name.trim().to_owned()));
            }
        }
    }
    Ok(all)
}

fn row(first: &str, last: &str) -> anyhow::Result<Vec<String>> {
    let split = |code: &str| {
        let digits = code.bytes().rev().take_while(u8::is_ascii_digit).count();
        let (letters, number) = code.split_at(code.len() - digits);
        Some((letters.to_owned(), number.parse::<u32>().ok()?, digits))
    };
    let wrong = || format!("{first}..{last} is no row: write it like S01..S24");
    let (letters, from, digits) = split(first).with_context(wrong)?;
    let (same, to, _) = split(last).with_context(wrong)?;
    anyhow::ensure!(letters == same && from <= to && to - from < 1_000, wrong());
    Ok((from..=to)
        .map(|number| format!("{letters}{number:0digits$}"))
        .collect())
}

fn write(path: &Path, file: &[u8]) -> anyhow::Result<()> {
    std::fs::write(path, file).with_context(|| format!("could not write {}", path.display()))?;
    println!("{}", path.display());
    Ok(())
}

async fn answer(args: &AnswerArgs) -> anyhow::Result<()> {
    let asker = Asker::connect(&args.ask).await?;
    let person = match args.badge {
        Some(badge) => Some(person(&args.ask, badge).await?),
        None => None,
    };
    let answered = Answered {
        label: args.job.clone(),
        printed: args.said == Said::Printed,
        person,
    };
    let said: String = asker
        .bus
        .ask_to_do(&asker.site, "label.answer", &answered)
        .await?;
    println!("{said}");
    Ok(())
}

/// Somebody whom the running floor knows.
async fn person(ask: &AskArgs, badge: PersonId) -> anyhow::Result<PersonId> {
    let floor = FactsArgs {
        facts: Vec::new(),
        ask: ask.clone(),
    };
    stating::person_named(&floor, badge).await
}

async fn reprint(args: &ReprintArgs) -> anyhow::Result<()> {
    let asker = Asker::connect(&args.ask).await?;
    let wanted = WantedAgain {
        label: args.label.clone(),
        reason: args.because.clone(),
        person: person(&args.ask, args.badge).await?,
    };
    let said: String = asker
        .bus
        .ask_to_do(&asker.site, "label.reprint", &wanted)
        .await?;
    println!("{said}");
    Ok(())
}

fn show_queue(queue: &Queue, json: bool) -> anyhow::Result<()> {
    if json {
        return show::print_json(queue);
    }
    let mut table = Table::new(&["printer", "prints", "since", "what is wrong"]);
    for printer in &queue.printers {
        let prints: Vec<&str> = printer.prints.iter().map(|kind| kind.name()).collect();
        let (since, text) = match &printer.trouble {
            Some(open) => (
                open.since.format("%F %H:%MZ").to_string(),
                open.text.clone(),
            ),
            None => (String::new(), "nothing".to_owned()),
        };
        table.row([printer.name.clone(), prints.join(", "), since, text]);
    }
    table.print();
    if queue.in_doubt.is_empty() {
        println!("\nNo label waits for a person's answer.");
        return Ok(());
    }
    println!("\nDid these come out? wheelward label answer LABEL printed, or not-printed:\n");
    let mut table = Table::new(&["label", "printer", "since", "job"]);
    for label in &queue.in_doubt {
        table.row([
            label.label.clone(),
            label.printer.clone(),
            label.since.format("%F %H:%MZ").to_string(),
            label.cause.to_string(),
        ]);
    }
    table.print();
    Ok(())
}
