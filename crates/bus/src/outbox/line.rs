//! A line of the outbox's journal: `<checksum> <change>⇥<change>…`, where a change is
//! `+key=value`, `-key`, or `>key=key` for what lies under another key from now on.
//!
//! Keys and values are bytes: those that are no text, `%`, and in a key `=`, are written as
//! `%` and two hexadecimal digits. The checksum is CRC-32 (ISO/IEC 3309) in hexadecimal digits.

use std::collections::{HashMap, HashSet};

use super::book::Changes;

/// Where a value lies in the file, as it is written there.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Place {
    /// Its first byte.
    pub at: u64,
    /// Bytes.
    pub len: u32,
    /// Its checksum.
    pub crc: u32,
}

/// One change.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) enum Change {
    /// A value.
    Set(Vec<u8>, Place),
    /// None any more.
    Forget(Vec<u8>),
    /// What lay under the first key lies under the second.
    Move(Vec<u8>, Vec<u8>),
}

const DIGITS: &[u8; 16] = b"0123456789abcdef";

/// Writes a batch as a line, with its line break. `lies` says what lies under a key: what is
/// forgotten under one and set under another is moved.
pub(super) fn write(changes: Changes, lies: impl Fn(&[u8]) -> Option<Place>) -> Vec<u8> {
    // By what follows the kind of a key: thousands may move at once.
    let mut forgotten: HashMap<&[u8], Vec<(&Vec<u8>, Place)>> = HashMap::new();
    for (key, value) in &changes.0 {
        if value.is_none()
            && let Some(place) = lies(key)
        {
            let of = forgotten.entry(key.get(1..).unwrap_or_default());
            of.or_default().push((key, place));
        }
    }
    // What is forgotten before its move would be gone.
    let mut moved: HashMap<Vec<u8>, Vec<u8>> = HashMap::new();
    let mut bytes = Vec::new();
    for (key, value) in &changes.0 {
        let of = forgotten.get_mut(key.get(1..).unwrap_or_default());
        let (Some(value), Some(of)) = (value, of) else {
            continue;
        };
        bytes.clear();
        escape(value, false, &mut bytes);
        if let Some(same) = of.iter().position(|(_, place)| is_it(&bytes, *place)) {
            moved.insert(key.clone(), of.swap_remove(same).0.clone());
        }
    }
    let gone: HashSet<Vec<u8>> = moved.values().cloned().collect();
    let mut items = Vec::new();
    for (key, value) in changes.0 {
        match (value, moved.get(&key)) {
            (Some(_), Some(from)) => {
                next(&mut items, b'>');
                escape(from, true, &mut items);
                items.push(b'=');
                escape(&key, true, &mut items);
            }
            (Some(value), None) => {
                bytes.clear();
                escape(&value, false, &mut bytes);
                push_item(&mut items, &key, &bytes);
            }
            (None, _) if gone.contains(&key) => {}
            (None, _) => {
                next(&mut items, b'-');
                escape(&key, true, &mut items);
            }
        }
    }
    sealed(&items)
}

/// Adds `+key=value`, the value as it is written already.
pub(super) fn push_item(items: &mut Vec<u8>, key: &[u8], value: &[u8]) {
    next(items, b'+');
    escape(key, true, items);
    items.push(b'=');
    items.extend_from_slice(value);
}

/// A line of changes; nothing where there are none.
pub(super) fn sealed(items: &[u8]) -> Vec<u8> {
    if items.is_empty() {
        return Vec::new();
    }
    let mut line = checksum(items).into_bytes();
    line.extend_from_slice(items);
    line.push(b'\n');
    line
}

fn checksum(items: &[u8]) -> String {
    format!("{:08x} ", crc32fast::hash(items))
}

/// Reads a line that begins at a byte of the file, without its line break. `None`: it is not
/// what was written.
pub(super) fn read(line: &[u8], at: u64) -> Option<Vec<Change>> {
    let (crc, items) = line.split_at_checked(9)?;
    if crc != checksum(items).as_bytes() {
        return None;
    }
    let mut place = at + 9;
    let mut changes = Vec::new();
    for item in items.split(|byte| *byte == b'\t') {
        let (kind, rest) = item.split_first()?;
        let equals = rest.iter().position(|byte| *byte == b'=');
        changes.push(match (kind, equals) {
            (b'+', Some(equals)) => {
                let value = rest.get(equals + 1..)?;
                let lies = Place {
                    at: place + 2 + equals as u64,
                    len: u32::try_from(value.len()).ok()?,
                    crc: crc32fast::hash(value),
                };
                Change::Set(unescape(&rest[..equals])?, lies)
            }
            (b'>', Some(equals)) => {
                let to = unescape(rest.get(equals + 1..)?)?;
                Change::Move(unescape(&rest[..equals])?, to)
            }
            (b'-', None) => Change::Forget(unescape(rest)?),
            _ => return None,
        });
        place += item.len() as u64 + 1;
    }
    Some(changes)
}

/// A value as it was given, from its bytes in the file; `None` where they are not those.
pub(super) fn value(bytes: &[u8], place: Place) -> Option<Vec<u8>> {
    is_it(bytes, place).then(|| unescape(bytes))?
}

fn is_it(bytes: &[u8], place: Place) -> bool {
    bytes.len() == place.len as usize && crc32fast::hash(bytes) == place.crc
}

fn next(items: &mut Vec<u8>, kind: u8) {
    if !items.is_empty() {
        items.push(b'\t');
    }
    items.push(kind);
}

fn escape(bytes: &[u8], key: bool, out: &mut Vec<u8>) {
    for &byte in bytes {
        let plain = match byte {
            b'%' | 0..=0x1f | 0x7f => false,
            b'=' | 0x80.. => !key,
            _ => true,
        };
        if plain {
            out.push(byte);
        } else {
            out.extend([
                b'%',
                DIGITS[usize::from(byte >> 4)],
                DIGITS[usize::from(byte & 15)],
            ]);
        }
    }
}

fn unescape(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut out = Vec::with_capacity(bytes.len());
    let mut rest = bytes.iter();
    while let Some(&byte) = rest.next() {
        if byte != b'%' {
            out.push(byte);
            continue;
        }
        let mut digit = || {
            let digit = rest.next()?;
            let value = DIGITS.iter().position(|known| known == digit)?;
            u8::try_from(value).ok()
        };
        out.push(digit()? << 4 | digit()?);
    }
    Some(out)
}
