//! PORTION: curd becomes wheels. Batch, a stack if wanted, then hoop and weight in
//! either order for each wheel.

use facts::{BatchId, Event, HoopId, StackId, WheelHeld, WheelHooped, WheelPortioned};
use metrology::Settled;

use crate::code::Code;
use crate::floor::{Floor, Step};
use crate::scale;

/// What was scanned and weighed so far.
#[derive(Debug, Clone, Default)]
pub(crate) struct Portion {
    batch: Option<BatchId>,
    stack: Option<StackId>,
    hoop: Option<HoopId>,
    weight: Option<Settled>,
}

impl Portion {
    pub(crate) fn take(&mut self, code: Code, floor: &Floor<'_>) -> Step {
        match code {
            Code::Batch(batch) => {
                let left_open = self.left_open();
                *self = Self {
                    batch: Some(batch),
                    ..Self::default()
                };
                match (left_open, floor.unstarted(batch)) {
                    (Some(what), _) => {
                        Step::wrong(format!("{what} was not recorded. Now batch {batch}"))
                    }
                    (None, Some(flag)) => Step::wrong(format!(
                        "{flag}: check the card. Its portions will be flagged"
                    )),
                    (None, None) => Step::next(format!("batch {batch}: weigh, and scan the hoop")),
                }
            }
            Code::Stack(stack) => {
                self.stack = Some(stack);
                Step::next(format!("stack {stack}: weigh, and scan the hoop"))
            }
            Code::Hoop(hoop) => {
                self.hoop = Some(hoop);
                self.record(floor)
            }
            other => Step::wrong(format!("PORTION takes a batch, stack or hoop, not {other}")),
        }
    }

    pub(crate) fn weigh(&mut self, shown: Settled, floor: &Floor<'_>) -> Step {
        if self.batch.is_none() {
            return Step::wrong(format!(
                "{}, but no batch yet: scan the batch, then weigh again",
                shown.weight
            ));
        }
        self.weight = Some(shown);
        self.record(floor)
    }

    fn record(&mut self, floor: &Floor<'_>) -> Step {
        let Some(batch) = self.batch else {
            return Step::wrong("scan the batch first, then the hoop");
        };
        let (hoop, shown) = match (self.hoop, self.weight) {
            (Some(hoop), Some(shown)) => (hoop, shown),
            (Some(hoop), None) => {
                return Step::next(format!("hoop {hoop}: put the curd on the scale"));
            }
            (None, Some(shown)) => {
                return Step::next(format!("{}: scan its hoop", shown.weight));
            }
            (None, None) => return Step::next("weigh, and scan the hoop"),
        };
        let Some(wheel) = floor.placement.next_wheel(batch) else {
            return Step::wrong(format!(
                "batch code {batch} leaves no room for wheel numbers: give it a shorter one"
            ));
        };
        (self.hoop, self.weight) = (None, None);
        let net = match scale::net(floor, shown, Some(hoop)) {
            Ok(net) => net,
            Err(step) => return *step,
        };
        let mut events = vec![
            WheelPortioned {
                wheel,
                batch,
                weight_g: net.weight,
                scale: floor.scale(),
                tare_g: net.tare,
                mixer: floor.person,
            }
            .into(),
            WheelHooped {
                wheel,
                hoop,
                stack: self.stack,
            }
            .into(),
        ];
        // A recipe's own holds keep the wheel without being stated; they are stated all the
        // same, for whoever reads the facts without the recipe.
        let recipe = floor.placement.recipe_and_version(batch);
        let born_under = recipe.map(|recipe| floor.setup.holds.born_under(Some(recipe)));
        events.extend(born_under.into_iter().flatten().map(|born| {
            Event::from(WheelHeld {
                wheels: vec![wheel],
                hold: born.hold,
                reason: born.reason.clone(),
            })
        }));
        let done = format!("wheel {wheel}, {}, hoop {hoop}", net.words);
        let inside = floor.placement.wheels_on(facts::Carrier::Hoop(hoop));
        match (inside.first(), floor.unstarted(batch)) {
            (Some(other), _) => {
                let flag = format!("hoop {hoop} still holds {other} by the records");
                Step::flagged(&done, &flag, events)
            }
            (None, Some(flag)) => Step::flagged(&done, &flag, events),
            (None, None) => Step::ok(done, events),
        }
    }

    pub(crate) fn left_open(&self) -> Option<String> {
        match (self.hoop, self.weight) {
            (Some(hoop), _) => Some(format!("hoop {hoop} without a weight")),
            (None, Some(shown)) => Some(format!("{} without a hoop", shown.weight)),
            (None, None) => None,
        }
    }
}
