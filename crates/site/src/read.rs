//! Reading a site file and checking that it is consistent.

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use chrono::NaiveTime;
use facts::{RoomId, SiteId, StationId, ToolId};
use metrology::LineFormat;
use quantity::DairyClock;
use recipe::{Located, Origin, Recipe, RecipeBook};
use serde::Deserialize;
use toml::Spanned;

use crate::{PrintTarget, Printer, Room, Scale, ScaleConnect, Scan, Site, Station, Webhook};

/// Station names that workers use for the facts they state themselves.
const RESERVED: [&str; 5] = [
    "label-printer",
    "scheduler",
    "notifier",
    "climate-reader",
    "gateway",
];

/// Whether a station name belongs to a worker rather than to the floor.
#[must_use]
pub fn is_reserved(station: &str) -> bool {
    RESERVED.contains(&station)
}

/// Why a site file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SiteError {
    /// Something in it is wrong.
    #[error("{0}")]
    Located(#[from] Box<Located>),
    /// A recipe it names cannot be opened.
    #[error("{at}\ncould not open the recipe {path}: {reason}")]
    Recipe {
        /// Where the site file names it.
        at: Box<Located>,
        /// The recipe's path.
        path: String,
        /// Why it could not be opened.
        reason: String,
    },
}

impl From<Located> for SiteError {
    fn from(located: Located) -> Self {
        Self::Located(Box::new(located))
    }
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    site: SiteTable,
    #[serde(default)]
    room: Vec<Spanned<RoomTable>>,
    #[serde(default)]
    station: Vec<Spanned<StationTable>>,
    printer: Option<PrinterTable>,
    webhook: Option<WebhookTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SiteTable {
    id: SiteId,
    name: String,
    identification_mark: Option<String>,
    time_zone: Spanned<String>,
    day_starts: Spanned<String>,
    turn_by: Spanned<String>,
    shift_ends: Option<Spanned<String>>,
    lost_after_days: Spanned<i64>,
    recipes: Spanned<Vec<Spanned<String>>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RoomTable {
    id: Spanned<RoomId>,
    name: String,
    positions: u32,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct StationTable {
    id: Spanned<StationId>,
    name: String,
    scan: Spanned<String>,
    scale: Option<ScaleTable>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ScaleTable {
    tool: ToolId,
    connect: Spanned<String>,
    #[serde(default = "usual_baud")]
    baud: u32,
    line: Spanned<String>,
    interval_g: Spanned<u32>,
    least_g: u32,
}

const fn usual_baud() -> u32 {
    9_600
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PrinterTable {
    target: Spanned<String>,
    dpi: Spanned<u32>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct WebhookTable {
    url: Spanned<String>,
}

impl Site {
    /// Reads and checks a site file. `open` returns the text of a recipe file, given
    /// its path as written, already joined to `folder`.
    ///
    /// # Errors
    /// [`SiteError`] points at the first thing that is wrong.
    pub fn parse(
        origin: &Origin<'_>,
        folder: &Path,
        open: impl Fn(&Path) -> Result<String, String>,
    ) -> Result<Self, SiteError> {
        if origin.text.trim().is_empty() {
            let message = "the site file is empty: start from deploy/demo/larkholm.toml";
            return Err(origin.error(0..0, message).into());
        }
        let file: File = origin.toml()?;
        let rooms = read_rooms(origin, &file.room)?;
        Ok(Self {
            clock: DairyClock::new(
                read_zone(origin, &file.site.time_zone)?,
                read_time(origin, "day_starts", &file.site.day_starts)?,
            ),
            turn_by: read_time(origin, "turn_by", &file.site.turn_by)?,
            shift_ends: file
                .site
                .shift_ends
                .as_ref()
                .map(|time| read_time(origin, "shift_ends", time))
                .transpose()?,
            lost_after_days: read_lost(origin, &file.site.lost_after_days)?,
            recipes: read_recipes(origin, folder, open, &file.site.recipes, &rooms)?,
            rooms,
            stations: read_stations(origin, &file.station)?,
            printer: file
                .printer
                .map(|p| read_printer(origin, folder, &p))
                .transpose()?,
            webhook: file.webhook.map(|w| read_webhook(origin, &w)).transpose()?,
            id: file.site.id,
            name: file.site.name,
            identification_mark: file.site.identification_mark,
        })
    }
}

fn read_zone(origin: &Origin<'_>, zone: &Spanned<String>) -> Result<chrono_tz::Tz, Located> {
    zone.get_ref().parse().map_err(|_| {
        let message = format!(
            "{:?} is not a time zone: write an IANA name such as \"Europe/London\"",
            zone.get_ref()
        );
        origin.error(zone.span(), message)
    })
}

fn read_time(origin: &Origin<'_>, key: &str, time: &Spanned<String>) -> Result<NaiveTime, Located> {
    NaiveTime::parse_from_str(time.get_ref(), "%H:%M").map_err(|_| {
        let message = format!(
            "{key} is {:?}: write a local time such as \"04:00\"",
            time.get_ref()
        );
        origin.error(time.span(), message)
    })
}

fn read_lost(origin: &Origin<'_>, days: &Spanned<i64>) -> Result<i64, Located> {
    let value = *days.get_ref();
    if (1..=365).contains(&value) {
        Ok(value)
    } else {
        Err(origin.error(days.span(), "lost_after_days must be 1 to 365"))
    }
}

fn read_recipes(
    origin: &Origin<'_>,
    folder: &Path,
    open: impl Fn(&Path) -> Result<String, String>,
    names: &Spanned<Vec<Spanned<String>>>,
    rooms: &[Room],
) -> Result<RecipeBook, SiteError> {
    if names.get_ref().is_empty() {
        let message = "recipes is empty: name at least one recipe file";
        return Err(origin.error(names.span(), message).into());
    }
    let mut book = RecipeBook::default();
    for name in names.get_ref() {
        let path = folder.join(name.get_ref());
        let file = path.display().to_string();
        let text = open(&path).map_err(|reason| SiteError::Recipe {
            at: Box::new(origin.error(name.span(), "this recipe is needed")),
            path: file.clone(),
            reason,
        })?;
        let recipe_origin = Origin {
            file: &file,
            text: &text,
        };
        let recipe = Recipe::parse(&recipe_origin)?;
        for stage in &recipe.stages {
            if !rooms.iter().any(|room| room.id == stage.room) {
                let at = text.find(&format!("\"{}\"", stage.room)).unwrap_or(0);
                let message = format!(
                    "room {} is not in the site file {}: add a [[room]] there or correct the name",
                    stage.room, origin.file
                );
                return Err(recipe_origin.error(at..at, message).into());
            }
        }
        let (id, version) = (recipe.id, recipe.version);
        if !book.add(recipe) {
            let message = format!("recipe {id} version {version} is named twice");
            return Err(origin.error(name.span(), message).into());
        }
    }
    Ok(book)
}

fn read_rooms(origin: &Origin<'_>, tables: &[Spanned<RoomTable>]) -> Result<Vec<Room>, Located> {
    if tables.is_empty() {
        return Err(origin.error(0..0, "no [[room]]: name at least one room"));
    }
    let mut seen = BTreeSet::new();
    let mut rooms = Vec::new();
    for table in tables {
        let room = table.get_ref();
        let id = *room.id.get_ref();
        if !seen.insert(id) {
            return Err(origin.error(room.id.span(), format!("room {id} stands here twice")));
        }
        rooms.push(Room {
            id,
            name: room.name.clone(),
            positions: room.positions,
        });
    }
    Ok(rooms)
}

fn read_stations(
    origin: &Origin<'_>,
    tables: &[Spanned<StationTable>],
) -> Result<Vec<Station>, Located> {
    let mut names = BTreeSet::new();
    let mut addresses = BTreeSet::new();
    let mut stations = Vec::new();
    for table in tables {
        let station = table.get_ref();
        let id = *station.id.get_ref();
        if is_reserved(id.as_str()) {
            let message = format!("{id} is a worker's own name: call the station something else");
            return Err(origin.error(station.id.span(), message));
        }
        if !names.insert(id) {
            let message = format!("station {id} stands here twice");
            return Err(origin.error(station.id.span(), message));
        }
        let scan = read_scan(origin, &station.scan)?;
        if let Scan::Tcp(address) = scan
            && address.port() != 0
            && !addresses.insert(address)
        {
            let message = format!("{address} is another station's address: give each its own port");
            return Err(origin.error(station.scan.span(), message));
        }
        let scale = station
            .scale
            .as_ref()
            .map(|scale| read_scale(origin, scale))
            .transpose()?;
        stations.push(Station {
            id,
            name: station.name.clone(),
            scan,
            scale,
        });
    }
    Ok(stations)
}

fn read_scan(origin: &Origin<'_>, scan: &Spanned<String>) -> Result<Scan, Located> {
    let text = scan.get_ref().as_str();
    if text == "stdin" {
        return Ok(Scan::Stdin);
    }
    read_tcp(text).map(Scan::Tcp).ok_or_else(|| {
        let message = format!("scan is {text:?}: write \"stdin\" or \"tcp:127.0.0.1:7401\"");
        origin.error(scan.span(), message)
    })
}

fn read_tcp(text: &str) -> Option<SocketAddr> {
    text.strip_prefix("tcp:")?.parse().ok()
}

fn read_scale(origin: &Origin<'_>, scale: &ScaleTable) -> Result<Scale, Located> {
    let text = scale.connect.get_ref().as_str();
    let connect = if let Some(path) = text.strip_prefix("serial:").filter(|p| !p.is_empty()) {
        ScaleConnect::Serial {
            path: PathBuf::from(path),
            baud: scale.baud,
        }
    } else if let Some(address) = read_tcp(text) {
        ScaleConnect::Tcp(address)
    } else {
        let message =
            format!("connect is {text:?}: write \"serial:/dev/ttyUSB0\" or \"tcp:127.0.0.1:7501\"");
        return Err(origin.error(scale.connect.span(), message));
    };
    let line: LineFormat = scale
        .line
        .get_ref()
        .parse()
        .map_err(|e| origin.error(scale.line.span(), format!("line: {e}")))?;
    let interval_g = *scale.interval_g.get_ref();
    if interval_g == 0 {
        let message = "interval_g is 0: write the scale's interval e in grams, as on its plate";
        return Err(origin.error(scale.interval_g.span(), message));
    }
    Ok(Scale {
        tool: scale.tool,
        connect,
        line,
        least_g: scale.least_g,
        interval_g,
    })
}

fn read_printer(
    origin: &Origin<'_>,
    folder: &Path,
    printer: &PrinterTable,
) -> Result<Printer, Located> {
    let text = printer.target.get_ref().as_str();
    let target = if let Some(path) = text.strip_prefix("file:").filter(|p| !p.is_empty()) {
        PrintTarget::Folder(folder.join(path))
    } else if text.starts_with("ipp://") {
        PrintTarget::Ipp(text.to_owned())
    } else {
        let message =
            format!("target is {text:?}: write \"file:labels\" or \"ipp://printer:631/ipp/print\"");
        return Err(origin.error(printer.target.span(), message));
    };
    let dpi = *printer.dpi.get_ref();
    if (100..=1200).contains(&dpi) {
        Ok(Printer { target, dpi })
    } else {
        let message = format!("dpi is {dpi}: write the printer's dots per inch, 203 or 300");
        Err(origin.error(printer.dpi.span(), message))
    }
}

fn read_webhook(origin: &Origin<'_>, webhook: &WebhookTable) -> Result<Webhook, Located> {
    let url = webhook.url.get_ref();
    if url.starts_with("https://") || url.starts_with("http://") {
        Ok(Webhook { url: url.clone() })
    } else {
        let message = format!("url is {url:?}: write the webhook's whole https:// address");
        Err(origin.error(webhook.url.span(), message))
    }
}
