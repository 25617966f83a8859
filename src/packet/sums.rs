//! The digests of manifests.
//!
//! Knows their names as RFC 8493, section 2.4, writes them: those that it asks for, and the older ones that bags still carry. Does
//! not know files.

use sha2::Digest as _;

/// A kind of digest.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// RFC 1321; of older bags.
    Md5,
    /// FIPS 180-4; of older bags.
    Sha1,
    /// FIPS 180-4.
    Sha256,
    /// FIPS 180-4.
    Sha512,
}

impl Kind {
    /// Every kind.
    pub const ALL: [Self; 4] = [Self::Md5, Self::Sha1, Self::Sha256, Self::Sha512];

    /// The name as a part of a manifest's name.
    pub fn name(self) -> &'static str {
        match self {
            Self::Md5 => "md5",
            Self::Sha1 => "sha1",
            Self::Sha256 => "sha256",
            Self::Sha512 => "sha512",
        }
    }

    /// How many hexadecimal digits it has.
    pub fn digits(self) -> usize {
        match self {
            Self::Md5 => 32,
            Self::Sha1 => 40,
            Self::Sha256 => 64,
            Self::Sha512 => 128,
        }
    }

    /// The kind of a name.
    pub fn named(name: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|kind| kind.name() == name)
    }

    /// Of bytes in memory, in small hexadecimal digits.
    pub fn of(self, bytes: &[u8]) -> String {
        let mut sums = Sums::new(&[self]);
        sums.update(bytes);
        sums.finish().remove(0).1
    }
}

enum State {
    Md5(md5::Md5),
    Sha1(sha1::Sha1),
    Sha256(sha2::Sha256),
    Sha512(Box<sha2::Sha512>),
}

/// Several digests of one run of bytes.
pub struct Sums(Vec<(Kind, State)>);

impl Sums {
    /// Nothing so far.
    pub fn new(kinds: &[Kind]) -> Self {
        let state = |kind: Kind| match kind {
            Kind::Md5 => State::Md5(Default::default()),
            Kind::Sha1 => State::Sha1(Default::default()),
            Kind::Sha256 => State::Sha256(Default::default()),
            Kind::Sha512 => State::Sha512(Default::default()),
        };
        Self(kinds.iter().map(|&kind| (kind, state(kind))).collect())
    }

    /// More bytes.
    pub fn update(&mut self, bytes: &[u8]) {
        for (_, state) in &mut self.0 {
            match state {
                State::Md5(hasher) => hasher.update(bytes),
                State::Sha1(hasher) => hasher.update(bytes),
                State::Sha256(hasher) => hasher.update(bytes),
                State::Sha512(hasher) => hasher.update(bytes),
            }
        }
    }

    /// The digests in small hexadecimal digits, in the order in which they were asked for.
    pub fn finish(self) -> Vec<(Kind, String)> {
        let digits = |bytes: &[u8]| bytes.iter().map(|byte| format!("{byte:02x}")).collect::<String>();
        let text = |state: State| match state {
            State::Md5(hasher) => digits(&hasher.finalize()),
            State::Sha1(hasher) => digits(&hasher.finalize()),
            State::Sha256(hasher) => digits(&hasher.finalize()),
            State::Sha512(hasher) => digits(&hasher.finalize()),
        };
        self.0.into_iter().map(|(kind, state)| (kind, text(state))).collect()
    }
}
