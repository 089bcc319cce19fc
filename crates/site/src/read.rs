//! Reading a site file and checking that it is consistent.

use std::collections::{BTreeMap, BTreeSet};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};

use authority::Role;
use chrono::NaiveTime;
use facts::{PersonId, RoomId, SiteId, StationId};
use metrology::HoopTypes;
use quantity::DairyClock;
use recipe::{Located, Origin, Recipe, RecipeBook};
use serde::Deserialize;
use toml::Spanned;

use crate::climate::ClimateTable;
use crate::dispatch::DispatchTable;
use crate::gateway::{self, GatewayTable};
use crate::labels::{self, LabelsTable};
use crate::printer::{self, PrinterTable};
use crate::safety::SafetyTable;
use crate::scale::{self, HoopTypeTable, ScaleTable};
use crate::{Labels, Room, Scan, Site, Station, Webhook};

/// Whether a station name belongs to a worker rather than to the floor.
#[must_use]
pub fn is_reserved(station: &str) -> bool {
    // A code is the same in any case.
    let names = authority::workers::OWN_NAMES;
    names.iter().any(|name| name.eq_ignore_ascii_case(station))
}

/// Why a site file cannot be used.
#[derive(Debug, thiserror::Error)]
pub enum SiteError {
    /// Something in it is wrong.
    #[error("{0}")]
    Located(#[from] Box<Located>),
    /// A recipe or template it names cannot be opened.
    #[error("{at}\ncould not open the {what} {path}: {reason}")]
    File {
        /// Where the site file names it.
        at: Box<Located>,
        /// What it should be.
        what: &'static str,
        /// The file's path.
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
    people: Option<PeopleTable>,
    #[serde(default)]
    station: Vec<Spanned<StationTable>>,
    #[serde(default)]
    hoop_type: Vec<HoopTypeTable>,
    #[serde(default)]
    printer: Vec<PrinterTable>,
    #[serde(default)]
    labels: LabelsTable,
    webhook: Option<WebhookTable>,
    gateway: Option<GatewayTable>,
    climate: Option<ClimateTable>,
    safety: Option<SafetyTable>,
    dispatch: Option<DispatchTable>,
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
    closed_after_days: Option<Spanned<i64>>,
    seal_copies: Option<PathBuf>,
    backup: Option<PathBuf>,
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
struct PeopleTable {
    badges: Vec<Spanned<PersonId>>,
    ironers: Option<Vec<Spanned<PersonId>>>,
    managers: Option<Vec<Spanned<PersonId>>>,
    inspectors: Option<Vec<Spanned<PersonId>>>,
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
        let hoops = scale::read_hoop_types(origin, &file.hoop_type)?;
        let mut site = Self {
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
            lost_after_days: read_days(origin, "lost_after_days", 1, &file.site.lost_after_days)?,
            closed_after_days: file
                .site
                .closed_after_days
                .as_ref()
                .map(|days| read_days(origin, "closed_after_days", CLOSED_AFTER_LEAST, days))
                .transpose()?
                .unwrap_or(CLOSED_AFTER_DAYS),
            seal_copies: file.site.seal_copies.map(|path| folder.join(path)),
            backup: file.site.backup.map(|path| folder.join(path)),
            recipes: read_recipes(origin, folder, &open, &file.site.recipes, &rooms)?,
            climate: file
                .climate
                .map(|table| crate::climate::read(origin, folder, &table, &rooms))
                .transpose()?,
            rooms,
            people: read_people(origin, file.people.as_ref())?,
            stations: read_stations(origin, &file.station, &hoops)?,
            printers: printer::read(origin, folder, &file.printer)?,
            labels: Labels::default(),
            webhook: file.webhook.map(|w| read_webhook(origin, &w)).transpose()?,
            safety: file
                .safety
                .as_ref()
                .map(|table| table.read(origin, folder, &open))
                .transpose()?,
            dispatch: file.dispatch.as_ref().map(|table| table.read(folder)),
            gateway: file
                .gateway
                .map(|table| gateway::read(origin, folder, &table))
                .transpose()?,
            id: file.site.id,
            name: file.site.name,
            identification_mark: file.site.identification_mark,
        };
        site.labels = labels::read(origin, folder, &open, &file.labels, &site)?;
        Ok(site)
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

/// A wheel that left so many days ago is closed, where the site file does not say.
const CLOSED_AFTER_DAYS: i64 = 60;

/// Customers are three weeks away, and what comes back comes back within another.
const CLOSED_AFTER_LEAST: i64 = 30;

fn read_days(
    origin: &Origin<'_>,
    key: &str,
    least: i64,
    days: &Spanned<i64>,
) -> Result<i64, Located> {
    let value = *days.get_ref();
    if (least..=365).contains(&value) {
        Ok(value)
    } else {
        Err(origin.error(days.span(), format!("{key} must be {least} to 365")))
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
        let text = open(&path).map_err(|reason| SiteError::File {
            at: Box::new(origin.error(name.span(), "this recipe is needed")),
            what: "recipe",
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

fn read_people(
    origin: &Origin<'_>,
    table: Option<&PeopleTable>,
) -> Result<BTreeMap<PersonId, Option<Role>>, Located> {
    let mut people = BTreeMap::new();
    let Some(table) = table else {
        return Ok(people);
    };
    let lists = [
        (Role::Ironer, &table.ironers),
        (Role::Manager, &table.managers),
        (Role::Inspector, &table.inspectors),
    ];
    // Where any is listed, everyone else is an operator.
    let listed = lists.iter().any(|(_, list)| list.is_some());
    let twice = |badge: &Spanned<PersonId>| {
        let message = format!("badge {} stands here twice", badge.get_ref());
        origin.error(badge.span(), message)
    };
    for badge in &table.badges {
        let role = listed.then_some(Role::Operator);
        if people.insert(*badge.get_ref(), role).is_some() {
            return Err(twice(badge));
        }
    }
    let mut seen = BTreeSet::new();
    for (role, list) in lists {
        for badge in list.iter().flatten() {
            let Some(known) = people.get_mut(badge.get_ref()) else {
                let message = format!(
                    "badge {} is not among badges: write it there too, or correct it here",
                    badge.get_ref()
                );
                return Err(origin.error(badge.span(), message));
            };
            if !seen.insert(*badge.get_ref()) {
                return Err(twice(badge));
            }
            *known = Some(role);
        }
    }
    Ok(people)
}

fn read_stations(
    origin: &Origin<'_>,
    tables: &[Spanned<StationTable>],
    hoops: &HoopTypes,
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
            .map(|scale| scale::read(origin, scale, hoops))
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

pub(crate) fn read_tcp(text: &str) -> Option<SocketAddr> {
    text.strip_prefix("tcp:")?.parse().ok()
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
