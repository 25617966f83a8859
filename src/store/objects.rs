//! Renders by content: one read-only EXR file for each distinct picture, and links into the visible tree.
//!
//! A picture is checked against its name whenever it is read, so that nothing wrong is taken as a render.

use std::io::ErrorKind;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

use super::{Store, StoreError};
use crate::base::digest::Digest;
use crate::media::exr::{self, Compression, Fact};
use crate::media::image::Image;

/// The renders of a store.
#[derive(Debug, Clone)]
pub struct Objects {
    folder: PathBuf,
    /// Where half-made files lie; a later run empties it.
    work: PathBuf,
    /// What the heads of new files say.
    facts: Vec<(String, Fact)>,
}

impl Objects {
    /// The renders of a store.
    pub fn of(store: &Store) -> Self {
        Self { folder: store.path("objects"), work: store.path("work"), facts: Vec::new() }
    }

    /// New files say these things of themselves. Those that are there stay as they are.
    pub fn saying(self, facts: Vec<(String, Fact)>) -> Self {
        Self { facts, ..self }
    }

    /// Where a picture lies.
    pub fn path(&self, pixels: &Digest) -> PathBuf {
        let hex = pixels.to_string();
        self.folder.join(&hex[..2]).join(format!("{}.exr", &hex[2..]))
    }

    /// True when the picture is there and its file reaches to its end, as it may not after a power failure. Its
    /// pixels are not looked at; [`Objects::get`] does that.
    pub fn has(&self, pixels: &Digest) -> bool {
        exr::is_whole(&self.path(pixels))
    }

    /// Stores a picture under the digest of its pixels. Gives the bytes written, 0 when it was there, unharmed.
    ///
    /// # Errors
    /// The disk is full or refuses. Nothing half-written then stands under the picture's name.
    pub fn put(&self, pixels: &Digest, image: &Image) -> Result<u64, StoreError> {
        let path = self.path(pixels);
        if path.exists() && self.get(pixels).is_ok() {
            return Ok(0);
        }
        let folder = path.parent().expect("objects have a folder");
        std::fs::create_dir_all(folder).map_err(StoreError::file(folder))?;
        let bytes = exr::encode(image, Compression::Zip, &self.facts)
            .map_err(|e| StoreError::Damaged { path: path.clone(), reason: e.to_string() })?;
        // Another worker may have come to the same pixels meanwhile: what is linked already stays as it is.
        let written = super::write_new(&self.work, &path, &bytes)?;
        Ok(if written { bytes.len() as u64 } else { 0 })
    }

    /// Digests of a stored picture's planes by channel name.
    pub fn planes(&self, pixels: &Digest) -> Option<Vec<(Arc<str>, Digest)>> {
        Some(self.get(pixels).ok()?.digest().planes.clone())
    }

    /// The inode of a picture's file.
    pub fn inode(&self, pixels: &Digest) -> Option<u64> {
        rustix::fs::stat(self.path(pixels)).ok().map(|stat| stat.st_ino)
    }

    /// Whether the file at `to` is this picture's: another name of the same file or, where links cannot be or are used
    /// up, a file of the same length.
    pub fn is_at(&self, pixels: &Digest, to: &Path) -> bool {
        use std::os::unix::fs::MetadataExt;
        let (Ok(ours), Ok(theirs)) = (std::fs::metadata(self.path(pixels)), std::fs::metadata(to)) else {
            return false;
        };
        let same = (ours.dev(), ours.ino()) == (theirs.dev(), theirs.ino());
        let linked = ours.dev() == theirs.dev() && theirs.nlink() > 1;
        same || (!linked && ours.len() == theirs.len())
    }

    /// Reads a picture and checks it against its name. A damaged one is taken out of the store first,
    /// so that it will be rendered anew.
    ///
    /// # Errors
    /// It is not there, cannot be read, or is damaged.
    pub fn get(&self, pixels: &Digest) -> Result<Image, StoreError> {
        let path = self.path(pixels);
        let bytes = std::fs::read(&path).map_err(StoreError::file(&path))?;
        let reason = match exr::decode_image(&bytes) {
            Ok(image) if image.digest().whole == *pixels => return Ok(image),
            Ok(_) => "its pixels are not the ones that were stored".to_string(),
            Err(e) => e.to_string(),
        };
        let _ = std::fs::remove_file(&path);
        Err(StoreError::Damaged { path, reason })
    }

    /// Puts the picture at `to`, replacing what is there at once: a link, or a copy where links cannot be.
    pub fn link(&self, pixels: &Digest, to: &Path) -> Result<(), StoreError> {
        let from = self.path(pixels);
        let folder = to.parent().unwrap_or(Path::new("."));
        std::fs::create_dir_all(folder).map_err(StoreError::file(folder))?;
        match std::fs::hard_link(&from, to) {
            Ok(()) => return Ok(()),
            Err(error) if error.kind() == ErrorKind::NotFound => return Err(StoreError::file(&from)(error)),
            Err(_) => {}
        }
        static LINKS: AtomicU64 = AtomicU64::new(0);
        let name = format!("link-{}-{}", std::process::id(), LINKS.fetch_add(1, Ordering::Relaxed));
        let made = self.work.join(&name);
        if std::fs::hard_link(&from, &made).is_ok() {
            let moved = std::fs::rename(&made, to);
            // Two links to one file: rename does nothing and leaves the first name behind.
            let _ = std::fs::remove_file(&made);
            if moved.is_ok() {
                return Ok(());
            }
        }
        // The tree lies on another disk, or the disk has no links.
        let beside = folder.join(format!(".{name}"));
        let copied = std::fs::copy(&from, &beside).and_then(|_| std::fs::rename(&beside, to));
        if copied.is_err() {
            let _ = std::fs::remove_file(&beside);
        }
        copied.map_err(StoreError::file(to))
    }
}
