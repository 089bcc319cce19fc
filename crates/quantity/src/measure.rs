//! Measured quantities, each with its unit in its name and its range in its type.

use std::fmt;

use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize};

/// A value outside what the quantity can be on a dairy floor.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("{quantity} must be between {least} and {most} {unit}, but is {value}")]
pub struct OutOfRange {
    quantity: &'static str,
    least: f64,
    most: f64,
    unit: &'static str,
    value: f64,
}

macro_rules! measured {
    ($(#[$doc:meta])* $name:ident($inner:ty), $quantity:literal, $unit:literal, $least:literal ..= $most:literal) => {
        $(#[$doc])*
        #[derive(Debug, Clone, Copy, PartialEq, PartialOrd, Serialize)]
        #[serde(transparent)]
        pub struct $name($inner);

        impl $name {
            /// The smallest value accepted.
            pub const LEAST: $inner = $least;
            /// The largest value accepted.
            pub const MOST: $inner = $most;
            /// The unit, as people write it.
            pub const UNIT: &'static str = $unit;

            /// Accepts a value in range.
            ///
            /// # Errors
            /// [`OutOfRange`] when the value is outside the range or not a number.
            pub fn new(value: $inner) -> Result<Self, OutOfRange> {
                if (Self::LEAST..=Self::MOST).contains(&value) {
                    Ok(Self(value))
                } else {
                    Err(OutOfRange {
                        quantity: $quantity,
                        least: Self::LEAST as f64,
                        most: Self::MOST as f64,
                        unit: $unit,
                        value: value as f64,
                    })
                }
            }

            /// The bare number, in this type's unit.
            #[must_use]
            pub const fn get(self) -> $inner {
                self.0
            }
        }

        impl TryFrom<$inner> for $name {
            type Error = OutOfRange;
            fn try_from(value: $inner) -> Result<Self, OutOfRange> {
                Self::new(value)
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                Self::new(<$inner>::deserialize(d)?).map_err(serde::de::Error::custom)
            }
        }

        impl borsh::BorshSerialize for $name {
            fn serialize<W: std::io::Write>(&self, to: &mut W) -> std::io::Result<()> {
                to.write_all(&self.0.to_le_bytes())
            }
        }

        impl borsh::BorshDeserialize for $name {
            fn deserialize_reader<R: std::io::Read>(from: &mut R) -> std::io::Result<Self> {
                let mut bytes = [0; size_of::<$inner>()];
                from.read_exact(&mut bytes)?;
                Self::new(<$inner>::from_le_bytes(bytes)).map_err(|bad| {
                    std::io::Error::new(std::io::ErrorKind::InvalidData, bad.to_string())
                })
            }
        }

        impl JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }
            fn json_schema(generator: &mut SchemaGenerator) -> Schema {
                let kind = <$inner>::json_schema(generator);
                json_schema!({
                    "type": kind.get("type"),
                    "minimum": Self::LEAST,
                    "maximum": Self::MOST,
                    "description": concat!($quantity, ", ", $unit),
                })
            }
        }

        #[cfg(any(test, feature = "testing"))]
        impl proptest::arbitrary::Arbitrary for $name {
            type Parameters = ();
            type Strategy = proptest::strategy::BoxedStrategy<Self>;
            fn arbitrary_with((): ()) -> Self::Strategy {
                use proptest::strategy::Strategy as _;
                (Self::LEAST..=Self::MOST).prop_map(Self).boxed()
            }
        }
    };
}

measured! {
    /// A mass in whole grams, up to a full pallet load. Finer than any scale in the trade.
    Grams(u32), "a weight", "g", 0 ..= 2_000_000
}
measured! {
    /// A volume in litres, up to a road tanker.
    Litres(f64), "a volume", "L", 0.0 ..= 50_000.0
}
measured! {
    /// A temperature in degrees Celsius, from a blast freezer to steam.
    Celsius(f64), "a temperature", "°C", -60.0 ..= 150.0
}
measured! {
    /// A share in percent: relative humidity, rind cover, blue coverage, fat.
    Percent(f64), "a percentage", "%", 0.0 ..= 100.0
}
measured! {
    /// Acidity as pH.
    Ph(f64), "a pH", "pH", 0.0 ..= 14.0
}
measured! {
    /// A gas concentration in parts per million by volume.
    Ppm(f64), "a gas concentration", "ppm", 0.0 ..= 1_000_000.0
}

impl Eq for Grams {}
#[allow(clippy::derive_ord_xor_partial_ord)] // whole numbers: the derived order is this one
impl Ord for Grams {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.0.cmp(&other.0)
    }
}

impl fmt::Display for Grams {
    /// Kilograms with gram resolution, as a scale shows it: `4.215 kg`.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{:03} kg", self.0 / 1000, self.0 % 1000)
    }
}

impl fmt::Display for Litres {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} L", self.0)
    }
}

impl fmt::Display for Celsius {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.1} °C", self.0)
    }
}

impl fmt::Display for Percent {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} %", self.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_impossible_value_is_refused_in_words() {
        let refused = Percent::new(130.0).unwrap_err();
        assert_eq!(
            refused.to_string(),
            "a percentage must be between 0 and 100 %, but is 130"
        );
        assert!(Celsius::new(f64::NAN).is_err());
        assert!(Grams::new(2_000_001).is_err());
    }

    #[test]
    fn grams_read_like_a_scale() {
        assert_eq!(Grams::new(4_205).unwrap().to_string(), "4.205 kg");
    }
}
