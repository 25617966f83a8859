//! A packet that came: a folder or a zip, its files listed and measured before any of them is read.
//!
//! Knows which of its folders holds the work. Every name is checked, whether it is of use or not. Nothing is written.

use std::path::Path;

use super::folder::Folder;
use super::names::Paths;
use super::zipped::Zip;
use super::{FILE_LIMIT, Fault, MOST_ENTRIES, TOTAL_LIMIT, is_litter};

/// Most faults that are listed; who sends more of them need not be told of each.
const LISTED: usize = 20;

/// Where the files lie.
#[derive(Debug)]
enum Store {
    Folder(Folder),
    Zip(Box<Zip>),
}

/// One file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Its path below the packet's own folder.
    pub path: String,
    /// Its size in bytes, as it is said to be.
    pub size: u64,
    /// Where the store has it.
    at: usize,
}

/// A packet that came.
#[derive(Debug)]
pub struct Packet {
    store: Store,
    entries: Vec<Entry>,
}

/// A file or folder as a store lists it.
#[derive(Clone, Debug)]
pub(super) struct Listed {
    /// Its path in bytes, without a `/` at its end.
    pub path: Vec<u8>,
    pub size: u64,
    pub is_folder: bool,
    /// What makes it none that is taken, such as a link.
    pub odd: Option<&'static str>,
}

impl Packet {
    /// Opens a folder or a zip.
    ///
    /// # Errors
    /// It cannot be read, or something in it is not taken; every fault at once, up to a limit.
    pub fn open(path: &Path) -> Result<Self, Vec<Fault>> {
        let place = path.display().to_string();
        let way = "give the packet's folder or its zip";
        let meta = std::fs::metadata(path).map_err(|why| vec![Fault::new(&place, why.to_string(), way)])?;
        let (store, listed) = if meta.is_dir() {
            let (folder, listed) = Folder::open(path)?;
            (Store::Folder(folder), listed)
        } else if meta.is_file() {
            let (zip, listed) = Zip::open(path).map_err(|fault| vec![fault])?;
            (Store::Zip(Box::new(zip)), listed)
        } else {
            return Err(vec![Fault::new(place, "it is neither a folder nor a file", way)]);
        };
        let entries = checked(&place, &listed)?;
        let mut packet = Self { store, entries };
        packet.step_in();
        Ok(packet)
    }

    /// The files, in order of their paths.
    pub fn entries(&self) -> &[Entry] {
        &self.entries
    }

    /// The file of a path.
    pub fn find(&self, path: &str) -> Option<&Entry> {
        self.entries.binary_search_by(|entry| entry.path.as_str().cmp(path)).ok().map(|at| &self.entries[at])
    }

    /// Hands over a file's bytes in parts.
    ///
    /// # Errors
    /// It cannot be read to its end, or is not of the size that it was said to be.
    pub fn read(
        &self,
        entry: &Entry,
        visit: &mut dyn FnMut(&[u8]) -> std::io::Result<()>,
    ) -> Result<(), Fault> {
        let mut count = 0u64;
        let grown = || std::io::Error::other("it is larger than it was said to be");
        let mut counted = |bytes: &[u8]| {
            count += bytes.len() as u64;
            if count > entry.size { Err(grown()) } else { visit(bytes) }
        };
        let read = match &self.store {
            Store::Folder(folder) => folder.read(entry.at, &mut counted),
            Store::Zip(zip) => zip.read(entry.at, &mut counted),
        };
        let short = || std::io::Error::other("it is smaller than it was said to be");
        let read = read.and_then(|()| if count == entry.size { Ok(()) } else { Err(short()) });
        read.map_err(|why| Fault::new(&entry.path, why.to_string(), "have it sent once more"))
    }

    /// A file, whole, in memory.
    ///
    /// # Errors
    /// It is larger than `limit`, or cannot be read.
    pub fn bytes(&self, entry: &Entry, limit: u64) -> Result<Vec<u8>, Fault> {
        if entry.size > limit {
            let why = format!("it has {} bytes, and at most {limit} are read", entry.size);
            return Err(Fault::new(&entry.path, why, "have it sent smaller"));
        }
        let mut bytes = Vec::with_capacity(entry.size as usize);
        self.read(entry, &mut |part| {
            bytes.extend_from_slice(part);
            Ok(())
        })?;
        Ok(bytes)
    }

