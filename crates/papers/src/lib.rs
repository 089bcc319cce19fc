//! What others ask for: traceability sheets, notices, batch files, EPCIS out and in.
//!
//! Everything is made from facts: [`counting`] facts, each once and without those voided. A
//! [`Dairy`] says what facts do not: addresses, product descriptions, keys. [`sheets`] are
//! the records of 21 CFR 1 subpart S and of Reg. (EC) 178/2002 art. 18, as CSV and XLSX;
//! [`notice`] drafts what customers are told; [`batch_file`] is a batch on paper; [`epcis`]
//! writes and reads EPCIS 2.0.
//!
//! What is missing is said to be missing, in capitals, and never made up.

mod batch_file;
mod counting;
mod dairy;
pub mod epcis;
mod notice;
mod read;
mod sheet;
mod sheets;
mod story;

pub use batch_file::batch_file;
pub use counting::counting;
pub use dairy::{Bought, Completed, Customer, Dairy, Imported, Product, Supplier};
pub use notice::notice;
pub use sheet::{Cell, Sheet, SheetError, workbook};
pub use sheets::{Asked, key_sheet, one_step_back, one_step_forward, traceability};
