//! What is kept of a seal where whoever writes the records does not reach, and what it vouches
//! for: the chain up to that seal, for each seal names the one before.

use std::fmt;
use std::str::FromStr;

use crate::hex;
use crate::statement::Seal;

/// Bytes of a seal's SHA-256 in its mark. Nobody finds another seal of the same number with
/// the same eight without some 2^64 tries, each with a signature.
const BYTES: usize = 8;

/// A seal in short: its number and the beginning of its SHA-256, as `17-0a1b-2c3d-4e5f-6071`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Mark {
    /// The seal's number in its chain, from 1.
    pub number: u64,
    digest: [u8; BYTES],
}

/// A text that is no mark.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "a seal's mark is its number and sixteen hexadecimal digits, as 17-0a1b-2c3d-4e5f-6071: type it as it was told"
)]
pub struct BadMark;

impl Mark {
    /// Of a seal that is so many-th in its chain.
    #[must_use]
    pub fn of(seal: &Seal, number: u64) -> Self {
        let hash = seal.hash();
        let mut digest = [0; BYTES];
        digest.copy_from_slice(&hash[..BYTES]);
        Self { number, digest }
    }
}

impl fmt::Display for Mark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}", self.number)?;
        self.digest
            .chunks(2)
            .try_for_each(|two| write!(f, "-{}", hex::write(two)))
    }
}

impl FromStr for Mark {
    type Err = BadMark;

    fn from_str(text: &str) -> Result<Self, BadMark> {
        let (number, digest) = text.trim().split_once('-').ok_or(BadMark)?;
        let digest: String = digest.chars().filter(|c| *c != '-').collect();
        let number = number.parse().ok().filter(|number| *number > 0);
        Ok(Self {
            number: number.ok_or(BadMark)?,
            digest: hex::read(&digest.to_lowercase()).map_err(|_| BadMark)?,
        })
    }
}

/// Something that was kept elsewhere.
#[derive(Debug, Clone)]
pub enum Kept {
    /// A seal's mark.
    Mark(Mark),
    /// A whole seal.
    Seal(Box<Seal>),
}

/// What was kept elsewhere and is not so in the folder.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum NotSo {
    /// The folder ends before it.
    #[error(
        "seal {number}, which {whence} names, is not there: the newest here is {newest}. The records were cut short, or the folder is an older one"
    )]
    CutShort {
        /// Where it was kept.
        whence: String,
        /// The seal's number.
        number: u64,
        /// The newest in the folder; 0: none.
        newest: u64,
    },
    /// The folder has another in its place.
    #[error(
        "seal {number} is not the one that {whence} names: what it seals was rewritten, or the seal was"
    )]
    Another {
        /// Where it was kept.
        whence: String,
        /// The seal's number.
        number: u64,
    },
    /// It has no number and is not there.
    #[error("the seal of {day} that {whence} has is not there: it was taken away, or rewritten")]
    Gone {
        /// Where it was kept.
        whence: String,
        /// The seal's day.
        day: chrono::NaiveDate,
    },
}

/// How far the chain is vouched for from outside, and by what.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Vouched {
    /// The number of the last seal that something from outside names.
    pub number: u64,
    /// What that is.
    pub whence: String,
}

/// Holds what was kept elsewhere, each with where it was kept, against a folder's `seals`, all
/// of them in their order. Of the seals up to the newest that is vouched for, each is what it
/// was, if the folder itself verifies: each names the one before.
#[must_use]
pub fn vouch(seals: &[Seal], kept: &[(String, Kept)]) -> (Option<Vouched>, Vec<NotSo>) {
    let (mut vouched, mut not_so) = (None::<Vouched>, Vec::new());
    let newest = seals.len() as u64;
    let at = |number: u64| {
        let place = usize::try_from(number.checked_sub(1)?).ok()?;
        seals.get(place)
    };
    for (whence, kept) in kept {
        let whence = || whence.clone();
        let number = match kept {
            Kept::Mark(mark) => Some(mark.number),
            Kept::Seal(seal) => seal.statement.number.or_else(|| {
                let place = seals.iter().position(|here| here == &**seal)?;
                Some(place as u64 + 1)
            }),
        };
        let same = |here: &Seal| match kept {
            Kept::Mark(mark) => Mark::of(here, mark.number) == *mark,
            Kept::Seal(seal) => here == &**seal,
        };
        match (number, number.and_then(at), kept) {
            (Some(number), Some(here), _) if same(here) => {
                if vouched.as_ref().is_none_or(|before| before.number < number) {
                    let whence = whence();
                    vouched = Some(Vouched { number, whence });
                }
            }
            (Some(number), Some(_), _) => {
                let whence = whence();
                not_so.push(NotSo::Another { whence, number });
            }
            (Some(number), None, _) => {
                let whence = whence();
                not_so.push(NotSo::CutShort {
                    whence,
                    number,
                    newest,
                });
            }
            (None, _, Kept::Seal(seal)) => not_so.push(NotSo::Gone {
                whence: whence(),
                day: seal.statement.day,
            }),
            (None, _, Kept::Mark(_)) => {}
        }
    }
    (vouched, not_so)
}
