//! The pair of keys that seals are signed with (Ed25519, RFC 8032).

use std::fmt;
use std::str::FromStr;

use ed25519_dalek::{Signer as _, Verifier as _};

use crate::hex::{self, BadHex};

/// Signs. Whoever has it can seal: it belongs to the site alone, readable by nobody else.
pub struct SigningKey(ed25519_dalek::SigningKey);

/// Tells whether a seal is the site's. Print it and hand it out.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct PublicKey(ed25519_dalek::VerifyingKey);

impl SigningKey {
    /// The key made of 32 random bytes, which are all there is to keep.
    #[must_use]
    pub fn from_seed(seed: &[u8; 32]) -> Self {
        Self(ed25519_dalek::SigningKey::from_bytes(seed))
    }

    /// The key of a text of 64 hexadecimal digits.
    ///
    /// # Errors
    /// [`BadHex`] when it is no such text.
    pub fn read(text: &str) -> Result<Self, BadHex> {
        hex::read(text.trim()).map(|seed| Self::from_seed(&seed))
    }

    /// As [`SigningKey::read`] reads it: keep it to yourself.
    #[must_use]
    pub fn secret_text(&self) -> String {
        hex::write(&self.0.to_bytes())
    }

    /// The other key of the pair.
    #[must_use]
    pub fn public(&self) -> PublicKey {
        PublicKey(self.0.verifying_key())
    }

    pub(crate) fn sign(&self, text: &str) -> [u8; 64] {
        self.0.sign(text.as_bytes()).to_bytes()
    }
}

impl fmt::Debug for SigningKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "the key that goes with {}", self.public())
    }
}

impl PublicKey {
    pub(crate) fn signed(&self, text: &str, signature: &[u8; 64]) -> bool {
        let signature = ed25519_dalek::Signature::from_bytes(signature);
        self.0.verify(text.as_bytes(), &signature).is_ok()
    }
}

impl FromStr for PublicKey {
    type Err = BadHex;
    fn from_str(text: &str) -> Result<Self, BadHex> {
        let bytes = hex::read(text.trim())?;
        ed25519_dalek::VerifyingKey::from_bytes(&bytes)
            .map(Self)
            .map_err(|_| BadHex::new(text, 64))
    }
}

impl fmt::Display for PublicKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&hex::write(self.0.as_bytes()))
    }
}

impl fmt::Debug for PublicKey {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        fmt::Display::fmt(self, f)
    }
}
