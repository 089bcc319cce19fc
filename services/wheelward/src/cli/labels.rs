//! `wheelward label …`

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueEnum};
use facts::{PersonId, RecipeId};

use super::AskArgs;

#[derive(Subcommand)]
pub enum LabelCommand {
    /// Draw a label as a picture or a PDF page, without printing it.
    Preview(PreviewArgs),
    /// Draw sheets of cards and labels for an office printer: A4, with marks to cut along.
    Sheet(SheetArgs),
    /// Print our own template of a kind, to start one's own from.
    Template {
        /// The kind of label.
        kind: LabelKind,
    },
    /// What keeps labels from coming out, and which labels a person is asked about.
    Queue {
        #[command(flatten)]
        ask: AskArgs,
    },
    /// Say whether a label came out that nobody else can tell of.
    Answer(AnswerArgs),
    /// Print a label again. It says COPY.
    Reprint(ReprintArgs),
}

/// The kinds of label.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum LabelKind {
    /// A wheel's, from portioning on.
    Wheel,
    /// A case's, with its weight.
    Case,
    /// A stillage's.
    Stillage,
    /// A room's, for its door.
    Room,
    /// A place's in a room.
    Position,
    /// A card for an action, a grade, a number or a recipe.
    Action,
    /// A person's badge.
    Badge,
}

#[derive(Args)]
pub struct PreviewArgs {
    /// The kind of label.
    pub kind: LabelKind,
    /// The file to write: .png, or .pdf.
    #[arg(long)]
    pub out: PathBuf,
    /// The site file, for its texts and templates.
    #[arg(long, env = "WHEELWARD_SITE")]
    pub site: Option<PathBuf>,
    /// The recipe whose texts are shown, if not the site's first.
    #[arg(long, requires = "site")]
    pub recipe: Option<RecipeId>,
    /// A label as JSON, instead of an invented one.
    #[arg(long)]
    pub from: Option<PathBuf>,
    /// As printed again.
    #[arg(long)]
    pub copy: bool,
    /// Dots an inch: 203 or 300.
    #[arg(long, default_value_t = 203)]
    pub dpi: u32,
}

/// What a sheet is of.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum SheetKind {
    /// Actions, grades, numbers, and the site's recipes, markets, holds and scales.
    Actions,
    /// People's badges.
    Badges,
    /// Rooms and their places.
    Rooms,
    /// Stillages.
    Stillages,
}

#[derive(Args)]
pub struct SheetArgs {
    /// What the sheet is of.
    pub kind: SheetKind,
    /// The site file.
    #[arg(long, env = "WHEELWARD_SITE")]
    pub site: PathBuf,
    /// The file to write.
    #[arg(long)]
    pub pdf: PathBuf,
    /// Badges or stillages, separated by commas: S01..S24 for a row of them, P01=Anna for a
    /// name on a badge.
    #[arg(long, value_delimiter = ',')]
    pub codes: Vec<String>,
    /// The crew file, for the badges of everybody in it.
    #[arg(long, env = "WHEELWARD_CREW", conflicts_with = "codes")]
    pub crew: Option<PathBuf>,
    /// How many of each: a stillage has four sides.
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=8))]
    pub each: u8,
}

/// What a person says of a label.
#[derive(Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Said {
    /// It came out.
    Printed,
    /// It did not: print it now.
    NotPrinted,
}

#[derive(Args)]
pub struct AnswerArgs {
    /// The wheel or case on the label, or the job's id, as `wheelward label queue` shows it.
    pub job: String,
    /// Whether it came out.
    pub said: Said,
    /// The badge of who looked.
    #[arg(long)]
    pub badge: Option<PersonId>,
    #[command(flatten)]
    pub ask: AskArgs,
}

#[derive(Args)]
pub struct ReprintArgs {
    /// The wheel, or the case's 18 digits.
    pub label: String,
    /// Why.
    #[arg(long)]
    pub because: String,
    /// The badge of who wants it.
    #[arg(long)]
    pub badge: PersonId,
    #[command(flatten)]
    pub ask: AskArgs,
}
