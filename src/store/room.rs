//! Whether the disk that a film's store lies on has room.
//!
//! Knows that only a write tells: quotas, and what other machines write, stand in no count of free blocks. Removes nothing.

use std::fs::File;
use std::io::Write;
use std::path::Path;

use rustix::fs::{FallocateFlags, StatVfs, fallocate};
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

    /// Whether fewer bytes are free there, as the disk counts them. Takes none of them, so that others at work are left theirs.
    pub fn has_less_room(&self, bytes: u64) -> bool {
        rustix::fs::statvfs(self.path("work")).is_ok_and(|counted| free(&counted) < bytes)
    }
}

/// Bytes that a disk counts as free for anybody.
fn free(counted: &StatVfs) -> u64 {
    counted.f_bavail.saturating_mul(counted.f_frsize)
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
    if free(&rustix::fs::fstatvfs(&file)?) < bytes {
        return Err(Errno::NOSPC.into());
    }
    file.write_all(&[0; PIECE])?;
    file.sync_all()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Of file systems in memory (`TMPFS_MAGIC` of linux/magic.h).
    const IN_MEMORY: u64 = 0x0102_1994;

    #[test]
    fn room_that_is_there_is_let_go_of() {
        let folder = tempfile::tempdir().unwrap();
        try_room(folder.path(), 1 << 16).unwrap();
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
        try_room(&folder.path().join("gone"), 1).unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        assert!(store.has_less_room(u64::MAX) && !store.has_less_room(1));
    }

    #[test]
    fn what_cannot_be_had_is_told_with_the_folder() {
        // A file system in memory refuses at once what is more than all of it; others may fill up until they find out.
        let folder = Path::new("/dev/shm");
        let is_fit = rustix::fs::statfs(folder)
            .is_ok_and(|found| found.f_type as u64 == IN_MEMORY && (1..1 << 38).contains(&found.f_blocks));
        if !is_fit {
            println!("not checked: /dev/shm is no file system in memory with an end");
            return;
        }
        let error = try_room(folder, 1 << 60).unwrap_err();
        assert!(error.is_full_disk() && error.to_string().contains("/dev/shm"), "{error}");
    }
}
