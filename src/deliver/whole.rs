//! Files that appear under their name whole or not at all.
//!
//! Knows the disk. Does not know what is in the bytes.

use std::fs::Permissions;
use std::io::{self, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use tempfile::NamedTempFile;

/// What files under way are called, before chance letters and after them.
pub const UNDER_WAY: (&str, &str) = (".endboard-", ".part");

/// A file beside those of `folder`, which is gone when dropped.
///
/// # Errors
/// The disk refuses.
pub fn beside(folder: &Path, ending: &str) -> io::Result<NamedTempFile> {
    let mut builder = tempfile::Builder::new();
    // What is delivered is read by others; the system takes away what its mask says.
    builder.prefix(UNDER_WAY.0).suffix(ending).permissions(Permissions::from_mode(0o666));
    builder.tempfile_in(folder)
}

/// Gives a whole file its name. One that has the name already stays, unless it is to be replaced.
///
/// # Errors
/// The disk refuses, or of kind `AlreadyExists`.
pub fn named(file: NamedTempFile, path: &Path, replace: bool) -> io::Result<()> {
    file.as_file().sync_all()?;
    match if replace { file.persist(path) } else { file.persist_noclobber(path) } {
        Ok(_) => sync_folder(path.parent().unwrap_or(Path::new("."))),
        Err(error) => Err(error.error),
    }
}

/// Writes bytes as a file.
///
/// # Errors
/// As [`named`].
pub fn write(path: &Path, bytes: &[u8], replace: bool) -> io::Result<()> {
    let mut file = beside(path.parent().unwrap_or(Path::new(".")), UNDER_WAY.1)?;
    file.write_all(bytes)?;
    named(file, path, replace)
}

/// Sees that names in a folder outlast a power failure.
///
/// # Errors
/// The disk refuses.
pub fn sync_folder(folder: &Path) -> io::Result<()> {
    let folder = if folder.as_os_str().is_empty() { Path::new(".") } else { folder };
    std::fs::File::open(folder)?.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_that_is_taken_is_kept_and_nothing_is_left_beside_it() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("slate.txt");
        write(&path, b"one", false).unwrap();
        assert_eq!(write(&path, b"two", false).unwrap_err().kind(), io::ErrorKind::AlreadyExists);
        assert_eq!(std::fs::read(&path).unwrap(), b"one");
        write(&path, b"two", true).unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"two");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    }
}
