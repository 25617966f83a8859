//! The last words of a task, which a full disk must not keep from being said.
//!
//! Knows that room which a file has already takes no more to be written over. Does not know why a task ended.

use std::io::Write;

use super::record::{Attempt, End};
use crate::store::{StoreError, write_own};

/// What an attempt keeps free for its last words, and how many bytes those may have.
const ROOM: &str = "room";
const SAYS: usize = 16 << 10;

impl Attempt {
    /// Takes the room that it needs to say that it ended, should the disk be full by then.
    ///
    /// # Errors
    /// The system refuses.
    pub fn reserve(&self) -> Result<(), StoreError> {
        let path = self.folder.join(ROOM);
        std::fs::write(&path, [b' '; SAYS]).map_err(StoreError::file(&path))
    }

    /// Writes down that it ended.
    ///
    /// # Errors
    /// The system refuses.
    pub fn finish(&self, end: &End) -> Result<(), StoreError> {
        let bytes = serde_json::to_vec(end).expect("plain values");
        let (room, path) = (self.folder.join(ROOM), self.folder.join("end.json"));
        match write_own(&path, &bytes) {
            Err(error) if error.is_full_disk() && bytes.len() <= SAYS => {
                // Over what stands there, which takes no more room; behind it are blanks.
                let over = std::fs::OpenOptions::new().write(true).open(&room);
                let written = over.and_then(|mut file| file.write_all(&bytes));
                written.and_then(|()| std::fs::rename(&room, &path)).map_err(|_| error)
            }
            written => {
                let _ = std::fs::remove_file(&room);
                written
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn last_words_take_the_place_of_what_was_kept_free() {
        let folder = tempfile::tempdir().unwrap();
        let attempt = Attempt { part: 0, number: 0, folder: folder.path().into() };
        attempt.reserve().unwrap();
        let end = End { full: Some("here".into()), ..End::default() };
        attempt.finish(&end).unwrap();
        assert_eq!(attempt.end(), Some(end));
        assert!(!folder.path().join(ROOM).exists());
    }
}
