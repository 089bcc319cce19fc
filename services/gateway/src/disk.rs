//! Work that waits for the disk, amid requests.

use tokio::runtime::{Handle, RuntimeFlavor};

/// Does what may wait for the disk where no other request waits behind it.
pub(crate) fn waits<T>(work: impl FnOnce() -> T) -> T {
    let flavour = Handle::try_current().map(|handle| handle.runtime_flavor());
    match flavour {
        Ok(RuntimeFlavor::MultiThread) => tokio::task::block_in_place(work),
        // Nobody else is there, or it is a thread for this.
        _ => work(),
    }
}
