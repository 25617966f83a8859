//! Renders by content: one read-only file for each distinct picture (EXR) or block of sound (WAV), and links into the
//! visible tree.
//!
//! A picture is checked against its name whenever it is read, so that nothing wrong is taken as a render.

use std::fs::{File, OpenOptions};
use std::io::{Cursor, ErrorKind, Read as _, Write as _};
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};

use super::{Store, StoreError, file};
use crate::base::digest::Digest;
use crate::media::exr::{self, Compression, Fact};
use crate::media::image::Image;
use crate::media::render::Render;
use crate::media::sound::{self, wave};

/// Endings of the files of pictures and of sound.
const PICTURE: &str = "exr";
const SOUND: &str = "wav";
/// The file that tells of damaged renders.
const LOSSES: &str = "losses";

/// A render as it was read, and what it was read from.
struct Read {
    render: Render,
    bytes: Vec<u8>,
    file: File,
    path: PathBuf,
}

/// The renders of a store.
#[derive(Debug, Clone)]
pub struct Objects {
    folder: PathBuf,
    /// Where half-made files lie; a later run empties it.
    work: PathBuf,
    /// Grows by a byte whenever a damaged render is taken out of the store (see [`losses`]).
    losses: PathBuf,
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
            losses: store.path(LOSSES),
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

    /// Where a render lies, as a file of this ending.
    fn path_as(&self, pixels: &Digest, ending: &str) -> PathBuf {
        let hex = pixels.to_string();
        self.folder.join(&hex[..2]).join(format!("{}.{ending}", &hex[2..]))
    }

    /// Where a render lies: as sound where there is such a file, else as a picture.
    pub fn path(&self, pixels: &Digest) -> PathBuf {
        let picture = self.path_as(pixels, PICTURE);
        let sound = self.path_as(pixels, SOUND);
        if !picture.exists() && sound.exists() { sound } else { picture }
    }

    /// True when the render is there and its file reaches to its end, as it may not after a power failure. Its
    /// pixels or samples are not looked at; [`Objects::get`] does that.
    pub fn has(&self, pixels: &Digest) -> bool {
        match file::open(&self.path_as(pixels, PICTURE)).ok().flatten() {
            Some(file) => exr::is_whole(&file),
            None => {
                let sound = file::open(&self.path_as(pixels, SOUND)).ok().flatten();
                sound.is_some_and(|file| wave::is_whole(&file))
            }
        }
    }

    /// Stores a render under the digest of what is seen or heard. Gives the bytes written, 0 when it was there, unharmed.
    ///
    /// # Errors
    /// The disk is full or refuses. Nothing half-written then stands under the render's name.
    pub fn put(&self, pixels: &Digest, render: &Render) -> Result<u64, StoreError> {
        let path = self.path_as(pixels, if render.sound().is_some() { SOUND } else { PICTURE });
        if path.exists() && self.get(pixels).is_ok() {
            return Ok(0);
        }
        let folder = path.parent().expect("objects have a folder");
        std::fs::create_dir_all(folder).map_err(StoreError::file(folder))?;
        let bytes =
            self.encoded(render).map_err(|reason| StoreError::Damaged { path: path.clone(), reason })?;
        // Another worker may have come to the same pixels meanwhile: what is linked already stays as it is.
        let file = super::write_aside(&self.work, &path, &bytes)?;
        let _naming = self.naming.lock().expect("no thread panics with it");
        let written = super::name_new(file, &path)?;
        Ok(if written { bytes.len() as u64 } else { 0 })
    }

    /// The bytes of a render's file.
    fn encoded(&self, render: &Render) -> Result<Vec<u8>, String> {
        match render {
            Render::Picture(image) => {
                exr::encode(image, Compression::Zip, &self.facts).map_err(|e| e.to_string())
            }
            Render::Sound(sound) => wave::plain(sound).map_err(|e| e.to_string()),
        }
    }

