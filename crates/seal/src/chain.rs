//! The chain: a head that every line changes, whatever came before.
//!
//! The byte format, all of it:
//! - a line is the record's bytes without the line break;
//! - its leaf is `SHA-256(00 ‖ line)`;
//! - the first head is `SHA-256("wheelward chain 1\n" ‖ site)`;
//! - the next head is `SHA-256(01 ‖ head ‖ leaf)`.
//!
//! The leading bytes keep a line from passing for a head (as in RFC 6962, section 2.1).

use std::fmt;

use facts::SiteId;
use sha2::{Digest as _, Sha256};

use crate::hex::{self, BadHex};

/// What stands for one line.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Leaf(pub(crate) [u8; 32]);

/// What stands for all lines so far, in their order.
#[derive(Clone, Copy, PartialEq, Eq, Hash)]
pub struct Head(pub(crate) [u8; 32]);

impl Leaf {
    /// The leaf of a line, given without its line break.
    #[must_use]
    pub fn of(line: &[u8]) -> Self {
        let mut hash = Sha256::new();
        hash.update([0]);
        hash.update(line);
        Self(hash.finalize().into())
    }
}

impl Head {
    /// The head before the first line of a site.
    #[must_use]
    pub fn first(site: &SiteId) -> Self {
        let mut hash = Sha256::new();
        hash.update(b"wheelward chain 1\n");
        hash.update(site.as_str());
        Self(hash.finalize().into())
    }

    /// The head after one more line.
    #[must_use]
    pub fn then(self, leaf: Leaf) -> Self {
        let mut hash = Sha256::new();
        hash.update([1]);
        hash.update(self.0);
        hash.update(leaf.0);
        Self(hash.finalize().into())
    }
}

macro_rules! as_digits {
    ($($name:ident)*) => {$(
        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str(&hex::write(&self.0))
            }
        }
        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, "{}…", &hex::write(&self.0[..4]))
            }
        }
        impl std::str::FromStr for $name {
            type Err = BadHex;
            fn from_str(text: &str) -> Result<Self, BadHex> {
                hex::read(text).map(Self)
            }
        }
    )*};
}

as_digits!(Leaf Head);
