//! How names lie in a store: ids as their text, a fact's id as its 16 bytes.
//!
//! Stored state has a format of its own (Borsh) and a trait of its own, so that the compiler
//! refuses to store a body of the wire: only ids and a few plain values have the trait here,
//! and no fact's body may ever be given it.

use std::io::{Error, ErrorKind, Read, Result, Write};

use borsh::{BorshDeserialize, BorshSerialize};
use uuid::Uuid;

use crate::id::LONGEST;
use crate::{FactId, Sscc};

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
