//! A cheese's make and maturing rules, read from a TOML file.
//!
//! A recipe says *when* things are due and *what must be true first*; which wheels
//! that touches today is worked out elsewhere. Errors point at file, line and column
//! and say what would be right ([`Located`]).

mod book;
mod compare;
mod located;
mod read;
mod rules;
pub mod sampling;
mod timeline;

pub use book::RecipeBook;
pub use compare::{Difference, Line, compare};
pub use located::{Located, Origin};
pub use rules::{
    Ages, Drain, Finish, Grading, Hold, Iron, IronPlan, Market, Milk, Pierce, Portion, Range,
    Recipe, Rind, RubUp, Stage,
};
pub use timeline::{Bar, Timeline};
