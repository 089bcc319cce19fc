//! Files that are replaced whole.

use std::fs::{self, File};
use std::io::{self, Write as _};
use std::path::Path;

/// Puts a file in place of the last of its name, with all its bytes or not at all, even if the
/// power goes: they are on the disk, and so is the name, when it returns.
///
/// # Errors
/// What the machine said.
pub fn write_whole(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let fresh = path.with_extension("new");
    let mut file = File::create(&fresh)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    fs::rename(&fresh, path)?;
    let folder = path.parent().filter(|dir| !dir.as_os_str().is_empty());
    File::open(folder.unwrap_or(Path::new(".")))?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_that_cannot_be_replaced_is_as_it_was() {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("kept.json");
        write_whole(&path, b"one").unwrap();
        write_whole(&path, b"two").unwrap();
        assert_eq!(fs::read(&path).unwrap(), b"two");
        // What was begun cannot be written: something else lies where it would.
        fs::create_dir(path.with_extension("new")).unwrap();
        assert!(write_whole(&path, b"three").is_err());
        assert_eq!(fs::read(&path).unwrap(), b"two");
    }
}
