//! The last words of a task, which a full disk must not keep from being said.
//!
//! Knows that room which a file has already takes no more to be written over. Does not know why a task ended.

use std::io::Write;
use std::path::Path;

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
        self.finish_by(end, write_own)
    }

    /// The same, where this writes whole files.
    fn finish_by(
        &self,
        end: &End,
        write: impl FnOnce(&Path, &[u8]) -> Result<(), StoreError>,
    ) -> Result<(), StoreError> {
        let bytes = serde_json::to_vec(end).expect("plain values");
        let (room, path) = (self.folder.join(ROOM), self.folder.join("end.json"));
        match write(&path, &bytes) {
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
    use rustix::io::Errno;

    use super::*;

    fn reserved(folder: &Path) -> Attempt {
        let attempt = Attempt { part: 0, number: 0, folder: folder.into() };
        attempt.reserve().unwrap();
        attempt
    }

    /// A disk that takes no new file, for a reason as the system numbers it.
    fn refusing(errno: Errno) -> impl FnOnce(&Path, &[u8]) -> Result<(), StoreError> {
        move |path, _| Err(StoreError::file(path)(errno.into()))
    }

    #[test]
    fn last_words_that_find_room_let_go_of_what_was_kept_free() {
        let folder = tempfile::tempdir().unwrap();
        let attempt = reserved(folder.path());
        let end = End { node: "n1".into(), ..End::default() };
        attempt.finish(&end).unwrap();
        assert_eq!(attempt.end(), Some(end));
        assert!(!folder.path().join(ROOM).exists());
    }

    #[test]
    fn last_words_on_a_full_disk_take_the_place_of_what_was_kept_free() {
        let folder = tempfile::tempdir().unwrap();
        let attempt = reserved(folder.path());
        let end = End { full: Some("here".into()), ..End::default() };
        attempt.finish_by(&end, refusing(Errno::NOSPC)).unwrap();
        assert_eq!(attempt.end(), Some(end));
        assert!(!folder.path().join(ROOM).exists());
        assert_eq!(
            std::fs::metadata(folder.path().join("end.json")).unwrap().len(),
            SAYS as u64,
            "no new room"
        );
    }

    #[test]
    fn what_cannot_be_said_is_told_as_that() {
        let folder = tempfile::tempdir().unwrap();
        let long = End { ended: Some("salt ".repeat(SAYS)), ..End::default() };
        for (end, errno) in [(long, Errno::NOSPC), (End::default(), Errno::ACCESS)] {
            let attempt = reserved(folder.path());
            let error = attempt.finish_by(&end, refusing(errno)).unwrap_err();
            assert_eq!((error.is_full_disk(), attempt.end()), (errno == Errno::NOSPC, None), "{error}");
        }
    }
}
