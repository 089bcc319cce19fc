//! The days ahead: the plan for people's hands, and how full the rooms will be.

use std::path::Path;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

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

/// Days planned.
const PLANNED: usize = 14;

/// Days that rooms are looked ahead for, unless somebody says otherwise.
const AHEAD: u16 = 56;

/// Most days that are looked ahead or back.
pub const MOST_AHEAD: u16 = 366;

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
    /// Why there is no plan although the site names a crew file.
    #[serde(default)]
    pub trouble: Option<String>,
}

/// How far rooms are looked ahead, and for which vats.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RoomsQuery {
    /// Dairy days from today on, 1 to 366.
    pub days: u16,
    /// The planned vats; those of the site's make plan if left out.
    pub makes: Option<Makes>,
}

impl Default for RoomsQuery {
    fn default() -> Self {
        Self {
            days: AHEAD,
            makes: None,
        }
    }
}

/// What is to be planned for: the answer is a [`Problem`].
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct WorkQuery {
    /// Who is there to do it.
    pub crew: Crew,
    /// Dairy days, 1 to 366.
    pub days: u16,
}

/// What was missed: the answer is a [`RollCall`].
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct RollCallQuery {
    /// Dairy days up to today, 1 to 366.
    pub days: u16,
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
    /// What is wrong with the crew file, if it does not read: the floor does not wait for it.
    crew: Result<Option<Crew>, String>,
    makes: Result<Option<Makes>, String>,
    plans: Arc<Mutex<Plans>>,
}

/// The last plan, and who waits for the next.
#[derive(Default)]
struct Plans {
    made: Option<Made>,
    /// While one is being made: whoever asked meanwhile gets it.
    waiting: Option<Vec<Question>>,
}

/// A plan, and the number in the log that it was made at.
struct Made {
    seq: u64,
    day: Arc<Day>,
}

impl Ahead {
    /// Reads the files that the site names.
    pub(crate) fn new(site: &Site) -> Self {
        let options = site.gateway.as_ref();
        let crew = options.and_then(|options| options.crew.as_deref());
        let told = |error: anyhow::Error| {
            let words = format!("{error:#}");
            tracing::error!("{words}");
            words
        };
        Self {
            crew: crew.map(crew_of).transpose().map_err(told),
            makes: site_makes(site).map_err(told),
            plans: Arc::default(),
        }
    }

    /// Answers with the day's plan, made anew when something happened or a quarter of an
    /// hour is over. It is made beside everything else, one at a time.
    pub(crate) fn day(&self, site: &Site, floor: &Floor, seq: u64, question: Question) {
        let now = floor.now();
        let mut plans = lock(&self.plans);
        if let Some(made) = &plans.made
            && made.seq == seq
            && (now - made.day.now).abs() < STANDS
        {
            let day = made.day.clone();
            tokio::spawn(async move { give(question, &day).await });
            return;
        }
        if let Some(waiting) = &mut plans.waiting {
            waiting.push(question);
            return;
        }
        plans.waiting = Some(vec![question]);
        drop(plans);
        let problem = self.crew.clone().map(|crew| {
            let crew = crew?;
            Some(problem_of(site, floor, crew, PLANNED))
        });
        let missed = plan::roll_call(floor, 1);
        let plans = self.plans.clone();
        tokio::spawn(async move {
            let work = move || {
                let planned = problem.map(|p| p.map(|p| plan::make(&p, &Yesterday::default())));
                let (plan, trouble) = match planned {
                    Ok(plan) => (plan, None),
                    Err(trouble) => (None, Some(trouble)),
                };
                Day {
                    now,
                    plan,
                    missed,
                    trouble,
                }
            };
            let day = tokio::task::spawn_blocking(work).await.map(Arc::new);
            let waiting = {
                let mut plans = lock(&plans);
                let day = day.as_ref().ok().cloned();
                plans.made = day.map(|day| Made { seq, day });
                plans.waiting.take()
            };
            for question in waiting.into_iter().flatten() {
                match &day {
                    Ok(day) => give(question, day).await,
                    Err(_) => {
                        let words =
                            "the plan could not be made: see the scheduler's log, and ask again";
                        if let Err(error) = question.refuse(words).await {
                            tracing::warn!(%error, "the plan was not answered");
                        }
                    }
                }
            }
        });
    }

    /// How full the rooms will be.
    ///
    /// # Errors
    /// What is wrong with the make plan.
    pub(crate) fn rooms(
        &self,
        site: &Site,
        floor: &Floor,
        query: RoomsQuery,
    ) -> Result<RoomsAhead, String> {
        let makes = match query.makes {
            Some(makes) => Some(makes),
            None => self.makes.clone()?,
        };
        let days = days(query.days)?;
        let air = floor.rooms().filter_map(|(room, read)| {
            let (moment, temperature, humidity) = read.latest(floor.voids())?;
            Some(Air {
                room: *room,
                at: moment.at,
                temperature_c: temperature.get(),
                humidity_pct: humidity.map(Percent::get),
            })
        });
        Ok(RoomsAhead {
            forecast: rooms_of(site, floor, days, makes),
            air: air.collect(),
        })
    }
}

async fn give(question: Question, day: &Day) {
    if let Err(error) = question.answer(day).await {
        tracing::warn!(%error, "the plan was not answered");
    }
}

fn lock(plans: &Mutex<Plans>) -> MutexGuard<'_, Plans> {
    plans.lock().unwrap_or_else(PoisonError::into_inner)
}

/// How many days ahead somebody asks for, unless there is no such plan.
pub(crate) fn days(asked: u16) -> Result<usize, String> {
    match asked {
        1..=MOST_AHEAD => Ok(asked.into()),
        _ => Err(format!("{asked} days: ask for 1 to {MOST_AHEAD}")),
    }
}

/// How full the site's rooms will be on each of so many days from today on.
#[must_use]
pub fn rooms_of(site: &Site, floor: &Floor, days: usize, makes: Option<Makes>) -> Forecast {
    let makes = makes.unwrap_or_else(|| Makes::none(rooms::fullest_stillage(floor)));
    let first = site.clock.day_of(floor.now());
    plan::forecast(floor, first, days, &site_rooms(site), &makes)
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

/// The make plan that a site file names.
///
/// # Errors
/// What is wrong with it.
pub fn site_makes(site: &Site) -> anyhow::Result<Option<Makes>> {
    let options = site.gateway.as_ref();
    let makes = options.and_then(|options| options.makes.as_deref());
    makes.map(|path| makes_of(path, site)).transpose()
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
