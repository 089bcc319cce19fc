//! Nothing is quietly rewritten: facts chained by hash, sealed daily, verified by anyone.
//!
//! Every message of a site's log, readable or not, has one [`record`] line. The lines are
//! chained ([`Head`]), each is written down in a [`Ledger`] that is kept apart, and once a
//! day the head of the chain goes into a signed [`Seal`]: a few lines of text that fit on a
//! page and into a QR symbol. [`verify`] compares the three and names every fact that was
//! changed, removed, added or moved. The byte format is so plain that thirty lines in
//! another language check it too: see [`archive::README`].
//!
//! Whoever can write the whole folder can cut it short, or make all of it anew with another
//! key. Against that only what lies elsewhere helps: a [`Mark`] told to people, a printed
//! seal, a copy of the seals on another box ([`mark::vouch`]).
//!
//! Facts carry badges and no names. Whose badge it was lies elsewhere and can be erased:
//! the chain does not notice.

pub mod archive;
mod chain;
mod clock;
mod hex;
mod key;
mod ledger;
pub mod mark;
mod qr;
pub mod record;
pub mod retention;
mod statement;
pub mod verify;

pub use chain::{Head, Leaf};
pub use clock::{Clocks, Seen, WentBack};
pub use hex::BadHex;
pub use key::{PublicKey, SigningKey};
pub use ledger::{BadLedger, Entry, Ledger};
pub use mark::Mark;
pub use qr::qr_svg;
pub use statement::{BadSeal, Seal, Statement};
pub use verify::{Finding, Report, verify};
