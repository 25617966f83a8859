//! Content digests and the stable, field-by-field hasher behind every key.
//!
//! Knows BLAKE3 and how fields are framed so that no two different field lists can
//! feed the same bytes. Does not know what a key is made of; `stale` decides that.

use std::fmt;
use std::str::FromStr;

/// A 256-bit BLAKE3 digest.
#[derive(Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Digest(pub [u8; 32]);

impl Digest {
    /// Digest of a byte string.
    pub fn of(bytes: &[u8]) -> Self {
        Digest(*blake3::hash(bytes).as_bytes())
    }

    /// First eight hexadecimal digits, for people.
    pub fn short(&self) -> String {
        self.to_string()[..8].to_string()
    }
}

impl fmt::Display for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for byte in self.0 {
            write!(f, "{byte:02x}")?;
        }
        Ok(())
    }
}

impl fmt::Debug for Digest {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Digest({})", self.short())
    }
}

/// The text was not 64 hexadecimal digits.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("a digest is 64 hexadecimal digits")]
pub struct NotADigest;

impl FromStr for Digest {
    type Err = NotADigest;

    fn from_str(text: &str) -> Result<Self, NotADigest> {
        let bytes = text.as_bytes();
        if bytes.len() != 64 {
            return Err(NotADigest);
        }
        let mut out = [0u8; 32];
        for (slot, pair) in out.iter_mut().zip(bytes.chunks_exact(2)) {
            let hi = (pair[0] as char).to_digit(16).ok_or(NotADigest)?;
            let lo = (pair[1] as char).to_digit(16).ok_or(NotADigest)?;
            *slot = (hi * 16 + lo) as u8;
        }
        Ok(Digest(out))
    }
}

/// Feeds typed fields into BLAKE3. Every field carries a type byte and, where its
/// length can vary, a length, so `("ab","c")` and `("a","bc")` never meet.
#[derive(Clone, Default)]
pub struct KeyHasher {
    hasher: blake3::Hasher,
}

impl KeyHasher {
    /// A hasher with nothing in it.
    pub fn new() -> Self {
        Self::default()
    }

    /// A length-prefixed text field.
    pub fn text(&mut self, text: &str) -> &mut Self {
        self.field(b't', text.as_bytes())
    }

    /// A length-prefixed byte field.
    pub fn bytes(&mut self, bytes: &[u8]) -> &mut Self {
        self.field(b'b', bytes)
    }

    /// A whole number.
    pub fn int(&mut self, value: i64) -> &mut Self {
        self.fixed(b'i', value.to_le_bytes())
    }

    /// A real number, by its bits; negative zero counts as zero and every NaN as one NaN.
    pub fn real(&mut self, value: f64) -> &mut Self {
        let value = if value == 0.0 {
            0.0
        } else if value.is_nan() {
            f64::NAN
        } else {
            value
        };
        self.fixed(b'r', value.to_bits().to_le_bytes())
    }

    /// A yes or no.
    pub fn flag(&mut self, value: bool) -> &mut Self {
        self.fixed(b'f', [u8::from(value)])
    }

    /// A digest.
    pub fn digest(&mut self, digest: &Digest) -> &mut Self {
        self.fixed(b'd', digest.0)
    }

    /// The length of a list whose items follow as fields.
    pub fn list(&mut self, len: usize) -> &mut Self {
        self.fixed(b'l', (len as u64).to_le_bytes())
    }

    /// The digest of all fields so far.
    pub fn finish(&self) -> Digest {
        Digest(*self.hasher.finalize().as_bytes())
    }

    fn field(&mut self, kind: u8, bytes: &[u8]) -> &mut Self {
        self.fixed(kind, (bytes.len() as u64).to_le_bytes());
        self.hasher.update(bytes);
        self
    }

    fn fixed<const N: usize>(&mut self, kind: u8, bytes: [u8; N]) -> &mut Self {
        self.hasher.update(&[kind]);
        self.hasher.update(&bytes);
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fields_are_framed() {
        let mut a = KeyHasher::new();
        a.text("ab").text("c");
        let mut b = KeyHasher::new();
        b.text("a").text("bc");
        assert_ne!(a.finish(), b.finish());
    }

    #[test]
    fn zero_has_one_sign() {
        let mut a = KeyHasher::new();
        a.real(0.0);
        let mut b = KeyHasher::new();
        b.real(-0.0);
        assert_eq!(a.finish(), b.finish());
    }

    #[test]
    fn hex_round_trips() {
        let digest = Digest::of(b"abc");
        assert_eq!(digest.to_string().parse(), Ok(digest));
        assert_eq!("12".parse::<Digest>(), Err(NotADigest));
        assert_eq!("€".repeat(22).parse::<Digest>(), Err(NotADigest));
    }

    /// First bytes of the official BLAKE3 vector for empty input (BLAKE3 test_vectors.json).
    #[test]
    fn digest_is_blake3() {
        assert_eq!(Digest::of(b"").short(), "af1349b9");
    }
}
