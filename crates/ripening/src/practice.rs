//! How a site works: what the rules need to know beside the facts.

use chrono::NaiveTime;
use holds::Rights;
use quantity::DairyClock;
use recipe::RecipeBook;

/// How a site works.
#[derive(Debug, Clone)]
pub struct Practice {
    /// Time zone and start of the dairy day.
    pub clock: DairyClock,
    /// Local time by which a day's work should be done.
    pub turn_by: NaiveTime,
    /// Days after which an unseen wheel counts as lost.
    pub lost_after_days: i64,
    /// Days after which a wheel that has left, or was thrown away, is closed: nothing is asked
    /// for it any more.
    pub closed_after_days: i64,
    /// Every recipe version.
    pub recipes: RecipeBook,
    /// Who may release a wheel from a hold.
    pub rights: Rights,
}
