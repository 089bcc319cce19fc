//! `wheelward papers`: what others ask for.

use std::path::Path;

use anyhow::Context as _;
use bus::{Clock, Outbox};
use chrono::{DateTime, Utc};
use facts::{BatchId, Draft, Event, Fact, LotId, Scope, StationId};
use holds::{Rights, Rule};
use names::Known;
use papers::{Asked, Dairy, Sheet, epcis};
use safety::{Diary, Standing};
use trace::{Index, NoRecall, Recall, Settings, Trace};

use crate::cli::{
    BatchFileArgs, ChecksArgs, DairyArgs, EpcisArgs, FactsArgs, ImportArgs, NoticesArgs,
    PapersCommand, SheetsArgs,
};
use crate::running::Asker;
use crate::table::Table;
use crate::{files, reading, show, stating};

/// The station whose facts imported messages become.
const IMPORTS: &str = "papers-import";

/// `wheelward papers …`
pub async fn run(command: &PapersCommand) -> anyhow::Result<()> {
    match command {
        PapersCommand::Sheets(args) => sheets(args).await,
        PapersCommand::Batch(args) => batch(args).await,
        PapersCommand::Notices(args) => notices(args).await,
        PapersCommand::Epcis(args) => export(args).await,
        PapersCommand::Import(args) => import(args).await,
        PapersCommand::Checks(args) => checks(args).await,
    }
}

/// The facts that count, and the instant from which they are seen.
async fn counting(
    source: &FactsArgs,
    at: Option<DateTime<Utc>>,
    rights: &Rights,
) -> anyhow::Result<(Vec<Fact>, DateTime<Utc>)> {
    let mut all = Vec::new();
    reading::each(source, |fact| {
        if at.is_none_or(|at| fact.occurred_at <= at) {
            all.push(fact.clone());
        }
    })
    .await?;
    let last = all.iter().map(|fact| fact.occurred_at).max();
    let now = match at {
        Some(at) => at,
        None if source.facts.is_empty() => Clock::system().now(),
        None => last.context("the files hold no facts")?,
    };
    Ok((papers::counting(all, rights), now))
}

struct Ready {
    facts: Vec<Fact>,
    now: DateTime<Utc>,
    dairy: Dairy,
    clock: quantity::DairyClock,
    holds: Rule,
}

async fn ready(args: &DairyArgs) -> anyhow::Result<Ready> {
    let dairy = files::papers(&args.papers)?;
    let site = files::site(&args.site)?;
    let (facts, now) = counting(&args.source, args.at, &site.rights()).await?;
    Ok(Ready {
        facts,
        now,
        dairy,
        clock: site.clock,
        holds: site.hold_rule(),
    })
}

fn traced(
    facts: &[Fact],
    about: &Scope,
    sideways: bool,
    now: DateTime<Utc>,
    holds: Rule,
) -> Result<Recall, NoRecall> {
    let mut index = Index::new(holds);
    facts.iter().for_each(|fact| index.apply(fact));
    let settings = Settings {
        sideways,
        ..Settings::default()
    };
    index
        .trace()
        .recall_of(about, &Known::default(), &settings, now)
}

fn write(path: &Path, bytes: impl AsRef<[u8]>) -> anyhow::Result<()> {
    std::fs::write(path, bytes).with_context(|| format!("could not write {}", path.display()))?;
    println!("{}", path.display());
    Ok(())
}

fn folder(path: &Path) -> anyhow::Result<()> {
    std::fs::create_dir_all(path).with_context(|| format!("could not make {}", path.display()))
}

/// A traceability lot code is a batch's, or that of a lot that came in.
fn known_lot_code(trace: &Trace<'_>, lot: LotId) -> anyhow::Result<()> {
    let batch = BatchId::new(lot.as_str())?;
    if trace.batch(batch).is_err() {
        trace.lot(lot)?;
    }
    Ok(())
}

async fn sheets(args: &SheetsArgs) -> anyhow::Result<()> {
    let Ready {
        facts,
        now,
        dairy,
        clock,
        holds,
    } = ready(&args.dairy).await?;
    let mut index = Index::new(holds);
    facts.iter().for_each(|fact| index.apply(fact));
    let trace = index.trace();
    for lot in &args.lot {
        known_lot_code(&trace, *lot)?;
    }
    let asked = Asked {
        from: args.from,
        to: args.to,
        lots: args.lot.iter().map(ToString::to_string).collect(),
    };
    let sheets = [
        papers::traceability(&facts, &dairy, &clock, &asked),
        papers::one_step_back(&facts, &dairy, &clock, &asked),
        papers::one_step_forward(&facts, &dairy, &clock, &asked),
        papers::key_sheet(&dairy),
    ];
    folder(&args.out)?;
    for sheet in &sheets {
        let name = format!("{}.csv", sheet.name.replace(' ', "-"));
        write(&args.out.join(name), sheet.csv())?;
    }
    let book = papers::workbook(&sheets, &format!("{}: traceability", dairy.name), now)?;
    write(&args.out.join("traceability.xlsx"), book)?;
    let missing = sheets
        .iter()
        .map(Sheet::csv)
        .map(|csv| csv.matches("MISSING").count())
        .sum::<usize>();
    // The key sheet explains the word once.
    if missing > 1 {
        println!(
            "LOOK: {} cells say MISSING: the records or the papers file do not tell",
            missing - 1
        );
    }
    Ok(())
}

async fn batch(args: &BatchFileArgs) -> anyhow::Result<()> {
    let Ready {
        facts,
        now,
        dairy,
        clock,
        holds,
    } = ready(&args.dairy).await?;
    let plan = args.safety.as_deref().map(files::safety).transpose()?;
    let recall = traced(&facts, &Scope::Batch(args.batch), false, now, holds)?;
    let batch = recall.batches.first().copied().unwrap_or(args.batch);
    let pdf = papers::batch_file(batch, &facts, &recall, plan.as_ref(), &dairy, &clock);
    write(&args.out, pdf)
}

