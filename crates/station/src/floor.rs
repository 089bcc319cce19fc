//! What an action may look at, and what it makes of a scan.

use authority::Proof;
use chrono::{DateTime, Utc};
use facts::{BatchId, Carrier, Event, PersonId, StationId, ToolId, WheelId};
use holds::Held;

use crate::answer::{Answer, Level};
use crate::code::Code;
use crate::leaving::{Asked, Leaving};
use crate::placement::Placement;
use crate::scan::Reach;
use crate::session::Setup;
use crate::track::Left;

/// What an action may look at.
pub(crate) struct Floor<'a> {
    pub(crate) placement: &'a Placement,
    pub(crate) setup: &'a Setup,
    pub(crate) station: StationId,
    pub(crate) person: Option<PersonId>,
    /// How it is known who that is.
    pub(crate) proof: Proof,
    /// When the scan was made.
    pub(crate) at: DateTime<Utc>,
    /// Whether it was kept in a handheld: what it states has happened already.
    pub(crate) kept: bool,
    /// How much of the floor is known.
    pub(crate) reach: Reach,
    /// What the dispatch desk was asked, and said.
    pub(crate) asked: Option<&'a Asked>,
}

/// What an action made of a scan.
pub(crate) struct Step {
    pub(crate) answer: Answer,
    pub(crate) events: Vec<Event>,
    /// What the dispatch desk must be asked before any of this.
    pub(crate) asks: Option<Leaving>,
}

impl Step {
    pub(crate) fn ok(words: impl Into<String>, events: Vec<Event>) -> Self {
        Self::with(Level::Ok, words, events)
    }

    pub(crate) fn next(words: impl Into<String>) -> Self {
        Self::with(Level::Next, words, Vec::new())
    }

    /// Wrong, and nothing recorded.
    pub(crate) fn wrong(words: impl Into<String>) -> Self {
        Self::with(Level::Wrong, words, Vec::new())
    }

    /// Nothing yet: the dispatch desk is asked first.
    pub(crate) fn ask(leaving: Leaving) -> Self {
        Self {
            asks: Some(leaving),
            ..Self::next("the dispatch desk is asked")
        }
    }

    pub(crate) fn stop(words: impl Into<String>, events: Vec<Event>) -> Self {
        Self::with(Level::Stop, words, events)
    }

    /// Recorded although it cannot be right.
    pub(crate) fn flagged(did: &str, flag: &str, events: Vec<Event>) -> Self {
        let words = format!("{did}, but {flag}: recorded and flagged");
        Self::with(Level::Wrong, words, events)
    }

    /// Says more, of what happened already.
    pub(crate) fn aside(mut self, aside: &str) -> Self {
        self.answer.words = format!("{}; {aside}", self.answer.words);
        self
    }

    fn with(level: Level, words: impl Into<String>, events: Vec<Event>) -> Self {
        Self {
            answer: Answer::new(level, words),
            events,
            asks: None,
        }
    }
}

/// What one scan stood for: the wheels, what was scanned, and how to say it.
#[derive(Debug, Clone)]
pub(crate) struct Group {
    pub(crate) wheels: Vec<WheelId>,
    pub(crate) via: Option<Carrier>,
    pub(crate) words: String,
}

