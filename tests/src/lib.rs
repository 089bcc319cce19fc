//! What the tests across processes share: the program, a floor with a real broker, the
//! simulated past, a scanner and a chat.
//!
//! Nothing here sleeps for a fixed time. Whatever has to be waited for is looked at again
//! and again by [`until`], and a test that waits in vain says what for.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)] // a failed test panics

mod answers;
mod browser;
mod chat;
mod floor;
mod given;
mod life;
mod office;
mod past;
mod program;
mod scanner;

use std::time::Duration;

use bus::retry::Backoff;

pub use answers::{are_the_same, every_answer};
pub use browser::Browser;
pub use chat::{Chat, Post};
pub use floor::{Floor, SITE_FILE, free_address};
pub use given::{Given, code, needles, portioned, time};
pub use past::Past;
pub use program::{Said, Worker, copy_folder, project, run, run_in, run_typing, wheelward};
pub use scanner::Scanner;

/// No wait is longer. A machine with two busy cores needs a fraction of it.
const PATIENCE: Duration = Duration::from_secs(90);

/// Fails a test that hangs. No test depends on how long anything takes.
pub async fn within<T>(what: &str, doing: impl Future<Output = T>) -> T {
    match tokio::time::timeout(PATIENCE, doing).await {
        Ok(done) => done,
        Err(_) => panic!("waited {PATIENCE:?} in vain for {what}"),
    }
}

/// Looks again and again until there is something to see.
///
/// `tell` is asked what is known when there is nothing for too long: what the workers
/// logged, for instance.
pub async fn until<T>(
    what: &str,
    tell: impl Fn() -> String,
    mut look: impl AsyncFnMut() -> Option<T>,
) -> T {
    let mut backoff = Backoff::new(Duration::from_millis(2), Duration::from_millis(100));
    let looking = async {
        loop {
            if let Some(seen) = look().await {
                return seen;
            }
            backoff.wait().await;
        }
    };
    match tokio::time::timeout(PATIENCE, looking).await {
        Ok(seen) => seen,
        Err(_) => panic!("waited {PATIENCE:?} in vain for {what}\n{}", tell()),
    }
}