    /// Stores a render whose file came from elsewhere, if it is the render that it should be: its pixels or samples have this digest,
    /// and its planes have these. A file that says more than a render's does, or something else, is written anew from what is seen or
    /// heard in it: its head would mislead whatever reads it, and no digest is of it.
    ///
    /// # Errors
    /// It is damaged, another's, or longer than such a picture can be; or the disk is full or refuses.
    pub fn receive(
        &self,
        pixels: &Digest,
        planes: &[(Arc<str>, Digest)],
        is_sound: bool,
        bytes: &[u8],
    ) -> Result<(), StoreError> {
        let path = self.path_as(pixels, if is_sound { SOUND } else { PICTURE });
        let damaged = |reason| StoreError::Damaged { path: path.clone(), reason };
        if !is_sound && bytes.len() as u64 > exr::most(bytes).map_err(|e| damaged(e.to_string()))? {
            return Err(damaged("it is longer than its picture can be".into()));
        }
        let render = decoded(is_sound, bytes).map_err(damaged)?;
        let digest = render.digest();
        if digest.whole != *pixels || digest.planes != planes {
            return Err(damaged(other(is_sound)));
        }
        if path.exists() && self.get(pixels).is_ok() {
            return Ok(());
        }
        let is_ours = render.picture().is_some_and(|image| exr::is_as_encoded(bytes, image, &self.facts));
        let anew = if is_ours { None } else { Some(self.encoded(&render).map_err(damaged)?) };
        let folder = path.parent().expect("objects have a folder");
        std::fs::create_dir_all(folder).map_err(StoreError::file(folder))?;
        let file = super::write_aside(&self.work, &path, anew.as_deref().unwrap_or(bytes))?;
        let _naming = self.naming.lock().expect("no thread panics with it");
        super::name_new(file, &path).map(drop)
    }

    /// Digests of a stored picture's planes by channel name.
    pub fn planes(&self, pixels: &Digest) -> Option<Vec<(Arc<str>, Digest)>> {
        Some(self.get(pixels).ok()?.digest().planes)
    }

    /// The inode of a picture's file.
    pub fn inode(&self, pixels: &Digest) -> Option<u64> {
        rustix::fs::stat(self.path(pixels)).ok().map(|stat| stat.st_ino)
    }

    /// Whether the file at `to` is this picture's: another name of the same file or, where links cannot be or are used
    /// up, a file of the same length.
    pub fn is_at(&self, pixels: &Digest, to: &Path) -> bool {
        use std::os::unix::fs::MetadataExt;
        let (Ok(ours), Ok(theirs)) = (std::fs::metadata(self.path_of(pixels, to)), std::fs::metadata(to))
        else {
            return false;
        };
        let same = (ours.dev(), ours.ino()) == (theirs.dev(), theirs.ino());
        let linked = ours.dev() == theirs.dev() && theirs.nlink() > 1;
        same || (!linked && ours.len() == theirs.len())
    }

    /// Where the render lies that a file of the visible tree is to be.
    fn path_of(&self, pixels: &Digest, to: &Path) -> PathBuf {
        let is_sound = to.extension().is_some_and(|ending| ending == SOUND);
        self.path_as(pixels, if is_sound { SOUND } else { PICTURE })
    }

    /// Reads a picture, as [`Objects::get`] does.
    ///
    /// # Errors
    /// As there; also when it is sound.
    pub fn picture(&self, pixels: &Digest) -> Result<Arc<Image>, StoreError> {
        let render = self.get(pixels)?;
        let reason = || "it is sound, and no picture".to_string();
        render
            .picture()
            .cloned()
            .ok_or_else(|| StoreError::Damaged { path: self.path(pixels), reason: reason() })
    }

    /// Reads a render and checks it against its name. A damaged one is taken out of the store first,
    /// so that it will be rendered anew.
    ///
    /// # Errors
    /// It is not there, cannot be read, or is damaged.
    pub fn get(&self, pixels: &Digest) -> Result<Render, StoreError> {
        self.read(pixels).map(|read| read.render)
    }

    /// Looks at a render that others put here, as [`Objects::get`] does. A file that says more than a render's does, or something else,
    /// is written anew from what is seen or heard in it, unless it is in place already. Says whether it was.
    ///
    /// # Errors
    /// As there; also when the disk is full or refuses.
    pub fn examine(&self, pixels: &Digest) -> Result<bool, StoreError> {
        use std::os::unix::fs::MetadataExt;
        let Read { render, bytes, file, path } = self.read(pixels)?;
        let is_in_place = file.metadata().is_ok_and(|meta| meta.nlink() > 1);
        let is_ours = match &render {
            Render::Picture(image) => exr::is_as_encoded(&bytes, image, &self.facts),
            Render::Sound(_) => self.encoded(&render).is_ok_and(|ours| ours == bytes),
        };
        if is_in_place || is_ours {
            return Ok(false);
        }
        let anew =
            self.encoded(&render).map_err(|reason| StoreError::Damaged { path: path.clone(), reason })?;
        // It is written before the other goes, so that a full disk loses nothing.
        let anew = super::write_aside(&self.work, &path, &anew)?;
        self.discard(Some(&file), &path);
        let _naming = self.naming.lock().expect("no thread panics with it");
        super::name_new(anew, &path).map(|_| true)
    }

