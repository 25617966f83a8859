//! Files that appear under their name whole or not at all.
//!
//! Knows the disk. Does not know what is in the bytes.

use std::fs::Permissions;
use std::io::{self, Write};
use std::os::unix::fs::PermissionsExt;
use std::path::Path;

use rustix::fs::{FlockOperation, flock};
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
    let file = builder.tempfile_in(folder)?;
    // As long as it is open, others know that somebody is at it. Where the system locks nothing, they leave it alone.
    let _ = flock(file.as_file(), FlockOperation::NonBlockingLockExclusive);
    Ok(file)
}

/// Removes what runs that were killed left under way in a folder. Where the disk refuses, it is left to the next one.
pub fn clear(folder: &Path) {
    let Ok(entries) = std::fs::read_dir(folder) else { return };
    for entry in entries.flatten() {
        let name = entry.file_name();
        let name = name.to_string_lossy();
        let is_under_way = name.starts_with(UNDER_WAY.0) && name.ends_with(UNDER_WAY.1);
        if !is_under_way || !entry.file_type().is_ok_and(|kind| kind.is_file()) {
            continue;
        }
        let Ok(file) = std::fs::File::open(entry.path()) else { continue };
        if flock(&file, FlockOperation::NonBlockingLockExclusive).is_ok() {
            let _ = std::fs::remove_file(entry.path());
        }
    }
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
    fn what_a_killed_run_left_is_cleared_and_what_somebody_is_at_stays() {
        let folder = tempfile::tempdir().unwrap();
        let at_work = beside(folder.path(), UNDER_WAY.1).unwrap();
        for name in [".endboard-a1b2.part", "slate.part", ".endboard-a1b2.wav"] {
            std::fs::write(folder.path().join(name), "half").unwrap();
        }
        clear(folder.path());
        let there = |name: &str| folder.path().join(name).exists();
        assert_eq!(
            [there(".endboard-a1b2.part"), there("slate.part"), there(".endboard-a1b2.wav")],
            [false, true, true]
        );
        named(at_work, &folder.path().join("whole"), false).unwrap();
        assert!(there("whole"));
    }

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
