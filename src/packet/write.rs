//! Writing a packet: a bag of version 1.0 (RFC 8493), as a folder or a zip, which appears under its name once it is whole.
//!
//! Knows payload, tag files and manifests. What a person fills in lies outside of the payload, as tag files that no manifest
//! lists, so that the bag stays valid with it. The same files give the same bytes.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::{self, BufWriter, Seek, SeekFrom, Write};
use std::path::{Path, PathBuf};

use tempfile::NamedTempFile;
use zip::write::SimpleFileOptions;
use zip::{CompressionMethod, DateTime, ZipWriter};

use super::names;
use super::sums::{Kind, Sums};
use super::tags::{DECLARATION, encoded};
use crate::deliver::staging::{self, Staging, StagingError, Taken};
use crate::deliver::whole::{self, UNDER_WAY, beside, named};

/// The digests that are written (section 2.4).
const KINDS: [Kind; 2] = [Kind::Sha256, Kind::Sha512];
/// From this size on a zip tells a file's size in 64 bits.
const LARGE: u64 = u32::MAX as u64;

/// Why a packet could not be written.
#[derive(Debug, thiserror::Error)]
pub enum WriteError {
    /// It is there.
    #[error("{}: it is there already and is not written over; move it away, or write elsewhere with --out", .0.display())]
    Taken(PathBuf),
    /// Somebody is at it, or something stands in the way.
    #[error(transparent)]
    Staging(StagingError),
    /// The disk refuses.
    #[error("{}: {error}", path.display())]
    Disk {
        /// What was written.
        path: PathBuf,
        /// What the system says.
        error: io::Error,
    },
    /// A file of it would have a name that cannot be sent.
    #[error("{path}: {why}; rename it first")]
    Name {
        /// In the packet.
        path: String,
        /// Why.
        why: String,
    },
}

impl From<StagingError> for WriteError {
    fn from(error: StagingError) -> Self {
        match error {
            StagingError::Taken(path) => Self::Taken(path),
            other => Self::Staging(other),
        }
    }
}

/// A packet that was written.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// Where it lies, or would lie.
    pub place: PathBuf,
    /// How many files are in it.
    pub files: u64,
    /// Bytes of all of them.
    pub bytes: u64,
}

enum To {
    /// Nothing is written; it is only counted what would be.
    Nowhere(PathBuf),
    Folder(Staging),
    Zip {
        zip: Box<ZipWriter<BufWriter<Sink>>>,
        file: NamedTempFile,
        place: PathBuf,
    },
}

/// A zip's file. What writes zips ends them when it is dropped and prints to the terminal where that fails, so that after the first
/// failure, which is told, this only counts.
struct Sink {
    file: File,
    /// Where it would be, and how long, once a write has failed.
    lost: Option<(u64, u64)>,
}

impl Sink {
    fn of(file: File) -> Self {
        Self { file, lost: None }
    }

    fn fails<T>(&mut self, error: io::Error) -> io::Result<T> {
        if error.kind() != io::ErrorKind::Interrupted {
            let at = self.file.stream_position().unwrap_or(0);
            self.lost = Some((at, self.file.metadata().map_or(at, |data| data.len().max(at))));
        }
        Err(error)
    }
}

impl Write for Sink {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        if let Some((at, end)) = &mut self.lost {
            *at += bytes.len() as u64;
            *end = (*end).max(*at);
            return Ok(bytes.len());
        }
        self.file.write(bytes).or_else(|error| self.fails(error))
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl Seek for Sink {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let Some((at, end)) = &mut self.lost else { return self.file.seek(to) };
        *at = match to {
            SeekFrom::Start(at) => at,
            SeekFrom::Current(by) => at.saturating_add_signed(by),
            SeekFrom::End(by) => end.saturating_add_signed(by),
        };
        Ok(*at)
    }
}

/// A packet under way. Dropped before its end, nothing of it is left.
pub struct Writer {
    to: To,
    name: String,
    paths: names::Paths,
    /// By path, the digests of the payload and of listed tag files.
    payload: BTreeMap<String, Vec<(Kind, String)>>,
    tag_files: BTreeMap<String, Vec<(Kind, String)>>,
    octets: u64,
    /// Files and bytes of everything.
    size: (u64, u64),
}

impl Writer {
    /// Begins to count what a packet would hold that lies in the folder `within`, and writes nothing.
    pub fn counting(within: &Path) -> Self {
        Self::of(To::Nowhere(within.to_path_buf()), "")
    }

    /// Begins a packet `name` in the folder `within`, as a folder or as `name.zip`.
    ///
    /// # Errors
    /// Something of the name is there already, or the disk refuses.
    pub fn begin(within: &Path, name: &str, as_zip: bool) -> Result<Self, WriteError> {
        // What killed runs left, under whatever name: the next packet seldom has the same.
        staging::clear_left(within);
        whole::clear(within);
        let to = if as_zip {
            let place = within.join(format!("{name}.zip"));
            let disk = |error| WriteError::Disk { path: place.clone(), error };
            std::fs::create_dir_all(within).map_err(disk)?;
            if place.symlink_metadata().is_ok() {
                return Err(WriteError::Taken(place));
            }
            let file = beside(within, UNDER_WAY.1).map_err(disk)?;
            let zip = ZipWriter::new(BufWriter::new(Sink::of(file.reopen().map_err(disk)?)));
            To::Zip { zip: Box::new(zip), file, place }
        } else {
            To::Folder(Staging::begin(within, name, Taken::Refuse)?)
        };
        Ok(Self::of(to, name))
    }

