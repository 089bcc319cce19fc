//! What a scale's plate says, and the errors that it may show.
//!
//! Figures: OIML R 76-1:2006, non-automatic weighing instruments. Table 3 gives the number
//! of intervals and the minimum capacity of each class, table 6 the maximum permissible
//! errors on initial verification; 3.5.2 doubles them in service.

use std::fmt;
use std::str::FromStr;

use crate::weight::Weight;

/// An accuracy class.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Class {
    /// I, special.
    I,
    /// II, high.
    II,
    /// III, medium: nearly every scale on a production floor.
    III,
    /// IIII, ordinary.
    IIII,
}

/// One class's row of the tables, for intervals of 1 g and more.
struct Row {
    class: Class,
    name: &'static str,
    /// The minimum capacity, in intervals.
    least: i32,
    /// The number of intervals that a scale of 5 g and more has at least.
    fewest: i32,
    /// The same at finer intervals.
    fewest_fine: i32,
    /// The most intervals; none for class I.
    most: Option<i32>,
    /// The loads, in intervals, up to which the error is 0.5 e and 1 e.
    steps: [i32; 2],
}

const ROWS: [Row; 4] = [
    Row {
        class: Class::I,
        name: "I",
        least: 100,
        fewest: 50_000,
        fewest_fine: 50_000,
        most: None,
        steps: [50_000, 200_000],
    },
    Row {
        class: Class::II,
        name: "II",
        least: 50,
        fewest: 5_000,
        fewest_fine: 5_000,
        most: Some(100_000),
        steps: [5_000, 20_000],
    },
    Row {
        class: Class::III,
        name: "III",
        least: 20,
        fewest: 500,
        fewest_fine: 100,
        most: Some(10_000),
        steps: [500, 2_000],
    },
    Row {
        class: Class::IIII,
        name: "IIII",
        least: 10,
        fewest: 100,
        fewest_fine: 100,
        most: Some(1_000),
        steps: [50, 200],
    },
];

impl Class {
    const fn row(self) -> &'static Row {
        match self {
            Self::I => &ROWS[0],
            Self::II => &ROWS[1],
            Self::III => &ROWS[2],
            Self::IIII => &ROWS[3],
        }
    }
}

/// A class that does not exist.
#[derive(Debug, Clone, Copy, PartialEq, Eq, thiserror::Error)]
#[error("an accuracy class is I, II, III or IIII, as on the scale's plate")]
pub struct BadClass;

impl FromStr for Class {
    type Err = BadClass;

    fn from_str(text: &str) -> Result<Self, BadClass> {
        ROWS.iter()
            .find(|row| row.name == text)
            .map(|row| row.class)
            .ok_or(BadClass)
    }
}

impl fmt::Display for Class {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.row().name)
    }
}

/// A plate that no scale has.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadPlate {
    /// Finer than facts are.
    #[error(
        "e is below 1 g, and weights are kept in whole grams: use a scale with e of 1 g or more"
    )]
    Fine,
    /// Max and e do not belong together.
    #[error(
        "Max is {intervals} times e, and a class {class} scale has {wanted}: compare Max, e and class with its plate"
    )]
    Intervals {
        /// How many there are.
        intervals: i128,
        /// The class stated.
        class: Class,
        /// How many there may be, in words.
        wanted: String,
    },
    /// Min is not between nothing and Max.
    #[error("Min must be more than 0 and less than Max")]
    Min,
}

/// A scale's metrological marks: Max, Min, e and the accuracy class.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Plate {
    class: Class,
    max: Weight,
    min: Weight,
    e: Weight,
}

