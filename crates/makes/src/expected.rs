//! What milk should give.

/// Share of the milk's fat that the cheese keeps, in Van Slyke and Price's formula. A blue
/// keeps less, as whey fat is lost at milling and salting: 0.80 to 0.90 is reported from
/// memory.
pub const FAT_RETAINED: f64 = 0.93;

/// Casein in the protein of cow's milk, as a share. Common practice, no source.
pub const CASEIN_OF_PROTEIN: f64 = 0.78;

/// Casein that is lost with the whey, % of milk; salt and other solids that the cheese
/// gains, as a factor.
const CASEIN_LOST_PCT: f64 = 0.1;
const OTHER_SOLIDS: f64 = 1.09;

/// A share that cannot be.
#[derive(Debug, Clone, Copy, PartialEq, thiserror::Error)]
#[error("{what} cannot be {value}: it must be {least} to {most}")]
pub struct Impossible {
    what: &'static str,
    value: f64,
    least: f64,
    most: f64,
}

fn within(what: &'static str, value: f64, least: f64, most: f64) -> Result<f64, Impossible> {
    if (least..=most).contains(&value) {
        Ok(value)
    } else {
        Err(Impossible {
            what,
            value,
            least,
            most,
        })
    }
}

/// Kilograms of cheese from 100 kg of milk (Van Slyke and Price 1908):
/// (k·F + C − 0.1) · 1.09 / (1 − W), with fat F and casein C in % of the milk by mass, the
/// share k of the fat that is kept ([`FAT_RETAINED`]), and the cheese's moisture W as a share
/// of one.
///
/// # Errors
/// [`Impossible`] for milk or cheese that cannot be.
pub fn expected_kg_per_100_kg(
    fat_pct: f64,
    casein_pct: f64,
    moisture: f64,
    fat_retained: f64,
) -> Result<f64, Impossible> {
    let fat = within("milk fat in %", fat_pct, 0.0, 15.0)?;
    let casein = within("casein in %", casein_pct, 0.0, 10.0)?;
    let moisture = within("moisture as a share", moisture, 0.0, 0.95)?;
    let kept = within("the share of fat that is kept", fat_retained, 0.0, 1.0)?;
    let solids = (kept * fat + casein - CASEIN_LOST_PCT).max(0.0);
    Ok(solids * OTHER_SOLIDS / (1.0 - moisture))
}

/// The same yield at another moisture: Y·(1 − W) / (1 − W₀), with both moistures as shares of
/// one. Add the salt to both where it differs.
///
/// # Errors
/// [`Impossible`] for a moisture that cannot be.
pub fn at_moisture(yield_: f64, moisture: f64, wanted: f64) -> Result<f64, Impossible> {
    let had = within("moisture as a share", moisture, 0.0, 0.95)?;
    let wanted = within("moisture as a share", wanted, 0.0, 0.95)?;
    Ok(yield_ * (1.0 - had) / (1.0 - wanted))
}
