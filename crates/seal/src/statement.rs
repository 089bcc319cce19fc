//! The daily seal: a few lines of text, signed.

use std::fmt;
use std::str::FromStr;

use chrono::{DateTime, NaiveDate, SecondsFormat, Utc};
use facts::SiteId;
use sha2::{Digest as _, Sha256};

use crate::chain::Head;
use crate::hex;
use crate::key::{PublicKey, SigningKey};

/// The first line of every seal; another number means another format.
const TITLE: &str = "wheelward seal 2";

/// The same of seals that did not say their number yet.
const UNNUMBERED: &str = "wheelward seal 1";

/// What a seal says.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Statement {
    /// The site.
    pub site: SiteId,
    /// Its number in the site's chain of seals, from 1; seals of the first format do not say.
    pub number: Option<u64>,
    /// The dairy day that ended.
    pub day: NaiveDate,
    /// The first record under this seal, by its place in the chain from 1; one more than
    /// `last` when there is none.
    pub first: u64,
    /// The last record under this seal.
    pub last: u64,
    /// What stands for every record up to the last.
    pub head: Head,
    /// What stands for the seal before: the SHA-256 of its text. Zeros for the first.
    pub previous: [u8; 32],
    /// When it was sealed.
    pub sealed_at: DateTime<Utc>,
    /// The key it is signed with.
    pub key: PublicKey,
}

/// A signed statement.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Seal {
    /// What it says.
    pub statement: Statement,
    signature: [u8; 64],
}

/// A text that is no seal.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum BadSeal {
    /// Not a seal, or one of a later format.
    #[error("this is no seal: its first line should be \"{TITLE}\"")]
    Title,
    /// A line is missing or stands elsewhere.
    #[error("line {line} of the seal should begin with \"{wanted}\"")]
    Line {
        /// The line, from 1.
        line: usize,
        /// How it should begin.
        wanted: &'static str,
    },
    /// A line says what it cannot say.
    #[error("line {line} of the seal cannot be read: {reason}")]
    Value {
        /// The line, from 1.
        line: usize,
        /// What is wrong.
        reason: String,
    },
    /// More than a seal.
    #[error("there is more after the seal's last line")]
    More,
}

impl Statement {
    /// The text that is signed, line breaks included.
    #[must_use]
    pub fn text(&self) -> String {
        let Self {
            site,
            day,
            first,
            last,
            head,
            key,
            ..
        } = self;
        let (title, number) = match self.number {
            Some(number) => (TITLE, format!("number {number}\n")),
            None => (UNNUMBERED, String::new()),
        };
        let previous = hex::write(&self.previous);
        let sealed = self.sealed_at.to_rfc3339_opts(SecondsFormat::Secs, true);
        format!(
            "{title}\nsite {site}\n{number}day {day}\nfirst {first}\nlast {last}\nhead {head}\nprevious {previous}\nsealed {sealed}\nkey {key}\n"
        )
    }

    /// Signs it.
    #[must_use]
    pub fn sign(mut self, key: &SigningKey) -> Seal {
        self.key = key.public();
        let signature = key.sign(&self.text());
        Seal {
            statement: self,
            signature,
        }
    }
}

impl Seal {
    /// Whether the signature is by the key that the seal names. Whether that key is the
    /// site's, somebody who knows it has to say.
    #[must_use]
    pub fn is_signed(&self) -> bool {
        self.statement
            .key
            .signed(&self.statement.text(), &self.signature)
    }

    /// What stands for this seal in the next one.
    #[must_use]
    pub fn hash(&self) -> [u8; 32] {
        Sha256::digest(self.to_string()).into()
    }
}

impl fmt::Display for Seal {
    /// The whole seal: what is printed, and what the QR symbol holds.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let signature = hex::write(&self.signature);
        writeln!(f, "{}signature {signature}", self.statement.text())
    }
}

impl FromStr for Seal {
    type Err = BadSeal;

    /// Reads a seal, also one that was scanned or typed off with other line ends.
    fn from_str(text: &str) -> Result<Self, BadSeal> {
        let mut lines = text.trim().lines().map(str::trim_end).enumerate();
        let numbered = match lines.next() {
            Some((_, TITLE)) => true,
            Some((_, UNNUMBERED)) => false,
            _ => return Err(BadSeal::Title),
        };
        let mut value = |wanted: &'static str| {
            let (number, line) = lines.next().unwrap_or((0, ""));
            let rest = line
                .strip_prefix(wanted)
                .and_then(|rest| rest.strip_prefix(' '));
            rest.map(|rest| (number + 1, rest)).ok_or(BadSeal::Line {
                line: number + 1,
                wanted,
            })
        };
        let statement = Statement {
            site: read(value("site")?)?,
            number: match numbered {
                true => Some(read(value("number")?)?),
                false => None,
            },
            day: read(value("day")?)?,
            first: read(value("first")?)?,
            last: read(value("last")?)?,
            head: read(value("head")?)?,
            previous: bytes(value("previous")?)?,
            sealed_at: read(value("sealed")?)?,
            key: read(value("key")?)?,
        };
        let signature = bytes(value("signature")?)?;
        if lines.next().is_some() {
            return Err(BadSeal::More);
        }
        Ok(Self {
            statement,
            signature,
        })
    }
}

fn read<T: FromStr>((line, text): (usize, &str)) -> Result<T, BadSeal>
where
    T::Err: fmt::Display,
{
    text.parse().map_err(|reason: T::Err| BadSeal::Value {
        line,
        reason: reason.to_string(),
    })
}

fn bytes<const N: usize>((line, text): (usize, &str)) -> Result<[u8; N], BadSeal> {
    hex::read(text).map_err(|reason| BadSeal::Value {
        line,
        reason: reason.to_string(),
    })
}