impl Plate {
    /// A scale's marks. Without a `min` the class's own minimum capacity holds: 20 e for
    /// class III.
    ///
    /// # Errors
    /// [`BadPlate`] when no scale of the class can be so.
    pub fn new(
        class: Class,
        max: Weight,
        min: Option<Weight>,
        e: Weight,
    ) -> Result<Self, BadPlate> {
        if e < Weight::grams(1) {
            return Err(BadPlate::Fine);
        }
        let row = class.row();
        let fewest = if e < Weight::grams(5) {
            row.fewest_fine
        } else {
            row.fewest
        };
        let intervals = max.intervals(e);
        if intervals < i128::from(fewest) || row.most.is_some_and(|most| intervals > most.into()) {
            let wanted = match row.most {
                Some(most) => format!("{fewest} to {most}"),
                None => format!("{fewest} or more"),
            };
            return Err(BadPlate::Intervals {
                intervals,
                class,
                wanted,
            });
        }
        let min = min.unwrap_or(e.times(row.least));
        if min <= Weight::ZERO || min >= max {
            return Err(BadPlate::Min);
        }
        Ok(Self { class, max, min, e })
    }

    /// The accuracy class.
    #[must_use]
    pub const fn class(&self) -> Class {
        self.class
    }

    /// The maximum capacity.
    #[must_use]
    pub const fn max(&self) -> Weight {
        self.max
    }

    /// The minimum capacity.
    #[must_use]
    pub const fn min(&self) -> Weight {
        self.min
    }

    /// The verification scale interval.
    #[must_use]
    pub const fn e(&self) -> Weight {
        self.e
    }

    /// The largest error, either way, that a scale in service may show at a load: twice the
    /// one on initial verification.
    #[must_use]
    pub fn error_in_service(&self, load: Weight) -> Weight {
        self.e.times(self.halves(load))
    }

    /// The largest error, either way, that a scale may show at a load when it is verified
    /// for the first time.
    #[must_use]
    pub fn error_at_first(&self, load: Weight) -> Weight {
        self.error_in_service(load).halved()
    }

    /// The error on initial verification, in halves of e.
    fn halves(&self, load: Weight) -> i32 {
        let [half, whole] = self.class.row().steps.map(|step| self.e.times(step));
        if load.abs() <= half {
            1
        } else if load.abs() <= whole {
            2
        } else {
            3
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn plate(class: &str, max: &str, e: &str) -> Result<Plate, BadPlate> {
        let weight = |text: &str| text.parse().unwrap();
        Plate::new(class.parse().unwrap(), weight(max), None, weight(e))
    }

    #[test]
    fn a_plate_that_no_scale_has_says_what_to_compare() {
        for (class, max, e, words) in [
            (
                "III",
                "15 kg",
                "0.5 g",
                "e is below 1 g, and weights are kept in whole grams: use a scale with e of 1 g or more",
            ),
            (
                "III",
                "150 kg",
                "5 g",
                "Max is 30000 times e, and a class III scale has 500 to 10000: compare Max, e and class with its plate",
            ),
            (
                "III",
                "15 kg",
                "50 g",
                "Max is 300 times e, and a class III scale has 500 to 10000: compare Max, e and class with its plate",
            ),
            (
                "I",
                "15 kg",
                "1 g",
                "Max is 15000 times e, and a class I scale has 50000 or more: compare Max, e and class with its plate",
            ),
        ] {
            assert_eq!(plate(class, max, e).unwrap_err().to_string(), words);
        }
        let kg = |kg| Weight::grams(kg * 1_000);
        let e = Weight::grams(5);
        for min in [Weight::ZERO, kg(15), kg(20)] {
            assert_eq!(
                Plate::new(Class::III, kg(15), Some(min), e),
                Err(BadPlate::Min)
            );
        }
        assert_eq!("3".parse::<Class>(), Err(BadClass));
    }

    #[test]
    fn a_pound_scale_is_as_good_as_any() {
        let plate = plate("III", "30 lb", "0.01 lb").unwrap();
        assert_eq!(plate.min(), "0.2 lb".parse().unwrap());
        let ten = "10 lb".parse().unwrap();
        assert_eq!(plate.error_in_service(ten), "0.02 lb".parse().unwrap());
    }
}
