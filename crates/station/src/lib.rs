//! What a station does with scans and weights, and who stands where.
//!
//! A [`Session`] is one client's conversation with a station: it takes scanned lines and
//! settled weights, and answers in a few words with the facts they make. [`Placement`] is the station's own picture of the floor, folded from
//! facts in any order; it turns "stillage S07" into the wheels on it. Nothing here
//! reads a clock or a file: times come in as arguments, facts go out as drafts.

mod answer;
mod check_weight;
mod code;
mod device;
mod floor;
mod known;
mod leaving;
mod needles;
mod placement;
mod portion;
mod reading;
mod scale;
mod scan;
mod session;
mod symbol;
mod things;
mod track;
mod undo;
mod vat;

pub use answer::{Answer, Level, Outcome};
pub use code::{Action, Code, Line, Misread, Reason};
pub use device::Device;
pub use leaving::{Asked, LEAVING, Leaving, Stays};
pub use placement::Placement;
pub use scale::Scale;
pub use scan::{Claim, Kept, Reach, Scan, SignedIn};
pub use session::{Session, Setup, never_kept};
pub use track::{Left, Place, Standing};
pub use undo::{NotUndone, ToUndo, may_undo};
