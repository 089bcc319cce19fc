//! EPCIS 2.0 (ISO/IEC 19987) and its vocabulary (CBV 2.0, ISO/IEC 19988), as JSON-LD.

mod export;
mod import;
mod name;

pub use export::{document, of_facts};
pub use import::{Import, Refused, Taken, import};
