//! The site file: rooms, stations, devices, recipes; read from TOML and checked.
//!
//! One file describes a dairy. Everything in it is checked before any worker starts;
//! an error names file, line and column and says what would be right.

mod read;

use std::net::SocketAddr;
use std::path::PathBuf;

use chrono::NaiveTime;
use facts::{RoomId, SiteId, StationId, ToolId};
use metrology::LineFormat;
use quantity::DairyClock;
use recipe::RecipeBook;

pub use read::{SiteError, is_reserved};

/// A dairy, as its site file describes it.
#[derive(Debug, Clone)]
pub struct Site {
    /// The site's code, used in subjects and sources.
    pub id: SiteId,
    /// The dairy's name as printed.
    pub name: String,
    /// Identification mark for labels, as the dairy writes it.
    pub identification_mark: Option<String>,
    /// Time zone and start of the dairy day.
    pub clock: DairyClock,
    /// Local time by which the day's turning should be done.
    pub turn_by: NaiveTime,
    /// Local time at which the shift's summary is told, if it is.
    pub shift_ends: Option<NaiveTime>,
    /// A wheel not seen for this many dairy days is reported lost.
    pub lost_after_days: i64,
    /// Rooms, in walking order.
    pub rooms: Vec<Room>,
    /// Stations.
    pub stations: Vec<Station>,
    /// Every recipe version.
    pub recipes: RecipeBook,
    /// Where labels are printed, if anywhere.
    pub printer: Option<Printer>,
    /// Where alerts go, if anywhere.
    pub webhook: Option<Webhook>,
}

impl Site {
    /// A room by its code.
    #[must_use]
    pub fn room(&self, id: RoomId) -> Option<&Room> {
        self.rooms.iter().find(|room| room.id == id)
    }
}

/// A climate-controlled room.
#[derive(Debug, Clone)]
pub struct Room {
    /// The room's code.
    pub id: RoomId,
    /// Its name on the floor.
    pub name: String,
    /// How many stillages fit.
    pub positions: u32,
}

/// A place where scans and weights come in.
#[derive(Debug, Clone)]
pub struct Station {
    /// The station's code.
    pub id: StationId,
    /// Its name on the floor.
    pub name: String,
    /// Where its scanner's lines come from.
    pub scan: Scan,
    /// The scale beside it, if there is one.
    pub scale: Option<Scale>,
}

/// Where a scanner's lines come from.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Scan {
    /// Lines over TCP on this address.
    Tcp(SocketAddr),
    /// Lines typed into the worker's own standard input.
    Stdin,
}

/// A scale beside a station.
#[derive(Debug, Clone)]
pub struct Scale {
    /// The scale's code.
    pub tool: ToolId,
    /// How to reach it.
    pub connect: ScaleConnect,
    /// How to read its lines.
    pub line: LineFormat,
    /// Smallest load it may weigh, in grams.
    pub least_g: u32,
    /// Its interval e, in grams.
    pub interval_g: u32,
}

/// How to reach a scale.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum ScaleConnect {
    /// A serial port: path and bits per second, 8 data bits, no parity, 1 stop bit.
    Serial {
        /// The device.
        path: PathBuf,
        /// Bits per second.
        baud: u32,
    },
    /// A scale (or a serial-to-network box) that listens on TCP.
    Tcp(SocketAddr),
}

/// Where labels are printed.
#[derive(Debug, Clone, PartialEq)]
pub struct Printer {
    /// The device or folder.
    pub target: PrintTarget,
    /// Dots per inch.
    pub dpi: u32,
}

/// A printer, or a folder that stands in for one.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum PrintTarget {
    /// PNG files in a folder.
    Folder(PathBuf),
    /// An Internet Printing Protocol printer (RFC 8010, 8011).
    Ipp(String),
}

/// A chat webhook.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Webhook {
    /// Where to POST.
    pub url: String,
}
