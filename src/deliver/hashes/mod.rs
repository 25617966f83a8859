//! Digests of files as ASC MHL names them, several in one pass over a file, and files side by side.
//!
//! Knows bytes only. Does not know what a digest is compared with. `tests/integrity_checks.rs` holds the values.

pub mod c4;

use std::fmt;
use std::io::{self, Read};
use std::path::{Path, PathBuf};
use std::str::FromStr;

use rayon::prelude::*;
use sha1::Digest as _;
use xxhash_rust::xxh3::Xxh3;
use xxhash_rust::xxh64::Xxh64;

/// Bytes that are read at once.
const PART: usize = 1 << 20;

/// A kind of digest, in the alphabetical order in which a manifest lists them.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// An identifier by SMPTE ST 2114:2017, made of SHA-512.
    C4,
    /// RFC 1321; it finds accidents, not malice.
    Md5,
    /// FIPS 180-4; it finds accidents, not malice.
    Sha1,
    /// XXH3 with 128 bits.
    Xxh128,
    /// XXH3 with 64 bits.
    Xxh3,
    /// XXH64.
    Xxh64,
}

impl Kind {
    /// All kinds.
    pub const ALL: [Self; 6] = [Self::C4, Self::Md5, Self::Sha1, Self::Xxh128, Self::Xxh3, Self::Xxh64];

    /// The element's name in a manifest.
    pub fn name(self) -> &'static str {
        match self {
            Self::C4 => "c4",
            Self::Md5 => "md5",
            Self::Sha1 => "sha1",
            Self::Xxh128 => "xxh128",
            Self::Xxh3 => "xxh3",
            Self::Xxh64 => "xxh64",
        }
    }

    /// Bytes of a digest.
    pub fn size(self) -> usize {
        match self {
            Self::C4 => 64,
            Self::Md5 | Self::Xxh128 => 16,
            Self::Sha1 => 20,
            Self::Xxh3 | Self::Xxh64 => 8,
        }
    }

    /// Of bytes in memory.
    pub fn of(self, bytes: &[u8]) -> Hash {
        let mut hasher = Hasher::new(&[self]);
        hasher.update(bytes);
        hasher.finish().remove(0)
    }
}

impl fmt::Display for Kind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// No kind of digest.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("a digest is one of c4, md5, sha1, xxh128, xxh3 and xxh64")]
pub struct BadKind;

impl FromStr for Kind {
    type Err = BadKind;

    fn from_str(text: &str) -> Result<Self, BadKind> {
        Self::ALL.into_iter().find(|kind| kind.name() == text).ok_or(BadKind)
    }
}

/// A digest with its kind.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Hash {
    /// Which.
    pub kind: Kind,
    /// Most significant byte first; of a C4 identifier the SHA-512 inside it.
    pub bytes: Vec<u8>,
}

impl Hash {
    /// Reads a digest as [`fmt::Display`] writes it, hexadecimal digits in small or capital letters.
    pub fn parse(kind: Kind, text: &str) -> Option<Self> {
        if kind == Kind::C4 {
            return c4::parse(text).map(|bytes| Self { kind, bytes: bytes.to_vec() });
        }
        if text.len() != 2 * kind.size() || !text.bytes().all(|b| b.is_ascii_hexdigit()) {
            return None;
        }
        let byte = |at: usize| u8::from_str_radix(&text[at..at + 2], 16).ok();
        let bytes = (0..text.len()).step_by(2).map(byte).collect::<Option<Vec<u8>>>()?;
        Some(Self { kind, bytes })
    }
}

impl fmt::Display for Hash {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if self.kind == Kind::C4 {
            return f.write_str(&c4::identifier(&self.bytes));
        }
        self.bytes.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

enum State {
    C4(Box<sha2::Sha512>),
    Md5(md5::Md5),
    Sha1(sha1::Sha1),
    Xxh128(Box<Xxh3>),
    Xxh3(Box<Xxh3>),
    Xxh64(Xxh64),
}

/// Several digests of one run of bytes.
pub struct Hasher(Vec<State>);

impl Hasher {
    /// Nothing so far.
    pub fn new(kinds: &[Kind]) -> Self {
        let state = |kind: &Kind| match kind {
            Kind::C4 => State::C4(Box::default()),
            Kind::Md5 => State::Md5(md5::Md5::new()),
            Kind::Sha1 => State::Sha1(sha1::Sha1::new()),
            Kind::Xxh128 => State::Xxh128(Box::default()),
            Kind::Xxh3 => State::Xxh3(Box::default()),
            Kind::Xxh64 => State::Xxh64(Xxh64::new(0)),
        };
        Self(kinds.iter().map(state).collect())
    }

    /// More bytes.
    pub fn update(&mut self, bytes: &[u8]) {
        for state in &mut self.0 {
            match state {
                State::C4(hasher) => hasher.update(bytes),
                State::Md5(hasher) => hasher.update(bytes),
                State::Sha1(hasher) => hasher.update(bytes),
                State::Xxh128(hasher) | State::Xxh3(hasher) => hasher.update(bytes),
                State::Xxh64(hasher) => hasher.update(bytes),
            }
        }
    }

