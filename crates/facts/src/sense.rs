//! Amounts that cannot be: no milk, a dose below nothing. Whoever states something is told at
//! once; facts that are in a log are read as they are.

use quantity::Litres;

use crate::{Amount, Event};

/// Why an amount makes no sense, in words for whoever stated it.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "{what} must be more than 0{unit}, but is {was}{unit}: nothing recorded. Measure it and enter it again"
)]
pub struct Nonsense {
    what: &'static str,
    unit: &'static str,
    was: String,
}

/// Milk that went somewhere.
///
/// # Errors
/// There is none.
pub fn some_milk(litres: Litres) -> Result<(), Nonsense> {
    more_than_none("the milk", litres.get(), " L")
}

impl Event {
    /// Whether the amounts that it states can be.
    ///
    /// # Errors
    /// The first that cannot, in words for whoever stated it.
    pub fn makes_sense(&self) -> Result<(), Nonsense> {
        match self {
            Self::VatStarted(e) => some_milk(e.milk_l),
            Self::VatFilled(e) => some_milk(e.volume_l),
            Self::MilkReceived(e) => some_milk(e.volume_l),
            Self::VatDosed(e) => more_than_none("a dose", e.amount, ""),
            Self::VatDrained(e) => match e.whey_l {
                Some(whey) => more_than_none("the whey", whey.get(), " L"),
                None => Ok(()),
            },
            Self::LotReceived(e) => some_of_it(e.amount),
            Self::LotUsed(e) => some_of_it(e.amount),
            // All of it may be gone.
            Self::LotCounted(e) if e.left.value != 0.0 => some_of_it(Some(e.left)),
            Self::MilkPasteurised(e) => more_than_none("the holding time", e.held_s, " s"),
            _ => Ok(()),
        }
    }
}

fn some_of_it(amount: Option<Amount>) -> Result<(), Nonsense> {
    match amount {
        Some(amount) => more_than_none("the amount", amount.value, ""),
        None => Ok(()),
    }
}

fn more_than_none(what: &'static str, value: f64, unit: &'static str) -> Result<(), Nonsense> {
    if value > 0.0 && value.is_finite() {
        return Ok(());
    }
    Err(Nonsense {
        what,
        unit,
        was: value.to_string(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Ingredient, VatDosed, VatFilled};

    #[test]
    fn no_milk_and_no_dose_are_said_to_be_none() {
        let dosed = |amount| {
            let (batch, lot) = ("311".parse().unwrap(), "CUL1".parse().unwrap());
            Event::from(VatDosed {
                batch,
                ingredient: Ingredient::Rennet,
                lot,
                amount,
            })
        };
        for (amount, fine) in [
            (40.0, true),
            (0.0, false),
            (-5.0, false),
            (f64::NAN, false),
            (f64::INFINITY, false),
        ] {
            assert_eq!(dosed(amount).makes_sense().is_ok(), fine, "{amount}");
        }
        let words = dosed(-5.0).makes_sense().unwrap_err().to_string();
        assert_eq!(
            words,
            "a dose must be more than 0, but is -5: nothing recorded. Measure it and enter it again"
        );
        let filled = Event::from(VatFilled {
            batch: "311".parse().unwrap(),
            lot: "M1".parse().unwrap(),
            volume_l: Litres::new(0.0).unwrap(),
        });
        assert!(
            filled
                .makes_sense()
                .unwrap_err()
                .to_string()
                .contains("0 L")
        );
    }
}