async fn notices(args: &NoticesArgs) -> anyhow::Result<()> {
    let Ready {
        facts,
        now,
        dairy,
        clock,
        holds,
    } = ready(&args.dairy).await?;
    let about = match (args.lot, args.batch) {
        (Some(lot), _) => Scope::Lot(lot),
        (None, Some(batch)) => Scope::Batch(batch),
        (None, None) => anyhow::bail!("say --lot or --batch"),
    };
    let recall = traced(&facts, &about, !args.no_contact, now, holds)?;
    if recall.customers.is_empty() {
        println!(
            "Nothing of {} has left: there is nobody to tell.",
            recall.about
        );
        return Ok(());
    }
    folder(&args.out)?;
    for (number, line) in (1..).zip(&recall.customers) {
        let order = line
            .order
            .map_or_else(|| "no-order".to_owned(), |order| order.to_string());
        let path = args.out.join(format!("{number:03}-{order}.txt"));
        write(&path, papers::notice(&recall, line, &dairy, &clock))?;
    }
    println!("Drafts: have them checked and signed as your recall plan says.");
    Ok(())
}

async fn export(args: &EpcisArgs) -> anyhow::Result<()> {
    let Ready {
        facts,
        now,
        dairy,
        clock,
        ..
    } = ready(&args.dairy).await?;
    let document = epcis::document(&facts, &dairy, &clock, now);
    match &args.out {
        Some(path) => write(path, serde_json::to_vec(&document)?),
        None => show::print_json(&document),
    }
}

async fn import(args: &ImportArgs) -> anyhow::Result<()> {
    let floor = FactsArgs {
        facts: Vec::new(),
        ask: args.ask.clone(),
    };
    let badge = match args.record {
        Some(badge) => Some(stating::person_named(&floor, badge).await?),
        None => None,
    };
    let dairy = files::papers(&args.papers)?;
    let import = epcis::import(&files::text(&args.message)?, &dairy)?;
    for flag in &import.flags {
        println!("LOOK: {flag}");
    }
    let mut table = Table::new(&["came in", "lot", "what", "from", "their code"]);
    for taken in &import.taken {
        let (lot, what, supplier, theirs) = match &taken.event {
            Event::MilkReceived(e) => (
                e.lot,
                format!("milk, {}", e.volume_l),
                &e.supplier,
                &e.supplier_lot,
            ),
            Event::LotReceived(e) => {
                let amount = e
                    .amount
                    .map(|a| format!(", {} {}", a.value, a.unit.symbol()));
                let what = format!("{}{}", e.product, amount.unwrap_or_default());
                (e.lot, what, &e.supplier, &e.supplier_lot)
            }
            _ => continue,
        };
        table.row([
            taken.at.format("%Y-%m-%d %H:%M UTC").to_string(),
            lot.to_string(),
            what,
            supplier.clone(),
            theirs.clone().unwrap_or_default(),
        ]);
    }
    table.print();
    let Some(badge) = badge else {
        println!("Nothing was recorded: look it over, then say --record with your badge.");
        return Ok(());
    };
    let asker = Asker::connect(&args.ask).await?;
    let station = StationId::new(IMPORTS)?;
    let outbox = Outbox::open(&args.ask.data.join(IMPORTS), asker.site)?;
    let drafts = import.taken.into_iter().map(|taken| Draft {
        occurred_at: taken.at,
        claimed_at: None,
        person: Some(badge),
        event: taken.event,
    });
    let recorded = outbox.record(&station, drafts.collect(), Clock::system().now())?;
    stating::send(&outbox, &asker.bus).await?;
    println!("{} facts recorded.", recorded.len());
    Ok(())
}

async fn checks(args: &ChecksArgs) -> anyhow::Result<()> {
    let plan = files::safety(&args.safety)?;
    let site = files::site(&args.site)?;
    let (facts, now) = counting(&args.source, args.at, &site.rights()).await?;
    let mut diary = Diary::default();
    facts.iter().for_each(|fact| diary.apply(fact));
    let checks = safety::checks(&plan, &diary, &site.clock, now);
    if args.source.ask.json {
        return show::print_json(&safety::alerts(&checks));
    }
    let count = |of: fn(&Standing) -> bool| checks.iter().filter(|c| of(&c.standing)).count();
    if checks.is_empty() {
        println!("No check is due yet: nothing was made that the plan asks to be checked.");
    }
    println!(
        "{} checks: {} in order, {} out of limits ({} with nothing decided), {} missed, {} not due yet",
        checks.len(),
        count(|s| *s == Standing::Done),
        count(|s| matches!(s, Standing::Out { .. })),
        count(|s| *s == Standing::Out { decided: false }),
        count(|s| *s == Standing::Missed),
        count(|s| *s == Standing::Waits),
    );
    if args.all {
        let mut table = Table::new(&["check", "of", "found", "wanted", ""]);
        for check in &checks {
            let standing = match check.standing {
                Standing::Done => "in order",
                Standing::Out { decided: true } => "OUT, decided",
                Standing::Out { decided: false } => "OUT",
                Standing::Missed => "MISSED",
                Standing::Waits => "not yet",
            };
            table.row([
                check.name.clone(),
                check.about.to_string(),
                check.read.clone().unwrap_or_default(),
                check.wanted.clone(),
                standing.to_owned(),
            ]);
        }
        table.print();
    }
    for alert in safety::alerts(&checks) {
        println!("{alert}");
    }
    Ok(())
}
