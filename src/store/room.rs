//! Whether the disk that a film's store lies on has room.
//!
//! Knows that only a write tells: quotas, and what other machines write, stand in no count of free blocks. Removes nothing.

use std::fs::File;
use std::io::Write;
use std::path::Path;

use rustix::fs::{FallocateFlags, fallocate};
use rustix::io::Errno;

use super::{Store, StoreError};

/// Bytes that are written where the disk cannot set room aside.
const PIECE: usize = 64 << 10;

impl Store {
    /// Takes room for so many bytes where half-made files lie, and lets go of it.
    ///
    /// # Errors
    /// There is not as much.
    pub fn try_room(&self, bytes: u64) -> Result<(), StoreError> {
        try_room(&self.path("work"), bytes)
    }
}

/// Takes room for so many bytes in a folder, and lets go of it. What the system refuses for another reason says nothing of room.
///
/// # Errors
/// There is not as much.
pub fn try_room(folder: &Path, bytes: u64) -> Result<(), StoreError> {
    let tried = tempfile::tempfile_in(folder).and_then(|file| take(file, bytes));
    match tried.map_err(StoreError::file(folder)) {
        Err(error) if error.is_full_disk() => Err(error),
        _ => Ok(()),
    }
}

fn take(mut file: File, bytes: u64) -> std::io::Result<()> {
    match fallocate(&file, FallocateFlags::empty(), 0, bytes) {
        Err(Errno::OPNOTSUPP | Errno::NOSYS | Errno::INVAL) => {}
        done => return Ok(done?),
    }
    // A disk that cannot set room aside counts it, and a quota shows in what is written; one that is far away says so only at the end.
    let counted = rustix::fs::fstatvfs(&file)?;
    if counted.f_bavail.saturating_mul(counted.f_frsize) < bytes {
        return Err(Errno::NOSPC.into());
    }
    file.write_all(&[0; PIECE])?;
    file.sync_all()
}

/// Whether a program says in the end of its log that a disk was full, in the words of the C library (`strerror` of ENOSPC and EDQUOT, in
/// English, which most programs print).
pub fn is_told(log: &str) -> bool {
    ["No space left on device", "Disk quota exceeded"].iter().any(|words| log.contains(words))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn room_that_is_there_is_let_go_of_and_what_cannot_be_had_is_told_with_the_folder() {
        let folder = tempfile::tempdir().unwrap();
        try_room(folder.path(), 1 << 16).unwrap();
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
        try_room(&folder.path().join("gone"), 1).unwrap();
        // More than any disk holds: some systems call that too large rather than too much, which is no full disk.
        if let Err(error) = try_room(folder.path(), 1 << 56) {
            assert!(error.is_full_disk() && error.to_string().contains(folder.path().to_str().unwrap()));
        }
        assert!(is_told("cp: error writing 'x': No space left on device") && !is_told("no space"));
    }
}
