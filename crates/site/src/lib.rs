//! The site file: rooms, stations, devices, recipes; read from TOML and checked.
//!
//! One file describes a dairy. Everything in it is checked before any worker starts;
//! an error names file, line and column and says what would be right.

mod climate;
mod dispatch;
mod gateway;
mod labels;
mod printer;
mod read;
mod safety;
mod scale;

use std::collections::BTreeMap;
use std::net::SocketAddr;
use std::path::PathBuf;

use authority::Role;
use authority::workers::Worker;
use chrono::NaiveTime;
use facts::{PersonId, RoomId, SiteId, StationId};
use holds::{Rights, Rule};
use quantity::DairyClock;
use recipe::RecipeBook;

pub use crate::climate::Climate;
pub use crate::safety::{Safety, Tools};
pub use dispatch::Dispatch;
pub use gateway::{Gateway, Tls};
pub use labels::{Labels, ProductText};
pub use printer::{PrintTarget, Printer};
pub use read::{SiteError, is_reserved};
pub use scale::{BadBits, Bits, Poll, Scale, ScaleConnect};

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
    /// A batch of which every wheel left so many days ago is closed: nothing is asked for it any
    /// more, and it is put away until somebody asks.
    pub closed_after_days: i64,
    /// A folder, best on a disk of another box, into which every seal of the records is copied.
    pub seal_copies: Option<PathBuf>,
    /// Where the nightly backup lies; people hear of it when there was none for two days.
    pub backup: Option<PathBuf>,
    /// Rooms, in walking order.
    pub rooms: Vec<Room>,
    /// The badges of those who work here, a raw scanner port takes no other; with their roles,
    /// where the site file lists roles.
    pub people: BTreeMap<PersonId, Option<Role>>,
    /// Stations.
    pub stations: Vec<Station>,
    /// Every recipe version.
    pub recipes: RecipeBook,
    /// Where labels are printed.
    pub printers: Vec<Printer>,
    /// What labels say of the dairy and its cheeses, and how they are laid out.
    pub labels: Labels,
    /// Where alerts go, if anywhere.
    pub webhook: Option<Webhook>,
    /// Pages for browsers, if there are any.
    pub gateway: Option<Gateway>,
    /// Room sensors, if there are any.
    pub climate: Option<Climate>,
    /// The dairy's safety file and papers file, if there are any.
    pub safety: Option<Safety>,
    /// The dispatch desk, if there is one.
    pub dispatch: Option<Dispatch>,
}

impl Site {
    /// A room by its code.
    #[must_use]
    pub fn room(&self, id: RoomId) -> Option<&Room> {
        self.rooms.iter().find(|room| room.id == id)
    }

    /// Who may release a wheel from a hold: the badges that the safety file names; without
    /// one, anyone with a badge.
    #[must_use]
    pub fn rights(&self) -> Rights {
        let safety = self.safety.as_ref();
        safety.map_or(Rights::AnyBadge, |safety| {
            Rights::Named(safety.may_release.clone())
        })
    }

    /// The workers that this site needs.
    pub fn workers(&self) -> impl Iterator<Item = Worker> {
        Worker::ALL.into_iter().filter(|worker| match worker {
            Worker::Gateway => self.gateway.is_some(),
            Worker::ClimateReader => self.climate.is_some(),
            Worker::Dispatcher => self.dispatch.is_some(),
            Worker::Commands | Worker::Demo => false,
            _ => true,
        })
    }

    /// The tools that the safety file has checks for; none without one.
    #[must_use]
    pub fn tools(&self) -> Tools {
        let safety = self.safety.as_ref();
        safety.map_or_else(Tools::default, |safety| safety.tools.clone())
    }

    /// What the site says about holds.
    #[must_use]
    pub fn hold_rule(&self) -> Rule {
        Rule::new(&self.recipes, self.rights())
    }

    /// What is missing before scanners can be used, if anything: a station whose scanners are
    /// asked for a badge, and nobody whose badge is known.
    #[must_use]
    pub fn nobody_scans(&self) -> Option<String> {
        let station = self.stations.first().filter(|_| self.people.is_empty())?;
        Some(format!(
            "no badge is known, so station {} refuses every one: name those who work here under \
             [people], badges = [\"01\", \"02\"]",
            station.id
        ))
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

/// A chat webhook.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Webhook {
    /// Where to POST.
    pub url: String,
}
