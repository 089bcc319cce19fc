//! How names lie in a store: ids as their text, a fact's id as its 16 bytes.
//!
//! Stored state has a format of its own (Borsh) and a trait of its own, so that the compiler
//! refuses to store a body of the wire: only ids and a few plain values have the trait here,
//! and no fact's body may ever be given it. Which fields are stored in which order, and which
//! number stands for which variant, is written out ([`stored_struct`](crate::stored_struct),
//! [`stored_enum`](crate::stored_enum)), whatever the declaration says.

use std::io::{Error, ErrorKind, Read, Result, Write};

pub use borsh;
use borsh::{BorshDeserialize, BorshSerialize};
use chrono::{DateTime, Utc};
use uuid::Uuid;

use crate::id::LONGEST;
use crate::{Carrier, FactId, Grade, Sscc, ToolCheck};

/// Stores a struct: its fields in this order. A field of a type without the trait names the
/// module whose `write` and `read` do it; what is skipped begins empty.
#[macro_export]
macro_rules! stored_struct {
    ($name:ty { $($field:ident $(via $with:ident)?),* $(,)? } $(skip { $($skipped:ident),* })?) => {
        impl $crate::stored::borsh::BorshSerialize for $name {
            fn serialize<W: ::std::io::Write>(&self, to: &mut W) -> ::std::io::Result<()> {
                $($crate::stored_struct!(@write (&self.$field) to $($with)?);)*
                Ok(())
            }
        }

        impl $crate::stored::borsh::BorshDeserialize for $name {
            fn deserialize_reader<R: ::std::io::Read>(from: &mut R) -> ::std::io::Result<Self> {
                Ok(Self {
                    $($field: $crate::stored_struct!(@read from $($with)?),)*
                    $($($skipped: ::std::default::Default::default(),)*)?
                })
            }
        }
    };
    (@write ($value:expr) $to:ident) => {
        $crate::stored::borsh::BorshSerialize::serialize($value, $to)?
    };
    (@write ($value:expr) $to:ident $with:ident) => {
        $with::write($value, $to)?
    };
    (@read $from:ident) => {
        $crate::stored::borsh::BorshDeserialize::deserialize_reader($from)?
    };
    (@read $from:ident $with:ident) => {
        $with::read($from)?
    };
}

/// Stores an enum: each variant under its number, then its fields.
#[macro_export]
macro_rules! stored_enum {
    ($name:ty { $($number:literal = $variant:ident $(($($part:ident),*))? $({ $($field:ident),* })?),* $(,)? }) => {
        impl $crate::stored::borsh::BorshSerialize for $name {
            fn serialize<W: ::std::io::Write>(&self, to: &mut W) -> ::std::io::Result<()> {
                match self {
                    $(Self::$variant $(($($part),*))? $({ $($field),* })? => {
                        to.write_all(&[$number])?;
                        $($($crate::stored::borsh::BorshSerialize::serialize($part, to)?;)*)?
                        $($($crate::stored::borsh::BorshSerialize::serialize($field, to)?;)*)?
                    })*
                }
                Ok(())
            }
        }

        impl $crate::stored::borsh::BorshDeserialize for $name {
            fn deserialize_reader<R: ::std::io::Read>(from: &mut R) -> ::std::io::Result<Self> {
                let mut number = [0_u8];
                from.read_exact(&mut number)?;
                match number[0] {
                    $($number => {
                        $($(let $part = $crate::stored::borsh::BorshDeserialize::deserialize_reader(from)?;)*)?
                        $($(let $field = $crate::stored::borsh::BorshDeserialize::deserialize_reader(from)?;)*)?
                        Ok(Self::$variant $(($($part),*))? $({ $($field),* })?)
                    })*
                    other => Err(::std::io::Error::new(
                        ::std::io::ErrorKind::InvalidData,
                        format!("no variant has the number {other}"),
                    )),
                }
            }
        }
    };
}

stored_enum!(Carrier {
    0 = Hoop(id),
    1 = Stack(id),
    2 = Stillage(id),
});

stored_enum!(Grade {
    0 = A,
    1 = B,
    2 = C,
    3 = Reject,
});

stored_enum!(ToolCheck {
    0 = Needles { expected, counted },
    1 = Iron { whole },
    2 = CheckWeight { applied_g, shown_g, allowed_g },
});

/// An instant, to the microsecond.
pub mod instant {
    use super::{BorshDeserialize, BorshSerialize, DateTime, Read, Result, Utc, Write, wrong};

    /// Writes it.
    ///
    /// # Errors
    /// What the writer reports.
    pub fn write<W: Write>(at: &DateTime<Utc>, to: &mut W) -> Result<()> {
        at.timestamp_micros().serialize(to)
    }

    /// Reads it.
    ///
    /// # Errors
    /// When there is none.
    pub fn read<R: Read>(from: &mut R) -> Result<DateTime<Utc>> {
        let micros = i64::deserialize_reader(from)?;
        DateTime::from_timestamp_micros(micros)
            .ok_or_else(|| wrong("an instant outside the calendar"))
    }
}

/// One byte for the length, then the text: no code is longer than 20.
pub(crate) fn write_code<W: Write>(code: &str, to: &mut W) -> Result<()> {
    let length = u8::try_from(code.len()).map_err(Error::other)?;
    to.write_all(&[length])?;
    to.write_all(code.as_bytes())
}

pub(crate) fn read_code<R: Read, T, E: std::fmt::Display>(
    from: &mut R,
    code: impl FnOnce(&str) -> std::result::Result<T, E>,
) -> Result<T> {
    let mut length = [0];
    from.read_exact(&mut length)?;
    let mut text = [0; LONGEST];
    let text = text
        .get_mut(..usize::from(length[0]))
        .ok_or_else(|| wrong("a code of more than 20 characters"))?;
    from.read_exact(text)?;
    code(std::str::from_utf8(text).map_err(wrong)?).map_err(wrong)
}

fn wrong(what: impl std::fmt::Display) -> Error {
    Error::new(ErrorKind::InvalidData, what.to_string())
}

impl BorshSerialize for FactId {
    fn serialize<W: Write>(&self, to: &mut W) -> Result<()> {
        to.write_all(self.uuid().as_bytes())
    }
}

impl BorshDeserialize for FactId {
    fn deserialize_reader<R: Read>(from: &mut R) -> Result<Self> {
        let mut bytes = [0; 16];
        from.read_exact(&mut bytes)?;
        Ok(Self::from_uuid(Uuid::from_bytes(bytes)))
    }
}

impl BorshSerialize for Sscc {
    fn serialize<W: Write>(&self, to: &mut W) -> Result<()> {
        write_code(&self.to_string(), to)
    }
}

impl BorshDeserialize for Sscc {
    fn deserialize_reader<R: Read>(from: &mut R) -> Result<Self> {
        read_code(from, str::parse)
    }
}
