//! Renders by content: one read-only EXR file for each distinct picture, and links into the visible tree.
//!
//! A picture is checked against its name whenever it is read, so that nothing wrong is taken as a render.

use std::fs::File;
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use super::{Store, StoreError, file};
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
    /// Held while a name is given to a file or taken from one.
    naming: Arc<Mutex<()>>,
}

impl Objects {
    /// The renders of a store.
    pub fn of(store: &Store) -> Self {
        Self {
            folder: store.path("objects"),
            work: store.path("work"),
            facts: Vec::new(),
            naming: Arc::default(),
        }
    }

    /// New files say these things of themselves. Those that are there stay as they are.
    pub fn saying(self, facts: Vec<(String, Fact)>) -> Self {
        Self { facts, ..self }
    }

    /// What new files say of themselves.
    pub fn facts(&self) -> &[(String, Fact)] {
        &self.facts
    }

    /// Where a picture lies.
    pub fn path(&self, pixels: &Digest) -> PathBuf {
        let hex = pixels.to_string();
        self.folder.join(&hex[..2]).join(format!("{}.exr", &hex[2..]))
    }

    /// True when the picture is there and its file reaches to its end, as it may not after a power failure. Its
    /// pixels are not looked at; [`Objects::get`] does that.
    pub fn has(&self, pixels: &Digest) -> bool {
        file::open(&self.path(pixels)).ok().flatten().is_some_and(|file| exr::is_whole(&file))
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
        let file = super::write_aside(&self.work, &path, &bytes)?;
        let _naming = self.naming.lock().expect("no thread panics with it");
        let written = super::name_new(file, &path)?;
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
        let mut file = match file::open(&path) {
            Ok(Some(file)) => file,
            Ok(None) => return Err(StoreError::file(&path)(ErrorKind::NotFound.into())),
            Err(error) => {
                self.discard(None, &path);
                return Err(error);
            }
        };
        let mut bytes = Vec::new();
        file.read_to_end(&mut bytes).map_err(StoreError::file(&path))?;
        let reason = match exr::decode_image(&bytes) {
            Ok(image) if image.digest().whole == *pixels => return Ok(image),
            Ok(_) => "its pixels are not the ones that were stored".to_string(),
            Err(e) => e.to_string(),
        };
        self.discard(Some(&file), &path);
        Err(StoreError::Damaged { path, reason })
    }

    /// Takes a damaged file out of the store, unless another worker has put a sound one under its name meanwhile. What is
    /// no file at all, and so is not open, goes too.
    fn discard(&self, damaged: Option<&File>, path: &Path) {
        use std::os::unix::fs::MetadataExt;
        let _naming = self.naming.lock().expect("no thread panics with it");
        let Ok(named) = std::fs::metadata(path) else { return };
        // As long as it is open, its inode is no other file's.
        let is_it = damaged
            .and_then(|file| file.metadata().ok())
            .is_some_and(|read| (read.dev(), read.ino()) == (named.dev(), named.ino()));
        if is_it || !named.is_file() {
            let _ = std::fs::remove_file(path);
        }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::media::image::RGBA;

    #[test]
    fn who_found_a_picture_damaged_leaves_the_sound_one_that_came_after_it() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        let objects = Objects::of(&store);
        let image = Image::new(4, 4, &RGBA);
        let pixels = image.digest().whole;
        let path = objects.path(&pixels);
        objects.put(&pixels, &image).unwrap();
        // One worker reads the damaged file; before it takes it out, another one has done so and made it anew.
        std::fs::remove_file(&path).unwrap();
        std::fs::write(&path, "brine").unwrap();
        let damaged = File::open(&path).unwrap();
        assert!(objects.put(&pixels, &image).unwrap() > 0);
        objects.discard(Some(&damaged), &path);
        assert_eq!(objects.get(&pixels).unwrap(), image);
        std::fs::remove_file(&path).unwrap();
        std::fs::write(&path, "brine").unwrap();
        assert!(matches!(objects.get(&pixels), Err(StoreError::Damaged { .. })) && !path.exists());
        let kind = rustix::fs::FileType::Fifo;
        rustix::fs::mknodat(rustix::fs::CWD, &path, kind, rustix::fs::Mode::RWXU, 0).unwrap();
        assert!(!objects.has(&pixels) && objects.put(&pixels, &image).unwrap() > 0);
        assert_eq!(objects.get(&pixels).unwrap(), image);
    }
}
