//! The days ahead: the plan for people's hands, and how full the rooms will be.

use std::path::Path;
use std::sync::Arc;

use anyhow::Context as _;
use bus::Question;
use chrono::{DateTime, TimeDelta, Utc};
use facts::RoomId;
use plan::rooms::{self, Room};
use plan::{Crew, Forecast, Makes, Plan, Problem, RollCall, Space, Yesterday};
use quantity::Percent;
use recipe::Origin;
use ripening::Floor;
use serde::{Deserialize, Serialize};
use site::Site;
use tokio::sync::Mutex;

/// Days planned.
const PLANNED: usize = 14;

/// Days that rooms are looked ahead for.
const AHEAD: usize = 56;

/// How long a plan stands while nothing happens.
const STANDS: TimeDelta = TimeDelta::minutes(15);

/// The day's plan and what was missed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Day {
    /// The instant it is made for.
    pub now: DateTime<Utc>,
    /// The plan; none without a crew file.
    pub plan: Option<Plan>,
    /// What was missed.
    pub missed: RollCall,
}

/// How full the rooms will be, and their air.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RoomsAhead {
    /// How full they will be.
    pub forecast: Forecast,
    /// The latest reading of each room that has one.
    pub air: Vec<Air>,
}

/// A room's air when it was last read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Air {
    /// The room.
    pub room: RoomId,
    /// When.
    pub at: DateTime<Utc>,
    /// Its temperature, °C.
    pub temperature_c: f64,
    /// Its relative humidity, %.
    pub humidity_pct: Option<f64>,
}

/// What the days ahead are reckoned from, and the last plan.
pub(crate) struct Ahead {
    crew: Option<Crew>,
    makes: Option<Makes>,
    made: Arc<Mutex<Option<Made>>>,
}

/// A plan, and the number in the log that it was made at.
struct Made {
    seq: u64,
    day: Day,
}

impl Ahead {
    /// # Errors
    /// A crew file or make plan that cannot be read; the text points at line and column.
    pub(crate) fn new(site: &Site) -> anyhow::Result<Self> {
        let options = site.gateway.as_ref();
        let crew = options.and_then(|options| options.crew.as_deref());
        let makes = options.and_then(|options| options.makes.as_deref());
        Ok(Self {
            crew: crew.map(crew_of).transpose()?,
            makes: makes.map(|path| makes_of(path, site)).transpose()?,
            made: Arc::default(),
        })
    }

    /// Answers with the day's plan, made anew when something happened or a quarter of an
    /// hour is over; beside everything else, as it takes a moment of work.
    pub(crate) fn day(&self, site: &Site, floor: &Floor, seq: u64, question: Question) {
        let now = floor.now();
        let made = self.made.clone();
        let problem = self.crew.clone();
        let problem = problem.map(|crew| problem_of(site, floor, crew, PLANNED));
        let missed = plan::roll_call(floor, 1);
        tokio::spawn(async move {
            let mut made = made.lock().await;
            let stands = made
                .as_ref()
                .filter(|made| made.seq >= seq && (now - made.day.now).abs() < STANDS);
            let answered = match stands {
                Some(made) => question.answer(&made.day).await,
                None => {
                    let work = move || problem.map(|p| plan::make(&p, &Yesterday::default()));
                    match tokio::task::spawn_blocking(work).await {
                        Ok(plan) => {
                            let day = Day { now, plan, missed };
                            let answered = question.answer(&day).await;
                            *made = Some(Made { seq, day });
                            answered
                        }
                        Err(_) => question.refuse("the scheduler is stopping").await,
                    }
                }
            };
            if let Err(error) = answered {
                tracing::warn!(%error, "the plan was not answered");
            }
        });
    }

    /// How full the rooms will be.
    pub(crate) fn rooms(&self, site: &Site, floor: &Floor) -> RoomsAhead {
        let makes = self.makes.clone();
        let makes = makes.unwrap_or_else(|| Makes::none(rooms::fullest_stillage(floor)));
        let first = site.clock.day_of(floor.now());
        let air = floor.rooms().filter_map(|(room, read)| {
            let (moment, temperature, humidity) = read.latest(floor.voids())?;
            Some(Air {
                room: *room,
                at: moment.at,
                temperature_c: temperature.get(),
                humidity_pct: humidity.map(Percent::get),
            })
        });
        RoomsAhead {
            forecast: plan::forecast(floor, first, AHEAD, &site_rooms(site), &makes),
            air: air.collect(),
        }
    }
}

/// What is to be planned: from today, or from tomorrow when the day's work should be done
/// by now.
#[must_use]
pub fn problem_of(site: &Site, floor: &Floor, crew: Crew, days: usize) -> Problem {
    let clock = &site.clock;
    let today = clock.day_of(floor.now());
    let first = if floor.now() < clock.at(today, site.turn_by) {
        today
    } else {
        today.plus(1)
    };
    let projected = plan::project(floor, first, days, crew.weight_loss_pct_per_week);
    let full = rooms::fullest_stillage(floor);
    let rooms = site_rooms(site);
    let now = plan::forecast(floor, first, 1, &rooms, &Makes::none(full));
    let spaces = now.rooms.iter().map(|room| Space {
        room: room.room,
        fits: i64::from(room.positions) * i64::from(full),
        taken: room.taken.first().map_or(0, |taken| i64::from(*taken)) * i64::from(full),
    });
    Problem {
        days: (0..days)
            .map(|d| first.plus(i64::try_from(d).unwrap_or_default()))
            .collect(),
        tasks: projected.tasks,
        waiting: projected.waiting,
        crew,
        walk: site.rooms.iter().map(|room| room.id).collect(),
        rooms: spaces.collect(),
    }
}

/// The site's rooms, as the forecast wants them.
#[must_use]
pub fn site_rooms(site: &Site) -> Vec<Room> {
    let rooms = site.rooms.iter().map(|room| Room {
        id: room.id,
        name: room.name.clone(),
        positions: room.positions,
    });
    rooms.collect()
}

fn crew_of(path: &Path) -> anyhow::Result<Crew> {
    let (file, text) = open(path)?;
    let origin = Origin {
        file: &file,
        text: &text,
    };
    Ok(Crew::parse(&origin)?)
}

fn makes_of(path: &Path, site: &Site) -> anyhow::Result<Makes> {
    let (file, text) = open(path)?;
    let origin = Origin {
        file: &file,
        text: &text,
    };
    Ok(Makes::parse(&origin, &site.recipes)?)
}

fn open(path: &Path) -> anyhow::Result<(String, String)> {
    let file = path.display().to_string();
    let text = std::fs::read_to_string(path)
        .with_context(|| format!("{file} is named under [gateway] and cannot be opened"))?;
    Ok((file, text))
}
