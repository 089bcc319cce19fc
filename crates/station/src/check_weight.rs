//! CHECKWEIGHT: the station's scale is shown a weight that is known: its grams are scanned,
//! and it is put on, in either order.

use facts::{ToolCheck, ToolChecked};
use metrology::Weight;
use quantity::Grams;

use crate::code::Code;
use crate::floor::{Floor, Step, whole};
use crate::scale::Scale;

/// What was scanned and shown so far.
#[derive(Debug, Clone, Default)]
pub(crate) struct CheckWeight {
    applied: Option<Grams>,
    shown: Option<Grams>,
}

impl CheckWeight {
    pub(crate) fn take(&mut self, code: Code, floor: &Floor<'_>) -> Step {
        let Code::Number(number) = code else {
            return Step::wrong(format!(
                "CHECKWEIGHT takes the grams on the check weight, such as N.5000, not {code}"
            ));
        };
        let applied = whole(number).and_then(|grams| Grams::new(grams).ok());
        let range = floor
            .setup
            .scale
            .as_ref()
            .map(|s| (s.plate.min(), s.plate.max()));
        let fits =
            |grams: &Grams| range.is_none_or(|(min, max)| (min..=max).contains(&exactly(*grams)));
        let Some(applied) = applied.filter(fits) else {
            let range = range.map_or_else(String::new, |(min, max)| format!(" of {min} to {max}"));
            return Step::wrong(format!(
                "{number} g is no check weight for this scale: take one{range}, near what you weigh, and scan its grams"
            ));
        };
        self.applied = Some(applied);
        self.record(floor)
            .unwrap_or_else(|| Step::next(format!("{applied}: put it on the empty scale")))
    }

    pub(crate) fn weigh(&mut self, shown: Grams, floor: &Floor<'_>) -> Step {
        self.shown = Some(shown);
        self.record(floor).unwrap_or_else(|| {
            Step::next(format!("{shown} shown: scan the grams on the check weight"))
        })
    }

    fn record(&mut self, floor: &Floor<'_>) -> Option<Step> {
        let scale = floor.setup.scale.as_ref()?;
        let (applied_g, shown_g) = (self.applied?, self.shown?);
        *self = Self::default();
        let allowed_g = allowed(scale, applied_g);
        let check = ToolCheck::CheckWeight {
            applied_g,
            shown_g,
            allowed_g,
        };
        let tool = scale.tool;
        let found = format!(
            "scale {tool} shows {shown_g} for {applied_g}, {} g allowed",
            allowed_g.get()
        );
        let event = ToolChecked { tool, check };
        if check.passed() {
            return Some(Step::ok(format!("PASS: {found}"), vec![event.into()]));
        }
        let since = floor.placement.last_pass(tool).map_or_else(
            || "what was weighed on it".to_owned(),
            |at| format!("what was weighed since {}", floor.time(at)),
        );
        Some(Step::stop(
            format!(
                "FAIL: {found}: recorded. It weighs nothing until a check passes: clean it, zero it, check again, or call your supervisor. Doubt {since}"
            ),
            vec![event.into()],
        ))
    }

    pub(crate) fn left_open(&self) -> Option<String> {
        self.applied
            .or(self.shown)
            .map(|weight| format!("the check with {weight}"))
    }
}

/// The error allowed in service, in whole grams as facts have them. A pound scale's is
/// rounded up: the roundings of both weights could else fail a scale that is in order.
fn allowed(scale: &Scale, applied: Grams) -> Grams {
    let error = scale.plate.error_in_service(exactly(applied));
    error.to_grams_up().unwrap_or(applied)
}

fn exactly(grams: Grams) -> Weight {
    i32::try_from(grams.get()).map_or(Weight::ZERO, Weight::grams)
}
