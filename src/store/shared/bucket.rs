//! What a shared store must be able to do: named objects, sent, fetched, listed and removed.
//!
//! Knows what may go wrong with them, and that what is sent is bytes in memory or a file. Does not know any service, and waits for no
//! network itself.

use std::path::{Path, PathBuf};

use super::incoming::Incoming;
use super::outgoing::Outgoing;
use crate::base::digest::Digest;

/// What is larger goes in parts of so many bytes, all but the last, as services want it.
pub const PART: usize = 8 << 20;
/// The largest object that is fetched, in bytes: nothing that a film's frame comes to, so that a wrong one cannot fill memory.
pub const LARGEST: u64 = 1 << 30;

/// One object, by what a list says of it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Held {
    /// Its name, below the store's own prefix.
    pub name: String,
    /// Bytes.
    pub size: u64,
    /// When it was sent, by the clock of the service, in seconds since 1970.
    pub sent: i64,
}

/// Why a bucket did not do as it was asked. No text of these ever holds what a key or password says.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BucketError {
    /// It cannot be reached, or does not answer in time.
    #[error("it cannot be reached: {0}")]
    Away(String),
    /// It is not allowed.
    #[error("it is refused: {0}")]
    Refused(String),
    /// Who asks, when, or where is wrong: nothing goes either way before a person puts that right.
    #[error("it is refused: {0}")]
    Wrong(String),
    /// The service says that it cannot, such as when its disk is full.
    #[error("{0}")]
    Failed(String),
    /// An object is larger than what was to be taken of it.
    #[error("{name} is too large")]
    TooLarge {
        /// Its name.
        name: String,
        /// Its bytes, as far as they are known.
        size: u64,
    },
    /// What answers there is no object store.
    #[error("{0}")]
    NoStore(String),
    /// A file of this machine cannot be read, written or trusted to be the same, in words that name it.
    #[error("{0}")]
    Here(String),
    /// This machine's disk has no room for what would be fetched.
    #[error("{}: there is no room for {size} bytes", place.display())]
    NoRoom {
        /// Where it was to lie.
        place: PathBuf,
        /// Its bytes.
        size: u64,
    },
    /// The run was told to end meanwhile.
    #[error("the run was stopped")]
    Stopped,
}

/// What may be done with a link.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Does {
    /// Fetch the object.
    Fetch,
    /// Put one in its place.
    Put,
}

/// What is sent.
pub enum Source<'a> {
    /// Bytes in memory.
    Bytes(Vec<u8>),
    /// A file, of which a part at a time is in memory.
    File(&'a Outgoing<'a>),
}

impl From<Vec<u8>> for Source<'_> {
    fn from(bytes: Vec<u8>) -> Self {
        Self::Bytes(bytes)
    }
}

impl Source<'_> {
    /// Its bytes.
    pub fn size(&self) -> u64 {
        match self {
            Self::Bytes(bytes) => bytes.len() as u64,
            Self::File(file) => file.size(),
        }
    }

    /// Digest of its bytes.
    pub fn digest(&self) -> Digest {
        match self {
            Self::Bytes(bytes) => Digest::of(bytes),
            Self::File(file) => file.digest(),
        }
    }

    /// How many parts of [`PART`] bytes it has.
    pub fn parts(&self) -> usize {
        self.size().div_ceil(PART as u64) as usize
    }

    /// One of its parts.
    ///
    /// # Errors
    /// The file cannot be read, or is another one by now.
    pub fn part(&self, n: usize) -> Result<Vec<u8>, BucketError> {
        match self {
            Self::Bytes(bytes) => {
                let from = (n * PART).min(bytes.len());
                Ok(bytes[from..bytes.len().min(from + PART)].to_vec())
            }
            Self::File(file) => file.part(n),
        }
    }

    /// All of it.
    ///
    /// # Errors
    /// As for [`Source::part`].
    pub fn whole(self) -> Result<Vec<u8>, BucketError> {
        match self {
            Self::Bytes(bytes) => Ok(bytes),
            Self::File(file) => (0..file.parts()).try_fold(Vec::new(), |mut all, n| {
                all.extend(file.part(n)?);
                Ok(all)
            }),
        }
    }
}

/// Named objects somewhere else. Calls wait until it is done, but not for ever, and end soon once the run is to end.
pub trait Bucket: Send + Sync {
    /// Where it is: the same for the same objects only.
    fn place(&self) -> &str;

    /// What there is of this name.
    ///
    /// # Errors
    /// As for all of these: it cannot be reached, or refuses.
    fn has(&self, name: &str) -> Result<Option<Held>, BucketError>;

    /// All bytes of an object, nothing where there is none; of one larger than `most` [`BucketError::TooLarge`].
    ///
    /// # Errors
    /// As for [`Bucket::has`].
    fn fetch(&self, name: &str, most: u64) -> Result<Option<Vec<u8>>, BucketError>;

    /// Writes an object into a file piece by piece, and says whether there is one; of one larger than `most` [`BucketError::TooLarge`].
    /// Where the way breaks it is gone on from there, as long as it is the same object. After an error, what was written is of no use.
    ///
    /// # Errors
    /// As for [`Bucket::has`], and where the disk refuses.
    fn fetch_into(&self, name: &str, most: u64, into: &mut Incoming<'_>) -> Result<bool, BucketError>;

    /// Sends an object, whole or not at all, in place of what has its name. A large one goes in parts; how far it came stands in
    /// the file `memo`, so that another process can go on from there if it sends the same bytes.
    ///
    /// # Errors
    /// As for [`Bucket::has`], and where the file that is sent cannot be read or changes.
    fn send(&self, name: &str, what: Source<'_>, memo: Option<&Path>) -> Result<(), BucketError>;

    /// Calls `each` with every object under a name, in no certain order, until it says false.
    ///
    /// # Errors
    /// As for [`Bucket::has`].
    fn list(&self, under: &str, each: &mut dyn FnMut(Held) -> bool) -> Result<(), BucketError>;

    /// Removes objects; of one that is not there nothing is said.
    ///
    /// # Errors
    /// As for [`Bucket::has`].
    fn remove(&self, names: &[String]) -> Result<(), BucketError>;

    /// A link by which whoever has it may do so with the object for so many days, where the service has such links.
    ///
    /// # Errors
    /// As for [`Bucket::has`].
    fn link(&self, name: &str, does: Does, days: u32) -> Result<Option<String>, BucketError>;
}
