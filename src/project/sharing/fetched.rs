//! A zip that was fetched from the shared store, beside the film's other files, until it was taken back.
//!
//! Knows that the folder for temporary files may lie in memory, and that a killed process leaves what it had. Does not know what is in
//! the zip.

use std::fs::File;
use std::io;
use std::path::{Path, PathBuf};

use rustix::fs::{FlockOperation, flock};
use rustix::io::Errno;
use tempfile::NamedTempFile;

use crate::deliver::whole;

/// The folder for them, below the store's.
pub(super) const FOLDER: &str = "fetched";

/// A whole file, which is gone when dropped.
#[derive(Debug)]
pub struct Fetched {
    /// Where it lies.
    pub path: PathBuf,
    /// As long as it is open, others know that somebody is at it.
    _held: File,
}

impl Drop for Fetched {
    fn drop(&mut self) {
        let _ = std::fs::remove_file(&self.path);
    }
}

/// A file that is to become `folder/name`, which is gone when dropped. What killed processes left in the folder is gone before.
///
/// # Errors
/// The disk refuses, or another process is at one of that name.
pub(super) fn begin(folder: &Path, name: &str) -> io::Result<NamedTempFile> {
    std::fs::create_dir_all(folder)?;
    for entry in std::fs::read_dir(folder)?.flatten() {
        let is_file = entry.file_type().is_ok_and(|kind| kind.is_file());
        let Some(file) = is_file.then(|| File::open(entry.path()).ok()).flatten() else { continue };
        match flock(&file, FlockOperation::NonBlockingLockExclusive) {
            Ok(()) => drop(std::fs::remove_file(entry.path())),
            Err(Errno::WOULDBLOCK) if entry.file_name().to_str() == Some(name) => {
                return Err(io::Error::other("another process takes it back now"));
            }
            // Somebody is at it, or the file system knows no locks, by which nobody can tell: it stays.
            Err(_) => {}
        }
    }
    whole::beside(folder, whole::UNDER_WAY.1)
}

/// Gives a file that is whole its name.
///
/// # Errors
/// The disk refuses.
pub(super) fn end(file: NamedTempFile, path: PathBuf) -> io::Result<Fetched> {
    let held = file.as_file().try_clone()?;
    whole::named(file, &path, true)?;
    Ok(Fetched { path, _held: held })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_fetched_stays_while_it_is_held_and_what_a_kill_left_goes() {
        let all = tempfile::tempdir().unwrap();
        let folder = all.path().join(FOLDER);
        let names = || {
            let names = std::fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().file_name());
            let mut names: Vec<String> = names.map(|name| name.into_string().unwrap()).collect();
            names.sort();
            names
        };
        let (ana, ines) = (folder.join("ana.zip"), folder.join("ines.zip"));
        let held = end(begin(&folder, "ana.zip").unwrap(), ana.clone()).unwrap();
        for left in ["ines.zip", ".endboard-a1b2.part"] {
            std::fs::write(folder.join(left), "left").unwrap();
        }
        let under_way = begin(&folder, "ines.zip").unwrap();
        let beside = under_way.path().file_name().unwrap().to_str().unwrap().to_string();
        assert_eq!(names(), [&beside, "ana.zip"]);
        let told = begin(&folder, "ana.zip").unwrap_err().to_string();
        assert_eq!(
            (told.as_str(), names()),
            ("another process takes it back now", vec![beside, "ana.zip".into()])
        );
        drop(end(under_way, ines).unwrap());
        drop(held);
        assert!(names().is_empty());
    }
}
