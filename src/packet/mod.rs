//! Packets of work as files: a folder (BagIt, RFC 8493) or a zip of one, written for a person and read back as what a stranger
//! sent.
//!
//! Knows bags, manifests and what must not leave a folder. Does not know the film, its stages or the ledger. Whatever is read is
//! measured against limits first: nothing is fetched, no link is followed, nothing is written while it is looked at.

pub mod bag;
mod folder;
pub mod names;
pub mod open;
pub mod sums;
mod tags;
pub mod write;
mod zipped;

use std::fmt;

/// Most files and folders of a packet.
pub const MOST_ENTRIES: usize = 100_000;
/// Most bytes of one file, 2 GiB: an uncompressed frame of 8K with four float channels takes 0.5 GiB.
pub const FILE_LIMIT: u64 = 2 << 30;
/// Most bytes of a whole packet, unpacked.
pub const TOTAL_LIMIT: u64 = 1 << 40;
/// How many times as large a zip's files may be as the zip itself, beside [`SMALL`] bytes: pictures are compressed already.
pub const RATIO_LIMIT: u64 = 200;
/// What a zip's files may come to in any case, in bytes.
pub const SMALL: u64 = 64 << 20;
/// Most bytes of a manifest: one line for each of [`MOST_ENTRIES`].
pub const MANIFEST_LIMIT: u64 = 64 << 20;
/// Most bytes of any other text that is read whole.
pub const TEXT_LIMIT: u64 = 1 << 20;

/// Something about a packet that stands in the way of taking it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Fault {
    /// The file in the packet, or the packet itself.
    pub place: String,
    /// What is wrong.
    pub why: String,
    /// What to do about it.
    pub way: String,
}

impl Fault {
    /// One fault.
    pub fn new(place: impl Into<String>, why: impl Into<String>, way: impl Into<String>) -> Self {
        Self { place: place.into(), why: why.into(), way: way.into() }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}; {}", self.place, self.why, self.way)
    }
}

/// What systems leave in folders by themselves: it is passed over.
pub fn is_litter(path: &str) -> bool {
    let name = path.rsplit('/').next().unwrap_or(path);
    path.split('/').any(|part| part == "__MACOSX")
        || name.starts_with("._")
        || [".DS_Store", "Thumbs.db", "desktop.ini", ".directory"].contains(&name)
}
