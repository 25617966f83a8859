//! One writer at a time for a film.
//!
//! Knows the lock file and who says they hold it. The kernel drops the lock when its holder ends, however it ends.

use std::fs::File;
use std::io::{Read, Seek, Write};

use super::{Store, StoreError};

/// Held while a film is written to; let go when dropped.
#[derive(Debug)]
pub struct Lock {
    file: File,
}

impl Lock {
    /// Takes the lock, or says who has it. `who` is written for others to read.
    pub fn take(store: &Store, who: &str) -> Result<Self, StoreError> {
        let path = store.path("lock");
        let mut file = std::fs::OpenOptions::new()
            .create(true)
            .truncate(false)
            .read(true)
            .write(true)
            .open(&path)
            .map_err(StoreError::file(&path))?;
        match file.try_lock() {
            Ok(()) => {}
            Err(std::fs::TryLockError::WouldBlock) => {
                let mut holder = String::new();
                let _ = file.read_to_string(&mut holder);
                let holder = holder.trim();
                let holder = if holder.is_empty() { "another run" } else { holder };
                return Err(StoreError::Locked(format!("this film is being worked on by {holder}")));
            }
            Err(std::fs::TryLockError::Error(e)) => return Err(StoreError::file(&path)(e)),
        }
        file.set_len(0)
            .and_then(|()| file.rewind())
            .and_then(|()| writeln!(file, "{who}"))
            .map_err(StoreError::file(&path))?;
        Ok(Self { file })
    }
}

impl Drop for Lock {
    fn drop(&mut self) {
        let _ = self.file.set_len(0);
        let _ = self.file.unlock();
    }
}
