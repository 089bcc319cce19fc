//! The scale beside a station: whether it may weigh, and what a hoop adds to a weight.

use facts::{HoopId, ToolId};
use metrology::{HoopTypes, Plate, Settled, Weight};
use quantity::Grams;

use crate::floor::{Floor, Step};

/// The scale beside a station.
#[derive(Debug, Clone)]
pub struct Scale {
    /// Its code.
    pub tool: ToolId,
    /// What its plate says.
    pub plate: Plate,
    /// Whether it weighs only on dairy days on which a check weight was shown to it.
    pub daily_check: bool,
    /// The hoops that are weighed along, and what they weigh.
    pub hoops: HoopTypes,
}

/// A weight without its hoop.
pub(crate) struct Net {
    pub(crate) weight: Grams,
    /// What was taken off for the hoop.
    pub(crate) tare: Option<Grams>,
    pub(crate) words: String,
}

/// Takes a hoop's tare off, unless the scale has a tare off already. The tare is rounded to
/// the scale's interval first, as a preset tare is (OIML R 76-1:2006, 4.7.1), so that the
/// net weight is a weight of that scale.
pub(crate) fn net(
    floor: &Floor<'_>,
    shown: Settled,
    hoop: Option<HoopId>,
) -> Result<Net, Box<Step>> {
    let tare = floor.setup.scale.as_ref().and_then(|scale| {
        let of_type = scale.hoops.of(hoop?.as_str())?;
        let tare = Weight::grams(of_type.tare.get().try_into().ok()?);
        tare.rounded_to(scale.plate.e()).to_grams()
    });
    let weight = shown.weight;
    let (Some(tare), Some(hoop)) = (tare.filter(|_| shown.net != Some(true)), hoop) else {
        return Ok(Net {
            weight,
            tare: None,
            words: weight.to_string(),
        });
    };
    let left = weight.get().checked_sub(tare.get()).filter(|g| *g > 0);
    match left.and_then(|grams| Grams::new(grams).ok()) {
        Some(net) => Ok(Net {
            weight: net,
            tare: Some(tare),
            words: format!("{net} ({weight} with the hoop)"),
        }),
        None => Err(Box::new(Step::wrong(format!(
            "{weight}, but hoop {hoop} alone weighs {tare}: nothing recorded. Weigh again with the right hoop"
        )))),
    }
}

/// Why the scale may not weigh now, and what to do.
pub(crate) fn blocked(floor: &Floor<'_>) -> Option<String> {
    let scale = floor.setup.scale.as_ref()?;
    let tool = scale.tool;
    match floor.placement.last_check(tool) {
        Some((at, check)) if !check.passed() => {
            let when = floor.time(at);
            Some(format!(
                "scale {tool} failed its check {when}: it weighs nothing until a check passes. Scan CHECKWEIGHT"
            ))
        }
        Some((at, _)) if !scale.daily_check || floor.is_today(at) => None,
        None if !scale.daily_check => None,
        _ => Some(format!(
            "scale {tool} was not checked today: scan CHECKWEIGHT first"
        )),
    }
}
