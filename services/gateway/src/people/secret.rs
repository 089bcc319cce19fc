//! Keys that nobody can guess, and marks that do not tell what they are of.

use rand::RngCore as _;
use sha2::{Digest as _, Sha256};

/// 256 random bits, in hexadecimal.
pub fn secret() -> String {
    let mut bytes = [0; 32];
    rand::rng().fill_bytes(&mut bytes);
    hex(&bytes)
}

/// The SHA-256 of a text, in hexadecimal.
pub fn hash(key: impl AsRef<[u8]>) -> String {
    hex(&Sha256::digest(key))
}

fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|byte| format!("{byte:02x}")).collect()
}
