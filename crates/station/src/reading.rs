//! Actions that take wheels and then a value: rind cover, blue coverage, grade, weight.

use facts::{Carrier, RindObserved, ToolId, WheelGraded, WheelId, WheelIroned, WheelWeighed};
use metrology::Settled;
use quantity::Percent;

use crate::code::{Action, Code};
use crate::floor::{Floor, Group, Step};
use crate::{known, scale};

/// One of these actions, and what was scanned for it.
#[derive(Debug, Clone)]
pub(crate) struct Reading {
    action: Action,
    group: Option<Group>,
    iron: Option<ToolId>,
}

impl Reading {
    pub(crate) const fn new(action: Action) -> Self {
        Self {
            action,
            group: None,
            iron: None,
        }
    }

    pub(crate) const fn action(&self) -> Action {
        self.action
    }

    pub(crate) fn take(&mut self, code: Code, floor: &Floor<'_>) -> Step {
        match (self.action, code) {
            (Action::Iron, Code::Tool(iron)) => {
                self.iron = None;
                if let Err(unknown) = known::iron(floor, iron) {
                    return Step::wrong(unknown.then("Nothing recorded"));
                }
                self.iron = Some(iron);
                Step::next(format!("iron {iron}: scan the wheel"))
            }
            (Action::Rind | Action::Iron, Code::Number(value)) => match Percent::new(value) {
                Ok(percent) => self.percent(percent, floor),
                Err(refused) => Step::wrong(format!("{refused}: scan the number again")),
            },
            (Action::Grade, Code::Grade(grade)) => match self.group.take() {
                Some(Group { wheels, via, words }) => {
                    let done = format!("{words} graded {grade}");
                    let checked = wheels.clone();
                    let event = WheelGraded { wheels, via, grade };
                    step(floor, &checked, &done, event.into())
                }
                None => self.nothing_scanned(),
            },
            _ => match floor.group(code) {
                Some(Ok(group)) => self.begin(group),
                Some(Err(step)) => step,
                None => Step::wrong(format!("{} does not take {code}", self.action)),
            },
        }
    }

    /// Takes the wheels; the value is still to come.
    fn begin(&mut self, group: Group) -> Step {
        let single = matches!(self.action, Action::Iron | Action::Weigh);
        if single && group.wheels.len() > 1 {
            return Step::wrong(format!(
                "{} is for one wheel, and {} were scanned: scan the wheel itself",
                self.action, group.words
            ));
        }
        let words = format!("{}: {}", group.words, self.wanted());
        self.group = Some(group);
        Step::next(words)
    }

    const fn wanted(&self) -> &'static str {
        match self.action {
            Action::Rind => "scan the rind cover",
            Action::Iron => "scan the blue coverage",
            Action::Grade => "scan the grade",
            _ => "put it on the scale",
        }
    }

    fn nothing_scanned(&self) -> Step {
        Step::wrong(format!("{} first: {}", self.action, self.action.ask()))
    }

    fn percent(&mut self, percent: Percent, floor: &Floor<'_>) -> Step {
        let Some(Group { wheels, via, words }) = self.group.take() else {
            return self.nothing_scanned();
        };
        let checked = wheels.clone();
        match (self.action, wheels.as_slice()) {
            (Action::Iron, &[wheel]) => {
                let done = format!("{words}: {percent} blue");
                let event = WheelIroned {
                    wheel,
                    blue_coverage_pct: percent,
                    iron: self.iron,
                    note: None,
                };
                step(floor, &checked, &done, event.into())
            }
            _ => {
                let done = format!("{words}: {percent} rind cover");
                let event = RindObserved {
                    wheels,
                    via,
                    cover_pct: percent,
                };
                step(floor, &checked, &done, event.into())
            }
        }
    }

    pub(crate) fn weigh(&mut self, shown: Settled, floor: &Floor<'_>) -> Step {
        let weight = shown.weight;
        if self.action != Action::Weigh {
            return Step::wrong(format!(
                "{weight}, but {} takes no weight: scan WEIGH, then weigh again",
                self.action
            ));
        }
        let group = self.group.take();
        let on_scale = group.and_then(|g| Some((*g.wheels.first()?, g.via)));
        let Some((wheel, via)) = on_scale else {
            return Step::wrong(format!(
                "{weight}, but no wheel yet: scan the wheel, then weigh again"
            ));
        };
        // A wheel that stands in a hoop by the records lies on the scale with it.
        let hoop = match via {
            Some(Carrier::Hoop(hoop)) => Some(hoop),
            _ => floor.placement.standing(wheel).and_then(|s| s.hoop),
        };
        let net = match scale::net(floor, shown, hoop) {
            Ok(net) => net,
            Err(step) => return *step,
        };
        let event = WheelWeighed {
            wheel,
            weight_g: net.weight,
            scale: floor.scale(),
            tare_g: net.tare,
        };
        let done = format!("wheel {wheel} weighs {}", net.words);
        step(floor, &[wheel], &done, event.into())
    }

    pub(crate) fn left_open(&self) -> Option<String> {
        let group = self.group.as_ref()?;
        Some(format!("{} of {}", self.action, group.words))
    }
}

/// Recorded, and flagged if these wheels cannot be here.
fn step(floor: &Floor<'_>, wheels: &[WheelId], done: &str, event: facts::Event) -> Step {
    let wrong = |wheel| floor.unsound(wheel).or_else(|| floor.gone(wheel));
    match floor.flag(wheels, wrong) {
        Some(flag) => Step::flagged(done, &flag, vec![event]),
        None => Step::ok(done, vec![event]),
    }
}