    /// A text, whole; nothing where there is no such file.
    ///
    /// # Errors
    /// It is no text, larger than `limit` bytes, or cannot be read.
    pub fn text(&self, path: &str, limit: u64) -> Result<Option<String>, Fault> {
        let Some(entry) = self.find(path) else { return Ok(None) };
        let text = String::from_utf8(self.bytes(entry, limit)?);
        text.map(Some).map_err(|_| Fault::new(path, "it is not text (UTF-8)", "save it as plain text"))
    }

    /// Where everything lies in one folder inside of what was opened, that folder is the packet.
    fn step_in(&mut self) {
        for _ in 0..3 {
            let of_packet = || self.entries.iter().filter(|entry| !is_litter(&entry.path));
            let first = |path: &str| path.split_once('/').map(|(first, _)| first.to_string());
            let Some(name) = of_packet().next().and_then(|entry| first(&entry.path)) else { return };
            let is_alone = of_packet().all(|entry| first(&entry.path).as_ref() == Some(&name));
            let is_known = ["data", "return"].contains(&&*name);
            if !is_alone || is_known {
                return;
            }
            let begin = format!("{name}/");
            self.entries.retain_mut(|entry| match entry.path.strip_prefix(&begin) {
                Some(rest) => {
                    entry.path = rest.to_string();
                    true
                }
                None => false,
            });
        }
    }
}

/// The files among what was listed, once all names and sizes are sound.
fn checked(place: &str, listed: &[Listed]) -> Result<Vec<Entry>, Vec<Fault>> {
    if listed.len() > MOST_ENTRIES {
        let why =
            format!("it holds {} files and folders, and at most {MOST_ENTRIES} are taken", listed.len());
        return Err(vec![Fault::new(place, why, "send it in parts")]);
    }
    let (mut faults, mut entries, mut paths) = (Vec::new(), Vec::new(), Paths::default());
    let mut total = 0u64;
    for (at, of) in listed.iter().enumerate() {
        if faults.len() == LISTED {
            faults.push(Fault::new(place, "more of the kind follows", "look at what was sent as a whole"));
            return Err(faults);
        }
        let shown = String::from_utf8_lossy(&of.path).escape_debug().to_string();
        let mut fault = |why: String, way: &str| faults.push(Fault::new(&shown, why, way));
        if let Some(odd) = of.odd {
            fault(format!("it is {odd}, and no file"), "send the file itself");
            continue;
        }
        let path = match super::names::checked(&of.path) {
            Ok(path) => path,
            Err(why) => {
                fault(why, "nothing was taken; have it sent with plain names");
                continue;
            }
        };
        if let Err(why) = paths.add(path, of.is_folder) {
            fault(why, "rename one of them");
            continue;
        }
        if of.is_folder {
            continue;
        }
        if of.size > FILE_LIMIT {
            fault(
                format!("it has {} bytes, and at most {FILE_LIMIT} are taken", of.size),
                "have it sent smaller",
            );
        }
        total = total.saturating_add(of.size);
        entries.push(Entry { path: path.to_string(), size: of.size, at });
    }
    if total > TOTAL_LIMIT {
        let why = format!("its files come to {total} bytes, and at most {TOTAL_LIMIT} are taken");
        faults.push(Fault::new(place, why, "send it in parts"));
    }
    entries.sort_by(|a, b| a.path.cmp(&b.path));
    if faults.is_empty() { Ok(entries) } else { Err(faults) }
}

/// Part by part, as much as is read at once.
pub(super) const PART: usize = 1 << 18;

/// Hands over all that a reader gives.
pub(super) fn stream(
    mut from: impl std::io::Read,
    visit: &mut dyn FnMut(&[u8]) -> std::io::Result<()>,
) -> std::io::Result<()> {
    let mut part = vec![0; PART];
    loop {
        match from.read(&mut part) {
            Ok(0) => return Ok(()),
            Ok(count) => visit(&part[..count])?,
            Err(error) if error.kind() == std::io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}