    fn read(&self, pixels: &Digest) -> Result<Read, StoreError> {
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
        let is_sound = path.extension().is_some_and(|ending| ending == SOUND);
        let reason = match decoded(is_sound, &bytes) {
            Ok(render) if render.digest().whole == *pixels => return Ok(Read { render, bytes, file, path }),
            Ok(_) => other(is_sound),
            Err(e) => e,
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
        if (is_it || !named.is_file()) && std::fs::remove_file(path).is_ok() {
            let noted = OpenOptions::new().create(true).append(true).open(&self.losses);
            if let Err(error) = noted.and_then(|mut file| file.write_all(b".")) {
                tracing::warn!(%error, "that a damaged render was taken out could not be noted");
            }
        }
    }

    /// Puts the picture at `to`, replacing what is there at once: a link, or a copy where links cannot be.
    pub fn link(&self, pixels: &Digest, to: &Path) -> Result<(), StoreError> {
        let from = self.path_of(pixels, to);
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

/// How often a damaged render was taken out of a store. Its frame is fresh no more, though its folder in the visible tree is as it was.
pub fn losses(store: &Store) -> u64 {
    std::fs::metadata(store.path(LOSSES)).map_or(0, |meta| meta.len())
}

/// What a render's file holds.
fn decoded(is_sound: bool, bytes: &[u8]) -> Result<Render, String> {
    match is_sound {
        true => sound::read(Cursor::new(bytes.to_vec())).map(Render::from).map_err(|e| e.to_string()),
        false => exr::decode_image(bytes).map(Render::from).map_err(|e| e.to_string()),
    }
}

/// What is wrong with a sound file of another render.
fn other(is_sound: bool) -> String {
    format!("its {} are not the ones that were stored", if is_sound { "samples" } else { "pixels" })
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
        let image = Render::from(Image::new(4, 4, &RGBA));
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
        let before = losses(&store);
        assert!(matches!(objects.get(&pixels), Err(StoreError::Damaged { .. })) && !path.exists());
        assert!(objects.get(&pixels).is_err() && losses(&store) == before + 1, "it was lost once");
        let kind = rustix::fs::FileType::Fifo;
        rustix::fs::mknodat(rustix::fs::CWD, &path, kind, rustix::fs::Mode::RWXU, 0).unwrap();
        assert!(!objects.has(&pixels) && objects.put(&pixels, &image).unwrap() > 0);
        assert_eq!(objects.get(&pixels).unwrap(), image);
    }

    /// A store that says how light is meant.
    fn lit(folder: &Path) -> Objects {
        let store = Store::at(folder).unwrap();
        store.create().unwrap();
        Objects::of(&store).saying(vec![("chromaticities".into(), Fact::Chromaticities([[0.3, 0.6]; 4]))])
    }

    #[test]
    fn what_comes_from_elsewhere_lies_there_as_it_would_have_been_written_here() {
        let (here, there) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let mut image = Image::new(20, 9, &RGBA);
        image.samples_mut(1)[7] = half::f16::ONE;
        let picture = Render::from(image.clone());
        let sound = Render::from(sound::Sound { rate: 48_000, channels: vec![vec![0.25; 100]] });
        let file_of = |objects: &Objects, render: &Render| {
            let digest = render.digest().whole;
            objects.put(&digest, render).unwrap();
            std::fs::read(objects.path(&digest)).unwrap()
        };
        let there = lit(there.path());
        let (want, heard) = (file_of(&there, &picture), file_of(&there, &sound));
        let other_facts = exr::encode(&image, Compression::Zip, &[]).unwrap();
        let plain = exr::encode(&image, Compression::None, there.facts()).unwrap();
        for (render, bytes, want) in [
            (&picture, want.clone(), &want),
            (&picture, [&want[..], b"salt"].concat(), &want),
            (&picture, other_facts, &want),
            (&picture, plain, &want),
            (&sound, heard.clone(), &heard),
            (&sound, [&heard[..], b"salt"].concat(), &heard),
        ] {
            let folder = tempfile::tempdir().unwrap();
            let (here, digest) = (lit(folder.path()), render.digest());
            here.receive(&digest.whole, &digest.planes, render.sound().is_some(), &bytes).unwrap();
            assert!(std::fs::read(here.path(&digest.whole)).unwrap() == *want);
        }
        // What is damaged under its name, or no file at all, gives way; what is whole stays.
        let (folder, digest) = (tempfile::tempdir().unwrap(), picture.digest());
        let objects = lit(folder.path());
        let path = objects.path(&digest.whole);
        std::fs::create_dir_all(path.parent().unwrap()).unwrap();
        let mut flipped = want.clone();
        *flipped.last_mut().unwrap() ^= 1;
        for bytes in [b"ten bytes.".to_vec(), want[..want.len() / 2].to_vec(), flipped] {
            std::fs::write(&path, &bytes).unwrap();
            objects.receive(&digest.whole, &digest.planes, false, &want).unwrap();
            assert!(std::fs::read(&path).unwrap() == want, "{} bytes", bytes.len());
        }
        let inode = objects.inode(&digest.whole);
        objects.receive(&digest.whole, &digest.planes, false, &want).unwrap();
        assert_eq!(objects.inode(&digest.whole), inode);
        // Nothing is decoded of a file that is far too long.
        let (here, digest) = (lit(here.path()), picture.digest());
        let long = [&want[..], &vec![0; 1 << 20][..]].concat();
        let said = here.receive(&digest.whole, &digest.planes, false, &long).unwrap_err().to_string();
        assert!(said.contains("longer than its picture can be") && !here.has(&digest.whole), "{said}");
    }

    #[test]
    fn what_others_put_here_with_another_head_is_written_anew_unless_it_is_in_place() {
        let folder = tempfile::tempdir().unwrap();
        let objects = lit(folder.path());
        let mut image = Image::new(20, 9, &RGBA);
        image.samples_mut(2)[3] = half::f16::ONE;
        let picture = Render::from(image.clone());
        let sound = Render::from(sound::Sound { rate: 48_000, channels: vec![vec![0.25; 100]] });
        for (render, other) in [
            (&picture, exr::encode(&image, Compression::Zip, &[]).unwrap()),
            (&sound, [&objects.encoded(&sound).unwrap()[..], b"LIST\x04\0\0\0salt"].concat()),
        ] {
            let digest = render.digest().whole;
            objects.put(&digest, render).unwrap();
            let path = objects.path(&digest);
            let ours = std::fs::read(&path).unwrap();
            assert!(!objects.examine(&digest).unwrap(), "it is as it should be");
            let write = || {
                std::fs::remove_file(&path).unwrap();
                std::fs::write(&path, &other).unwrap();
            };
            write();
            assert!(objects.get(&digest).is_ok(), "the same is seen and heard");
            assert!(objects.examine(&digest).unwrap() && std::fs::read(&path).unwrap() == ours);
            write();
            let to = folder.path().join("in place");
            let _ = std::fs::remove_file(&to);
            std::fs::hard_link(&path, &to).unwrap();
            assert!(!objects.examine(&digest).unwrap() && std::fs::read(&path).unwrap() == other);
            std::fs::write(&path, &other[..other.len() / 2]).unwrap();
            assert!(objects.examine(&digest).is_err());
        }
    }

    #[test]
    fn sound_is_kept_as_it_is_and_damage_to_it_is_found() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        let objects = Objects::of(&store);
        let samples = (0..1000).map(|i| (i as f32 * 0.1).sin() * 1.5).collect();
        let sound = Render::from(sound::Sound { rate: 48_000, channels: vec![samples, vec![0.25; 1000]] });
        let digest = sound.digest().whole;
        assert!(objects.put(&digest, &sound).unwrap() > 8000 && objects.put(&digest, &sound).unwrap() == 0);
        assert_eq!(objects.get(&digest).unwrap(), sound);
        let to = folder.path().join("renders/film/mix/film.0001.wav");
        objects.link(&digest, &to).unwrap();
        assert!(objects.is_at(&digest, &to) && objects.has(&digest));
        assert!(objects.picture(&digest).is_err(), "it is no picture");
        let mut bytes = std::fs::read(&to).unwrap();
        let last = bytes.len() - 100;
        bytes[last] ^= 1;
        let path = objects.path(&digest);
        std::fs::remove_file(&path).unwrap();
        std::fs::write(&path, &bytes).unwrap();
        assert!(matches!(objects.get(&digest), Err(StoreError::Damaged { .. })) && !objects.has(&digest));
        std::fs::write(&path, &bytes[..last]).unwrap();
        assert!(!objects.has(&digest), "a file that is cut short");
    }
}
