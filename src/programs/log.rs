//! The end of what a program printed.
//!
//! Knows that a log may be of any length, and hold what is no text, and in which words programs say that a disk is full.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom};
use std::path::Path;

/// The last bytes of a log, so many at most, as text.
///
/// # Errors
/// It is not there, or the system refuses.
pub fn end_of_log(path: &Path, most: u64) -> io::Result<String> {
    let mut file = File::open(path)?;
    let length = file.metadata()?.len();
    file.seek(SeekFrom::Start(length.saturating_sub(most)))?;
    let mut bytes = Vec::new();
    file.take(most).read_to_end(&mut bytes)?;
    Ok(String::from_utf8_lossy(&bytes).into_owned())
}

/// Whether a program says in what it printed that a disk was full, in the words of the C library (`strerror` of ENOSPC and EDQUOT, in
/// English, which most programs print).
pub fn tells_of_full_disk(said: &str) -> bool {
    ["No space left on device", "Disk quota exceeded"].iter().any(|words| said.contains(words))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_more_than_the_end_is_read_and_what_is_no_text_is_shown_as_that() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("log");
        assert!(end_of_log(&path, 4).is_err());
        std::fs::write(&path, b"salt\xffworks").unwrap();
        assert_eq!(end_of_log(&path, 5).unwrap(), "works");
        assert_eq!(end_of_log(&path, 99).unwrap(), "salt\u{fffd}works");
    }

    #[test]
    fn the_words_of_a_full_disk_are_known_in_a_log() {
        for full in ["cp: error writing 'x': No space left on device", "x\nDisk quota exceeded\n"] {
            assert!(tells_of_full_disk(full), "{full}");
        }
        assert!(!tells_of_full_disk("no space") && !tells_of_full_disk(""));
    }
}