    fn of(to: To, name: &str) -> Self {
        let (payload, tag_files) = (BTreeMap::new(), BTreeMap::new());
        let paths = names::Paths::default();
        Self { to, name: name.into(), paths, payload, tag_files, octets: 0, size: (0, 0) }
    }

    /// Where it will lie.
    pub fn place(&self) -> PathBuf {
        match &self.to {
            To::Folder(staging) => staging.place().to_path_buf(),
            To::Nowhere(place) | To::Zip { place, .. } => place.clone(),
        }
    }

    /// Adds a file of the payload: `path` is below `data/`.
    ///
    /// # Errors
    /// The path cannot be sent, or the disk refuses.
    pub fn payload(&mut self, path: &str, bytes: &[u8]) -> Result<(), WriteError> {
        let path = format!("data/{path}");
        self.put(&path, bytes)?;
        self.octets += bytes.len() as u64;
        self.payload.insert(path, digests(bytes));
        Ok(())
    }

    /// Adds a tag file that manifests list: nobody is to change it.
    ///
    /// # Errors
    /// As [`Writer::payload`].
    pub fn tag_file(&mut self, path: &str, bytes: &[u8]) -> Result<(), WriteError> {
        self.put(path, bytes)?;
        self.tag_files.insert(path.into(), digests(bytes));
        Ok(())
    }

    /// Adds a tag file that a person is to change.
    ///
    /// # Errors
    /// As [`Writer::payload`].
    pub fn open_file(&mut self, path: &str, bytes: &[u8]) -> Result<(), WriteError> {
        self.put(path, bytes)
    }

    /// Writes what is said of the bag and its manifests, and gives it its name. Says where it lies.
    ///
    /// # Errors
    /// The name was taken meanwhile, or the disk refuses.
    pub fn finish(mut self, info: &[(&str, &str)]) -> Result<Written, WriteError> {
        let mut text = String::new();
        for (label, value) in info {
            text += &format!("{label}: {}\n", value.split_whitespace().collect::<Vec<_>>().join(" "));
        }
        text += &format!("Payload-Oxum: {}.{}\n", self.octets, self.payload.len());
        self.tag_file("bagit.txt", DECLARATION.as_bytes())?;
        self.tag_file("bag-info.txt", text.as_bytes())?;
        let payload = std::mem::take(&mut self.payload);
        for kind in KINDS {
            self.tag_file(&format!("manifest-{}.txt", kind.name()), lines(&payload, kind).as_bytes())?;
        }
        let tag_files = std::mem::take(&mut self.tag_files);
        for kind in KINDS {
            self.put(&format!("tagmanifest-{}.txt", kind.name()), lines(&tag_files, kind).as_bytes())?;
        }
        let (files, bytes) = self.size;
        let place = self.named()?;
        Ok(Written { place, files, bytes })
    }

    /// Gives it its name.
    fn named(self) -> Result<PathBuf, WriteError> {
        match self.to {
            To::Nowhere(place) => Ok(place),
            To::Folder(staging) => Ok(staging.finish()?),
            To::Zip { zip, file, place } => {
                let disk = |error| WriteError::Disk { path: place.clone(), error };
                let mut inner = zip.finish().map_err(|why| disk(io::Error::other(why)))?;
                inner.flush().map_err(disk)?;
                drop(inner);
                match named(file, &place, false) {
                    Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {
                        Err(WriteError::Taken(place))
                    }
                    done => done.map_err(disk).map(|()| place.clone()),
                }
            }
        }
    }

    fn put(&mut self, path: &str, bytes: &[u8]) -> Result<(), WriteError> {
        let sound = names::fault(path).map_or(Ok(()), Err).and_then(|()| self.paths.add(path, false));
        sound.map_err(|why| WriteError::Name { path: path.into(), why })?;
        self.size = (self.size.0 + 1, self.size.1 + bytes.len() as u64);
        match &mut self.to {
            To::Nowhere(_) => Ok(()),
            To::Folder(staging) => {
                let at = staging.folder().join(path);
                let written = at.parent().map_or(Ok(()), std::fs::create_dir_all);
                let written = written.and_then(|()| std::fs::write(&at, bytes));
                written.map_err(|error| WriteError::Disk { path: at, error })
            }
            To::Zip { zip, place, .. } => {
                let options = SimpleFileOptions::default()
                    // Pictures are compressed already, and one that is stored can be looked at in place.
                    .compression_method(CompressionMethod::Stored)
                    .last_modified_time(DateTime::default())
                    .unix_permissions(0o644)
                    .large_file(bytes.len() as u64 >= LARGE);
                let begun =
                    zip.start_file(format!("{}/{path}", self.name), options).map_err(io::Error::other);
                let written = begun.and_then(|()| zip.write_all(bytes));
                written.map_err(|error| WriteError::Disk { path: place.clone(), error })
            }
        }
    }
}

fn digests(bytes: &[u8]) -> Vec<(Kind, String)> {
    let mut sums = Sums::new(&KINDS);
    sums.update(bytes);
    sums.finish()
}

fn lines(files: &BTreeMap<String, Vec<(Kind, String)>>, kind: Kind) -> String {
    let line = |(path, sums): (&String, &Vec<(Kind, String)>)| {
        let sum = sums.iter().find(|(of, _)| *of == kind).map_or("", |(_, sum)| sum);
        format!("{sum}  {}\n", encoded(path))
    };
    files.iter().map(line).collect()
}
