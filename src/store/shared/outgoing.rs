//! A file that is sent to a shared store, of which a part at a time is in memory.
//!
//! Knows that a file may change while it is sent, and that sending it may take hours: every part is held against what the file was
//! when sending began. Does not know where it goes.

use std::fs::File;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use super::bucket::{BucketError, PART};
use crate::base::digest::Digest;
use crate::store::file;

/// An open file as it was when it was looked at.
pub struct Outgoing<'a> {
    path: PathBuf,
    file: File,
    size: u64,
    whole: Digest,
    /// Digests of its parts: with them, parts of two versions never pass for one file, whatever its times say.
    parts: Vec<Digest>,
    watch: &'a dyn Fn(u64, u64),
}

impl<'a> Outgoing<'a> {
    /// Opens a file and reads it once, for its digests. While it is sent, `watch` is told the bytes that went and all.
    ///
    /// # Errors
    /// It is not there, is no regular file or cannot be read.
    pub fn open(path: &Path, watch: &'a dyn Fn(u64, u64)) -> Result<Self, BucketError> {
        let opened = file::open(path).map_err(|error| BucketError::Here(error.to_string()))?;
        let file = opened.ok_or_else(|| BucketError::Here(format!("{} is not there", path.display())))?;
        let mut outgoing =
            Self { path: path.into(), file, size: 0, whole: Digest([0; 32]), parts: Vec::new(), watch };
        let mut whole = blake3::Hasher::new();
        loop {
            let part = outgoing.read(outgoing.parts.len())?;
            if part.is_empty() {
                break;
            }
            outgoing.size += part.len() as u64;
            outgoing.parts.push(Digest::of(&part));
            whole.update(&part);
        }
        outgoing.whole = Digest(*whole.finalize().as_bytes());
        Ok(outgoing)
    }

    /// Its bytes.
    pub fn size(&self) -> u64 {
        self.size
    }

    /// Digest of its bytes.
    pub fn digest(&self) -> Digest {
        self.whole
    }

    /// How many parts it has.
    pub fn parts(&self) -> usize {
        self.parts.len()
    }

    /// One of its parts, as it was when the file was opened.
    ///
    /// # Errors
    /// It cannot be read, or is another one by now.
    pub fn part(&self, n: usize) -> Result<Vec<u8>, BucketError> {
        (self.watch)(self.size.min((n * PART) as u64), self.size);
        let part = self.read(n)?;
        if self.parts.get(n) == Some(&Digest::of(&part)) {
            return Ok(part);
        }
        let path = self.path.display();
        Err(BucketError::Here(format!(
            "{path} was changed while it was sent, so that nothing of it is there"
        )))
    }

    /// What the file holds now where a part lies; less at its end.
    fn read(&self, n: usize) -> Result<Vec<u8>, BucketError> {
        let (mut part, mut filled, from) = (vec![0; PART], 0, (n * PART) as u64);
        while filled < PART {
            match self.file.read_at(&mut part[filled..], from + filled as u64) {
                Ok(0) => break,
                Ok(count) => filled += count,
                Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
                Err(error) => return Err(BucketError::Here(format!("{}: {error}", self.path.display()))),
            }
        }
        part.truncate(filled);
        Ok(part)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_goes_in_parts_and_no_part_of_another_version_with_them() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("ana.zip");
        let bytes: Vec<u8> = (0..2 * PART + 5).map(|n| (n / 7) as u8).collect();
        std::fs::write(&path, &bytes).unwrap();
        let went = std::cell::RefCell::new(Vec::new());
        let watch = |done, of| went.borrow_mut().push((done, of));
        let outgoing = Outgoing::open(&path, &watch).unwrap();
        assert_eq!((outgoing.size(), outgoing.digest()), (bytes.len() as u64, Digest::of(&bytes)));
        let parts: Vec<Vec<u8>> = (0..outgoing.parts()).map(|n| outgoing.part(n).unwrap()).collect();
        assert_eq!((parts[0].len(), parts[2].len(), parts.concat() == bytes), (PART, 5, true));
        assert_eq!(*went.borrow(), [0, PART, 2 * PART].map(|done| (done as u64, bytes.len() as u64)));
        // One byte of the second part, with the file's size and time as they were.
        let when = std::fs::metadata(&path).unwrap().modified().unwrap();
        let file = File::options().write(true).open(&path).unwrap();
        file.write_all_at(b"!", PART as u64 + 3).unwrap();
        file.set_modified(when).unwrap();
        outgoing.part(0).unwrap();
        let told = outgoing.part(1).unwrap_err().to_string();
        assert!(told.contains("ana.zip was changed while it was sent"), "{told}");
        // What was cut off, and what was put behind, change the last part.
        file.set_len(2 * PART as u64 + 9).unwrap();
        outgoing.part(2).unwrap_err();
        file.set_len(PART as u64).unwrap();
        outgoing.part(2).unwrap_err();
    }

    #[test]
    fn what_is_no_file_is_told_with_its_place_and_an_empty_one_has_no_parts() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("ana.zip");
        let told = |path: &Path| Outgoing::open(path, &|_, _| {}).err().unwrap().to_string();
        assert!(told(&path).ends_with("ana.zip is not there"), "{}", told(&path));
        assert!(told(folder.path()).contains("it is not a regular file"), "{}", told(folder.path()));
        std::fs::write(&path, "").unwrap();
        let empty = Outgoing::open(&path, &|_, _| {}).unwrap();
        assert_eq!((empty.size(), empty.parts(), empty.digest()), (0, 0, Digest::of(b"")));
    }
}