impl Floor<'_> {
    /// The wheels that a code stands for. `None`: it is no wheel and no carrier.
    pub(crate) fn group(&self, code: Code) -> Option<Result<Group, Step>> {
        let carrier = match code {
            Code::Wheel(wheel) => {
                return Some(Ok(Group {
                    wheels: vec![wheel],
                    via: None,
                    words: format!("wheel {wheel}"),
                }));
            }
            Code::Hoop(id) => Carrier::Hoop(id),
            Code::Stack(id) => Carrier::Stack(id),
            Code::Stillage(id) => Carrier::Stillage(id),
            _ => return None,
        };
        let wheels = self.wheels_on(carrier);
        let words = match (carrier, wheels.as_slice()) {
            (_, []) => {
                return Some(Err(Step::wrong(format!(
                    "{carrier} holds no wheel by the records: nothing recorded. Scan each wheel"
                ))));
            }
            (Carrier::Hoop(_), [wheel, ..]) => format!("wheel {wheel} in {carrier}"),
            (Carrier::Stack(_), wheels) => format!("{} in {carrier}", count(wheels.len())),
            (Carrier::Stillage(id), wheels) => format!("{} on {id}", count(wheels.len())),
        };
        Some(Ok(Group {
            wheels,
            via: Some(carrier),
            words,
        }))
    }

    /// A kept scan means the wheels that were there when it was made. Where nothing was
    /// there, its clock is wrong rather than the person: then those that are there now.
    fn wheels_on(&self, carrier: Carrier) -> Vec<WheelId> {
        if self.kept {
            let then = self.placement.wheels_on_at(carrier, self.at);
            if !then.is_empty() {
                return then;
            }
        }
        self.placement.wheels_on(carrier)
    }

    /// What cannot be right about these wheels, if anything: the first such wheel, and
    /// how many more.
    pub(crate) fn flag(
        &self,
        wheels: &[WheelId],
        wrong: impl Fn(WheelId) -> Option<String>,
    ) -> Option<String> {
        let mut flags = wheels.iter().filter_map(|wheel| wrong(*wheel));
        let first = flags.next()?;
        Some(match flags.count() {
            0 => first,
            more => format!("{first} (and {more} more)"),
        })
    }

    /// What cannot be right about a wheel whatever is done to it.
    pub(crate) fn unsound(&self, wheel: WheelId) -> Option<String> {
        match self.placement.standing(wheel).map_or(0, |s| s.births) {
            0 => Some(format!("{wheel} is not known here")),
            1 => None,
            _ => Some(format!("two wheels carry the number {wheel}")),
        }
    }

    /// That a wheel had gone away when the scan was made, if it had.
    pub(crate) fn gone(&self, wheel: WheelId) -> Option<String> {
        let left = self.left(wheel)?;
        let when = self.time(left.at());
        Some(match left {
            Left::Dispatched(_) => format!("{wheel} was dispatched {when}"),
            Left::Discarded(_) => format!("{wheel} was thrown away {when}"),
        })
    }

    /// The holds that keep a wheel.
    pub(crate) fn held(&self, wheel: WheelId) -> Vec<Held> {
        self.placement.held(wheel, &self.setup.holds)
    }

    /// How a wheel had gone away when the scan was made.
    pub(crate) fn left(&self, wheel: WheelId) -> Option<Left> {
        self.placement
            .left(wheel)
            .filter(|left| left.at() <= self.at)
    }

    /// The scale beside the station.
    pub(crate) fn scale(&self) -> Option<ToolId> {
        self.setup.scale.as_ref().map(|scale| scale.tool)
    }

    /// Whether a time is of the scan's own dairy day.
    pub(crate) fn is_today(&self, at: DateTime<Utc>) -> bool {
        let clock = self.setup.clock;
        clock.day_of(at) == clock.day_of(self.at)
    }

    /// A time as people say it: only the hour on the scan's own day.
    pub(crate) fn time(&self, at: DateTime<Utc>) -> String {
        let clock = self.setup.clock;
        if self.is_today(at) {
            let time = clock.at_home(at).format("%H:%M");
            format!("today at {time}")
        } else {
            format!("on {}", clock.local(at))
        }
    }

    /// Whether a batch was never started, in words.
    pub(crate) fn unstarted(&self, batch: BatchId) -> Option<String> {
        (!self.placement.is_started(batch)).then(|| format!("batch {batch} was never started here"))
    }
}

/// A number card's value, where only whole numbers make sense.
pub(crate) fn whole(number: f64) -> Option<u32> {
    let fits = number.fract() == 0.0 && (0.0..=f64::from(u32::MAX)).contains(&number);
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)] // just checked
    fits.then_some(number as u32)
}

/// `1 wheel`, `24 wheels`.
pub(crate) fn count(wheels: usize) -> String {
    match wheels {
        1 => "1 wheel".into(),
        n => format!("{n} wheels"),
    }
}
