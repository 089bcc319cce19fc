//! Papers for whoever asks the running floor: written from the facts behind a recall.

use anyhow::Context as _;
use base64::Engine as _;
use base64::engine::general_purpose::STANDARD;
use bus::Bus;
use chrono::{DateTime, Utc};
use facts::wire::Read;
use facts::{BatchId, Fact, Scope};
use names::Known;
use papers::{Asked, Dairy, epcis};
use quantity::DairyClock;
use safety::Plan;
use serde::{Deserialize, Serialize};
use trace::{Recall, Settings};

use crate::keeper::Keeper;

/// Bytes of a paper that one answer carries: the broker takes 1 MB a message, and base64
/// needs a third more.
const MOST_BYTES: usize = 700_000;

/// Which paper.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Paper {
    /// Drafts of what customers are told, one after the other (text).
    Notices,
    /// Traceability records of the batches found, as sortable sheets (XLSX).
    Sheets,
    /// A batch's file (PDF).
    Batch(BatchId),
    /// The facts behind the recall as EPCIS 2.0 (JSON-LD).
    Epcis,
}

/// A paper that is asked for.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PapersQuery {
    /// What the recall is about.
    pub about: Scope,
    /// Whether contact is traced as well.
    pub sideways: bool,
    /// Which paper.
    pub paper: Paper,
}

/// A paper.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct PaperFile {
    /// What the file is called.
    pub name: String,
    /// What it is (RFC 6838).
    pub media_type: String,
    /// Its bytes, in base64.
    pub base64: String,
}

impl PaperFile {
    /// Its bytes; `None` when they cannot be read.
    #[must_use]
    pub fn bytes(&self) -> Option<Vec<u8>> {
        STANDARD.decode(&self.base64).ok()
    }
}

/// What papers are written with, besides facts.
#[derive(Debug)]
pub(crate) struct Desk {
    pub(crate) dairy: Dairy,
    pub(crate) clock: DairyClock,
}

/// Writes a paper.
pub(crate) async fn write(
    keeper: &mut Keeper,
    desk: &Desk,
    (bus, site): (&Bus, &Known),
    now: DateTime<Utc>,
    query: &PapersQuery,
) -> anyhow::Result<PaperFile> {
    let (about, sideways) = match query.paper {
        Paper::Batch(batch) => (Scope::Batch(batch), false),
        _ => (query.about.clone(), query.sideways),
    };
    let settings = Settings {
        sideways,
        ..Settings::default()
    };
    let trace = keeper.trace();
    let recall = trace.recall_of(&about, site, &settings, now)?;
    let evidence = trace.evidence(&recall);
    let mut facts = keeper.checked();
    facts.extend(evidence.facts);
    for message in bus.floor_messages(evidence.places).await? {
        if let Ok(Read::Fact(fact)) = message.read() {
            facts.push(fact);
        }
    }
    let facts = papers::counting(facts, keeper.rights());
    let (name, media_type, bytes) = draw(keeper.plan(), desk, &facts, &recall, query.paper, now)?;
    anyhow::ensure!(
        bytes.len() <= MOST_BYTES,
        "this paper has {} bytes, more than the broker carries: write it with `wheelward papers`",
        bytes.len()
    );
    Ok(PaperFile {
        name,
        media_type: media_type.to_owned(),
        base64: STANDARD.encode(bytes),
    })
}

fn draw(
    plan: Option<&Plan>,
    desk: &Desk,
    facts: &[Fact],
    recall: &Recall,
    paper: Paper,
    now: DateTime<Utc>,
) -> anyhow::Result<(String, &'static str, Vec<u8>)> {
    let Desk { dairy, clock } = desk;
    Ok(match paper {
        Paper::Notices => {
            anyhow::ensure!(
                !recall.customers.is_empty(),
                "nothing of {} has left: there is nobody to tell",
                recall.about
            );
            let drafts = recall
                .customers
                .iter()
                .map(|line| papers::notice(recall, line, dairy, clock));
            // A form feed begins a page on any printer.
            let text = drafts.collect::<Vec<_>>().join("\n\u{c}\n");
            (
                "notices.txt".to_owned(),
                "text/plain; charset=utf-8",
                text.into(),
            )
        }
        Paper::Sheets => {
            let asked = Asked {
                lots: recall.batches.iter().map(ToString::to_string).collect(),
                ..Asked::default()
            };
            let sheets = [
                papers::traceability(facts, dairy, clock, &asked),
                papers::one_step_back(facts, dairy, clock, &Asked::default()),
                papers::one_step_forward(facts, dairy, clock, &asked),
                papers::key_sheet(dairy),
            ];
            let title = format!("{}: {}", dairy.name, recall.about);
            let book = papers::workbook(&sheets, &title, now)?;
            (
                "traceability.xlsx".to_owned(),
                "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
                book,
            )
        }
        Paper::Batch(batch) => {
            let pdf = papers::batch_file(batch, facts, recall, plan, dairy, clock);
            (format!("batch-{batch}.pdf"), "application/pdf", pdf)
        }
        Paper::Epcis => {
            let document = epcis::document(facts, dairy, clock, now);
            let text = serde_json::to_vec(&document).context("writing EPCIS")?;
            ("epcis.jsonld".to_owned(), "application/ld+json", text)
        }
    })
}