    /// The digests, in the order in which they were asked for.
    pub fn finish(self) -> Vec<Hash> {
        let hash = |state: State| match state {
            State::C4(hasher) => Hash { kind: Kind::C4, bytes: hasher.finalize().to_vec() },
            State::Md5(hasher) => Hash { kind: Kind::Md5, bytes: hasher.finalize().to_vec() },
            State::Sha1(hasher) => Hash { kind: Kind::Sha1, bytes: hasher.finalize().to_vec() },
            State::Xxh128(hasher) => {
                Hash { kind: Kind::Xxh128, bytes: hasher.digest128().to_be_bytes().to_vec() }
            }
            State::Xxh3(hasher) => Hash { kind: Kind::Xxh3, bytes: hasher.digest().to_be_bytes().to_vec() },
            State::Xxh64(hasher) => Hash { kind: Kind::Xxh64, bytes: hasher.digest().to_be_bytes().to_vec() },
        };
        self.0.into_iter().map(hash).collect()
    }
}

/// What was read of a file.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Hashed {
    /// Bytes.
    pub size: u64,
    /// In the order in which they were asked for.
    pub hashes: Vec<Hash>,
}

/// Digests of all that a reader gives, read once, in parts.
///
/// # Errors
/// When it cannot be read to its end.
pub fn of_reader(mut reader: impl Read, kinds: &[Kind]) -> io::Result<Hashed> {
    let (mut hasher, mut part, mut size) = (Hasher::new(kinds), vec![0; PART], 0);
    loop {
        match reader.read(&mut part) {
            Ok(0) => return Ok(Hashed { size, hashes: hasher.finish() }),
            Ok(count) => {
                hasher.update(&part[..count]);
                size += count as u64;
            }
            Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
            Err(error) => return Err(error),
        }
    }
}

/// Digests of one file. A link is not followed.
///
/// # Errors
/// When it is no regular file or cannot be read to its end.
pub fn of_file(path: &Path, kinds: &[Kind]) -> io::Result<Hashed> {
    use std::os::unix::fs::OpenOptionsExt;
    // Without waiting, lest a pipe that was put in the file's place holds the reader for ever.
    let flags = libc::O_NOFOLLOW | libc::O_NONBLOCK | libc::O_CLOEXEC;
    let file = std::fs::OpenOptions::new().read(true).custom_flags(flags).open(path)?;
    if !file.metadata()?.is_file() {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "it is no regular file"));
    }
    of_reader(file, kinds)
}

/// Digests of many files, several at once, each in the order given.
pub fn of_files(paths: &[(PathBuf, Vec<Kind>)]) -> Vec<io::Result<Hashed>> {
    paths.par_iter().map(|(path, kinds)| of_file(path, kinds)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn what_is_no_regular_file_is_not_read() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("slate.txt");
        std::fs::write(&file, "abc").unwrap();
        let link = folder.path().join("link");
        std::os::unix::fs::symlink(&file, &link).unwrap();
        assert!(of_file(&link, &[Kind::Md5]).is_err());
        assert!(of_file(folder.path(), &[Kind::Md5]).is_err());
        let pipe = folder.path().join("pipe");
        assert!(std::process::Command::new("mkfifo").arg(&pipe).status().unwrap().success());
        assert!(of_file(&pipe, &[Kind::Md5]).is_err());
        let all = of_files(&[(file, vec![Kind::Sha1, Kind::Md5]), (link, vec![Kind::Md5])]);
        let kinds: Vec<Kind> = all[0].as_ref().unwrap().hashes.iter().map(|hash| hash.kind).collect();
        assert_eq!(kinds, [Kind::Sha1, Kind::Md5]);
        assert!(all[1].is_err());
    }

    #[test]
    fn other_texts_are_no_digests() {
        for text in [
            "",
            "900150983cd24fb0d6963f7d28e17f7",
            "900150983cd24fb0d6963f7d28e17f7g",
            "é0150983cd24fb0d6963f7d28e17f72",
        ] {
            assert_eq!(Hash::parse(Kind::Md5, text), None, "{text}");
        }
        assert!("xxh32".parse::<Kind>().is_err());
    }

    proptest! {
        #[test]
        fn digests_are_read_as_they_are_written(bytes: Vec<u8>) {
            for kind in Kind::ALL {
                let hash = kind.of(&bytes);
                prop_assert_eq!(hash.bytes.len(), kind.size());
                prop_assert_eq!(Hash::parse(kind, &hash.to_string()), Some(hash));
            }
        }

        #[test]
        fn parts_make_no_difference(bytes: Vec<u8>, at in 0usize..100) {
            let at = at.min(bytes.len());
            let mut hasher = Hasher::new(&Kind::ALL);
            hasher.update(&bytes[..at]);
            hasher.update(&bytes[at..]);
            prop_assert_eq!(hasher.finish(), Kind::ALL.map(|kind| kind.of(&bytes)).to_vec());
        }
    }
}
