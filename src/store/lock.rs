//! One writer at a time for a film.
//!
//! Knows the lock file and who says they hold it. The kernel drops the lock when its holder ends, however it ends.

use std::fs::File;
use std::io::{Read, Seek, Write};
use std::time::Duration;

use super::{Store, StoreError};

/// How often a lock that another has is tried, and the pause in between: a third of a second in all.
const TRIES: usize = 32;
const PAUSE: Duration = Duration::from_millis(10);

/// Held while a film is written to; let go when dropped.
#[derive(Debug)]
pub struct Lock {
    file: File,
}

/// Who holds the lock, in their own words; none where nobody does. Takes nothing: whoever wants the lock tries for longer than
/// this looks.
pub fn holder(store: &Store) -> Option<String> {
    let mut file = File::open(store.path("lock")).ok()?;
    match file.try_lock_shared() {
        Err(std::fs::TryLockError::WouldBlock) => {
            let mut holder = String::new();
            let _ = file.read_to_string(&mut holder);
            Some(if holder.trim().is_empty() { "another run".into() } else { holder.trim().to_string() })
        }
        _ => None,
    }
}

impl Lock {
    /// Takes the lock, or says who has it. `who` is written for others to read.
    pub fn take(store: &Store, who: &str) -> Result<Self, StoreError> {
        Self::take_after(store, who, &mut |tried| {
            std::thread::sleep(PAUSE);
            tried < TRIES
        })
    }

    /// Takes the lock; while another has it, waits and tries again as long as `wait`, told how often it was tried,
    /// gives true. A run that is killed while it starts a program leaves its lock to that program until it is loaded.
    fn take_after(store: &Store, who: &str, wait: &mut dyn FnMut(usize) -> bool) -> Result<Self, StoreError> {
        let path = store.path("lock");
        let mut options = std::fs::OpenOptions::new();
        options.create(true).truncate(false).read(true).write(true);
        let mut file = super::file::open_with(&path, &mut options)?;
        let mut tried = 0;
        loop {
            match file.try_lock() {
                Ok(()) => break,
                Err(std::fs::TryLockError::WouldBlock) => {
                    tried += 1;
                    if wait(tried) {
                        continue;
                    }
                    let mut holder = String::new();
                    let _ = file.read_to_string(&mut holder);
                    let holder = holder.trim();
                    let holder = if holder.is_empty() { "another run" } else { holder };
                    return Err(StoreError::Locked(format!("this film is being worked on by {holder}")));
                }
                Err(std::fs::TryLockError::Error(e)) => return Err(StoreError::file(&path)(e)),
            }
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lock_that_is_let_go_while_waiting_is_taken() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        let mut first = Some(Lock::take(&store, "keeper").unwrap());
        let refused = Lock::take_after(&store, "ana", &mut |tried| tried < 3);
        assert!(matches!(refused, Err(StoreError::Locked(words)) if words.ends_with("by keeper")));
        let second = Lock::take_after(&store, "ana", &mut |tried| {
            assert!(tried < 3, "it was let go");
            tried == 1 || first.take().is_some()
        });
        drop(second.unwrap());
        assert!(first.is_none());
    }
}
