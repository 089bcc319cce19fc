//! What every worker that follows the log shares.

mod effects;
mod follower;
mod records;
mod store;

pub use effects::{Effect, Publisher};
pub use follower::{Follower, News};
pub use records::{Record, Records};
pub use store::{Aside, Batch, Store, StoreError, has_room};
