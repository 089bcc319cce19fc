//! Identifiers: short codes that fit a barcode, a NATS subject token and a GS1 serial.
//!
//! A code keeps the case in which it was entered and is compared without regard to case,
//! whatever kind of code it is: `cul2026w10` and `CUL2026W10` are one lot, in every map,
//! index, question and answer. Where both were entered, the one that was heard first is shown.

use std::cmp::Ordering;
use std::fmt;
use std::hash::{Hash, Hasher};
use std::str::FromStr;

use arrayvec::ArrayString;
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize};

/// Longest code. GS1 lot and serial numbers (AI 10, 21) hold 20 characters at most.
pub(crate) const LONGEST: usize = 20;

/// A text that cannot be a code.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadCode {
    /// Nothing was given.
    #[error("a {0} is missing: it needs 1 to 20 letters, digits, '-' or '_'")]
    Empty(&'static str),
    /// Longer than a barcode here may be.
    #[error("{1:?} is too long for a {0}: at most 20 characters")]
    Long(&'static str, String),
    /// A character that a subject or a label cannot carry.
    #[error("{1:?} cannot be a {0}: use only A-Z, a-z, 0-9, '-' and '_'")]
    Character(&'static str, String),
}

macro_rules! codes {
    ($($(#[$doc:meta])* $name:ident = $what:literal;)*) => {$(
        $(#[$doc])*
        #[derive(Clone, Copy, Serialize)]
        #[serde(transparent)]
        pub struct $name(ArrayString<LONGEST>);

        impl PartialEq for $name {
            fn eq(&self, other: &Self) -> bool {
                self.0.eq_ignore_ascii_case(&other.0)
            }
        }

        impl Eq for $name {}

        impl PartialOrd for $name {
            fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
                Some(self.cmp(other))
            }
        }

        impl Ord for $name {
            fn cmp(&self, other: &Self) -> Ordering {
                in_capitals(self.0.as_bytes(), other.0.as_bytes())
            }
        }

        impl Hash for $name {
            fn hash<H: Hasher>(&self, state: &mut H) {
                normal(self.0).as_str().hash(state);
            }
        }

        impl $name {
            /// Accepts 1 to 20 characters of `A-Z a-z 0-9 - _`.
            ///
            /// # Errors
            /// [`BadCode`] says what is wrong with the text.
            pub fn new(text: &str) -> Result<Self, BadCode> {
                checked($what, text).map(Self)
            }

            /// The code as text.
            #[must_use]
            pub fn as_str(&self) -> &str {
                self.0.as_str()
            }
        }

        impl FromStr for $name {
            type Err = BadCode;
            fn from_str(text: &str) -> Result<Self, BadCode> {
                Self::new(text)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(self.as_str())
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(self.as_str())
            }
        }

        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(d: D) -> Result<Self, D::Error> {
                struct Text;
                impl serde::de::Visitor<'_> for Text {
                    type Value = $name;
                    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                        f.write_str(concat!("a ", $what))
                    }
                    fn visit_str<E: serde::de::Error>(self, text: &str) -> Result<$name, E> {
                        $name::new(text).map_err(E::custom)
                    }
                }
                d.deserialize_str(Text)
            }
        }

        impl borsh::BorshSerialize for $name {
            fn serialize<W: std::io::Write>(&self, to: &mut W) -> std::io::Result<()> {
                crate::stored::write_code(self.as_str(), to)
            }
        }

        impl borsh::BorshDeserialize for $name {
            fn deserialize_reader<R: std::io::Read>(from: &mut R) -> std::io::Result<Self> {
                crate::stored::read_code(from, Self::new)
            }
        }

        impl JsonSchema for $name {
            fn schema_name() -> std::borrow::Cow<'static, str> {
                stringify!($name).into()
            }
            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                json_schema!({
                    "type": "string",
                    "pattern": "^[A-Za-z0-9_-]{1,20}$",
                    "description": concat!("a ", $what),
                })
            }
        }

        #[cfg(feature = "testing")]
        impl proptest::arbitrary::Arbitrary for $name {
            type Parameters = ();
            type Strategy = proptest::strategy::BoxedStrategy<Self>;
            fn arbitrary_with((): ()) -> Self::Strategy {
                use proptest::strategy::Strategy as _;
                proptest::collection::vec(
                    proptest::sample::select(
                        b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_".as_slice(),
                    ),
                    1..=LONGEST,
                )
                .prop_filter_map("ascii", |bytes| Self::new(std::str::from_utf8(&bytes).ok()?).ok())
                .boxed()
            }
        }
    )*};
}

/// The form in which codes are compared: in capitals, which stand before '_' as they do in
/// the codes of most labels.
fn normal(mut code: ArrayString<LONGEST>) -> ArrayString<LONGEST> {
    code.make_ascii_uppercase();
    code
}

