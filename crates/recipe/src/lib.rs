//! A cheese's make and maturing rules, read from a TOML file.
//!
//! A recipe says *when* things are due and *what must be true first*; which wheels
//! that touches today is worked out elsewhere. Errors point at file, line and column
//! and say what would be right ([`Located`]).

mod book;
mod located;
mod read;
mod rules;

pub use book::RecipeBook;
pub use located::{Located, Origin};
pub use rules::{
    Ages, Drain, Grading, Iron, Market, Milk, Pierce, Portion, Range, Recipe, Rind, RubUp, Stage,
};
