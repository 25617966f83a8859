//! A file that is fetched from a shared store, written as its pieces come.
//!
//! Knows how much came, its digest, and whether the disk has room for all of it. Does not know what the file is called once it is
//! whole, nor where it comes from.

use std::fs::File;
use std::io::{ErrorKind, Write};
use std::path::PathBuf;

use super::bucket::BucketError;
use crate::base::digest::Digest;
use crate::store::{StoreError, room};

/// Bytes of its begin that are kept, to see what it is.
const BEGIN: usize = 64;

/// A file under way.
pub struct Incoming<'a> {
    file: &'a File,
    /// The folder that it lies in.
    folder: PathBuf,
    /// Bytes that will be; those that came, when it is not known.
    expected: u64,
    came: u64,
    begin: Vec<u8>,
    digest: blake3::Hasher,
    watch: &'a dyn Fn(u64, u64),
}

impl<'a> Incoming<'a> {
    /// Nothing so far, to be written to an empty file of a folder; `watch` is told the bytes that came and all.
    pub fn to(file: &'a File, folder: impl Into<PathBuf>, watch: &'a dyn Fn(u64, u64)) -> Self {
        let digest = blake3::Hasher::new();
        Self { file, folder: folder.into(), expected: 0, came: 0, begin: Vec::new(), digest, watch }
    }

    /// So many bytes will come in all.
    ///
    /// # Errors
    /// There is no room for them: whoever waits for hours learns that before.
    pub fn expect(&mut self, size: u64) -> Result<(), BucketError> {
        self.expected = size;
        match room::try_room(&self.folder, size) {
            Ok(()) => Ok(()),
            Err(StoreError::File { source, .. }) => Err(self.refused(&source)),
            Err(error) => Err(BucketError::Here(error.to_string())),
        }
    }

    /// Writes what came next.
    ///
    /// # Errors
    /// The disk refuses.
    pub fn write(&mut self, piece: &[u8]) -> Result<(), BucketError> {
        self.file.write_all(piece).map_err(|error| self.refused(&error))?;
        let more = BEGIN.saturating_sub(self.begin.len()).min(piece.len());
        self.begin.extend_from_slice(&piece[..more]);
        self.digest.update(piece);
        self.came += piece.len() as u64;
        (self.watch)(self.came, self.expected.max(self.came));
        Ok(())
    }

    /// Bytes that came.
    pub fn came(&self) -> u64 {
        self.came
    }

    /// The first of them.
    pub fn begin(&self) -> &[u8] {
        &self.begin
    }

    /// Digest of them.
    pub fn digest(&self) -> Digest {
        Digest(*self.digest.finalize().as_bytes())
    }

    fn refused(&self, error: &std::io::Error) -> BucketError {
        match error.kind() {
            ErrorKind::StorageFull | ErrorKind::QuotaExceeded => {
                BucketError::NoRoom { place: self.folder.clone(), size: self.expected.max(self.came) }
            }
            _ => BucketError::Here(format!("{}: {error}", self.folder.display())),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_came_is_counted_and_told_by_its_digest_whatever_the_pieces() {
        let folder = tempfile::tempdir().unwrap();
        let file = File::create(folder.path().join("part")).unwrap();
        let told = std::cell::RefCell::new(Vec::new());
        let watch = |came, of| told.borrow_mut().push((came, of));
        let mut incoming = Incoming::to(&file, folder.path(), &watch);
        incoming.expect(200).unwrap();
        let bytes: Vec<u8> = (0..200).collect();
        for piece in [&bytes[..1], &bytes[1..150], &bytes[150..]] {
            incoming.write(piece).unwrap();
        }
        assert_eq!((incoming.came(), incoming.digest()), (200, Digest::of(&bytes)));
        assert_eq!(incoming.begin(), &bytes[..BEGIN]);
        assert_eq!(*told.borrow(), [(1, 200), (150, 200), (200, 200)]);
        assert_eq!(std::fs::read(folder.path().join("part")).unwrap(), bytes);
    }

    #[test]
    fn a_disk_that_refuses_is_told_with_its_place_and_what_would_be_needed() {
        // What is opened to be read takes no bytes, for a reason that has nothing to do with room.
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("part"), "").unwrap();
        let file = File::open(folder.path().join("part")).unwrap();
        let told = Incoming::to(&file, folder.path(), &|_, _| {}).write(b"salt").unwrap_err();
        let place = folder.path().display().to_string();
        assert!(matches!(&told, BucketError::Here(words) if words.starts_with(&place)), "{told}");
        // `/dev/full` takes nothing either, as a disk that is full (full(4)).
        let file = File::options().write(true).open("/dev/full").unwrap();
        let mut incoming = Incoming::to(&file, folder.path(), &|_, _| {});
        incoming.expect(4).unwrap();
        let told = incoming.write(b"salt").unwrap_err();
        assert_eq!(told, BucketError::NoRoom { place: folder.path().into(), size: 4 });
    }
}