/// How two codes are ordered: as they would be in capitals. Every look into an ordered map asks
/// it many times, so nothing is copied.
fn in_capitals(own: &[u8], others: &[u8]) -> Ordering {
    for (own, other) in own.iter().zip(others) {
        if own != other {
            let order = own.to_ascii_uppercase().cmp(&other.to_ascii_uppercase());
            if order.is_ne() {
                return order;
            }
        }
    }
    own.len().cmp(&others.len())
}

fn checked(what: &'static str, text: &str) -> Result<ArrayString<LONGEST>, BadCode> {
    if text.is_empty() {
        return Err(BadCode::Empty(what));
    }
    if !text
        .bytes()
        .all(|b| b.is_ascii_alphanumeric() || b == b'-' || b == b'_')
    {
        return Err(BadCode::Character(what, text.chars().take(60).collect()));
    }
    ArrayString::from(text).map_err(|_| BadCode::Long(what, text.chars().take(60).collect()))
}

codes! {
    /// One dairy site; the unit of consistency.
    SiteId = "site";
    /// A scanner, scale, printer or program that states facts and numbers them.
    StationId = "station";
    /// A person, as on their badge.
    PersonId = "badge";
    /// One vat's make on one day.
    BatchId = "batch";
    /// A vat.
    VatId = "vat";
    /// One cheese.
    WheelId = "wheel";
    /// The mould a wheel drains in.
    HoopId = "hoop";
    /// A stack of hoops.
    StackId = "stack";
    /// The trolley that wheels mature on.
    StillageId = "stillage";
    /// A climate-controlled room.
    RoomId = "room";
    /// A place in a room that one stillage takes.
    PositionId = "position";
    /// A cheese's make and maturing rules.
    RecipeId = "recipe";
    /// A piercing machine, an iron, a scale.
    ToolId = "tool";
    /// A lot of milk, culture, rennet, salt or packaging.
    LotId = "lot";
    /// A reason that keeps wheels from leaving.
    HoldId = "hold";
    /// A laboratory sample.
    SampleId = "sample";
    /// A critical step of the dairy's HACCP plan.
    ControlId = "control";
    /// A customer's order.
    OrderId = "order";
    /// Where cheese is sold, with its own rules.
    MarketId = "market";
    /// Who orders.
    CustomerId = "customer";
    /// A way from the dairy to customers: a carrier's road, a ferry, a flight.
    LaneId = "lane";
    /// A room sensor.
    SensorId = "sensor";
}

#[cfg(test)]
mod tests {
    use std::collections::{BTreeSet, HashSet};

    use super::*;

    #[test]
    fn a_code_keeps_its_case_and_is_one_thing_in_any_case() {
        let [small, large] = ["cul2026w10", "CUL2026W10"].map(|code| LotId::new(code).unwrap());
        assert_eq!(small, large);
        assert_eq!(small.cmp(&large), Ordering::Equal);
        assert_eq!(HashSet::from([small, large]).len(), 1);
        assert_eq!(BTreeSet::from([small, large]).len(), 1);
        assert_eq!(small.to_string(), "cul2026w10", "as it was entered");
        assert_eq!(serde_json::to_string(&large).unwrap(), "\"CUL2026W10\"");
        let back: LotId = serde_json::from_str("\"Cul2026w10\"").unwrap();
        assert_eq!(back.as_str(), "Cul2026w10");
        assert_ne!(small, LotId::new("cul2026w1").unwrap());
    }

    proptest::proptest! {
        #[test]
        fn equality_order_and_hash_agree_and_regard_no_case(
            a in proptest::prelude::any::<WheelId>(), b in proptest::prelude::any::<WheelId>()
        ) {
            let small = WheelId::new(&a.as_str().to_ascii_lowercase()).unwrap();
            proptest::prop_assert_eq!(a, small);
            proptest::prop_assert_eq!(a.cmp(&b), small.cmp(&b));
            proptest::prop_assert_eq!(a.cmp(&b) == Ordering::Equal, a == b);
            let [own, others] = [a, b].map(|id| id.as_str().to_ascii_uppercase());
            proptest::prop_assert_eq!(a.cmp(&b), own.cmp(&others));
            proptest::prop_assert!(HashSet::from([a]).contains(&small));
        }
    }

    #[test]
    fn a_bad_code_says_what_would_be_right() {
        assert_eq!(
            WheelId::new("").unwrap_err().to_string(),
            "a wheel is missing: it needs 1 to 20 letters, digits, '-' or '_'"
        );
        assert!(matches!(WheelId::new("a.b"), Err(BadCode::Character(..))));
        assert!(matches!(
            WheelId::new(&"x".repeat(21)),
            Err(BadCode::Long(..))
        ));
        assert!(matches!(WheelId::new("käse"), Err(BadCode::Character(..))));
    }
}
