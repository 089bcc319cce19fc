//! Bytes as hexadecimal digits.

/// A text that is not the digits it should be.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{0:?} should be {1} hexadecimal digits in lower case, as they were printed")]
pub struct BadHex(String, usize);

impl BadHex {
    pub(crate) fn new(text: &str, digits: usize) -> Self {
        Self(text.chars().take(140).collect(), digits)
    }
}

pub(crate) fn write(bytes: &[u8]) -> String {
    const DIGITS: &[u8; 16] = b"0123456789abcdef";
    let mut text = String::with_capacity(bytes.len() * 2);
    for byte in bytes {
        text.push(DIGITS[usize::from(byte >> 4)] as char);
        text.push(DIGITS[usize::from(byte & 15)] as char);
    }
    text
}

pub(crate) fn read<const N: usize>(text: &str) -> Result<[u8; N], BadHex> {
    let bad = || BadHex::new(text, N * 2);
    let digits = text.as_bytes();
    if digits.len() != N * 2 {
        return Err(bad());
    }
    let value = |digit: u8| match digit {
        b'0'..=b'9' => Some(digit - b'0'),
        b'a'..=b'f' => Some(digit - b'a' + 10),
        _ => None,
    };
    let mut bytes = [0; N];
    for (byte, pair) in bytes.iter_mut().zip(digits.chunks_exact(2)) {
        *byte = value(pair[0])
            .zip(value(pair[1]))
            .map(|(high, low)| high << 4 | low)
            .ok_or_else(bad)?;
    }
    Ok(bytes)
}
