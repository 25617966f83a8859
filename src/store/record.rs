//! Framed binary records in append-only files: length, check sum, bytes.
//!
//! Knows how to find whole records and to stop at a torn one. Does not know what they hold.

use std::fs::File;
use std::io::{self, ErrorKind};
use std::os::unix::fs::FileExt;

use crate::base::digest::Digest;

/// Puts one framed record at the end of `out`.
pub fn frame(out: &mut Vec<u8>, body: &[u8]) {
    out.extend_from_slice(&(body.len() as u32).to_le_bytes());
    out.extend_from_slice(&crc32fast::hash(body).to_le_bytes());
    out.extend_from_slice(body);
}

/// Bytes in front of a record's own.
pub const HEAD: usize = 8;

/// Calls `visit` with each whole record and where it begins; gives where the last of them ends. What follows is torn.
/// A record whose bytes changed since is left out, and the next one is looked for where it should end.
pub fn each<'b>(bytes: &'b [u8], mut visit: impl FnMut(usize, &'b [u8])) -> usize {
    let (mut at, mut sound) = (0, 0);
    while let Some(head) = bytes.get(at..at + HEAD) {
        let len = u32::from_le_bytes([head[0], head[1], head[2], head[3]]) as usize;
        let sum = u32::from_le_bytes([head[4], head[5], head[6], head[7]]);
        let Some(body) = bytes.get(at + HEAD..(at + HEAD).saturating_add(len)) else { break };
        let begin = at;
        at += HEAD + len;
        if crc32fast::hash(body) == sum {
            visit(begin, body);
            sound = at;
        }
    }
    sound
}

/// One record of a file.
pub struct Record {
    /// Its bytes.
    pub body: Vec<u8>,
    /// Where the next one begins, in bytes from the start of the file.
    pub end: u64,
}

/// The whole record that begins at `at` in a file of `size` bytes; nothing where there is none.
///
/// # Errors
/// The system does not give the bytes, so that nothing can be said of them.
pub fn at(file: &File, at: u64, size: u64) -> io::Result<Option<Record>> {
    let Some(end) = outline(file, at, size)? else { return Ok(None) };
    let mut body = vec![0; (end - at - 8) as usize];
    let mut sum = [0; 4];
    let is_read = fill(file, &mut body, at + 8)? && fill(file, &mut sum, at + 4)?;
    let is_whole = is_read && crc32fast::hash(&body) == u32::from_le_bytes(sum);
    Ok(is_whole.then_some(Record { body, end }))
}

/// Where the record that begins at `at` ends, unless that lies outside of the file's `size` bytes.
///
/// # Errors
/// As for [`at`].
pub fn outline(file: &File, at: u64, size: u64) -> io::Result<Option<u64>> {
    let mut len = [0; 4];
    let is_read = fill(file, &mut len, at)?;
    let end = at.checked_add(8).and_then(|body| body.checked_add(u64::from(u32::from_le_bytes(len))));
    Ok(end.filter(|&end| is_read && end <= size))
}

/// Fills `bytes` from `at` on; false when the file ends before.
///
/// # Errors
/// As for [`at`].
pub fn fill(file: &File, bytes: &mut [u8], at: u64) -> io::Result<bool> {
    match file.read_exact_at(bytes, at) {
        Err(error) if error.kind() == ErrorKind::UnexpectedEof => Ok(false),
        read => read.map(|()| true),
    }
}

/// Reads fields from a record's bytes; every read may run out.
pub struct Take<'b>(pub &'b [u8]);

impl<'b> Take<'b> {
    /// The next `n` bytes.
    pub fn bytes(&mut self, n: usize) -> Option<&'b [u8]> {
        let (head, tail) = self.0.split_at_checked(n)?;
        self.0 = tail;
        Some(head)
    }

    /// A digest.
    pub fn digest(&mut self) -> Option<Digest> {
        self.bytes(32).map(|b| Digest(b.try_into().expect("32 bytes")))
    }

    /// A 64-bit number.
    pub fn int(&mut self) -> Option<i64> {
        self.bytes(8).map(|b| i64::from_le_bytes(b.try_into().expect("8 bytes")))
    }

    /// A byte.
    pub fn byte(&mut self) -> Option<u8> {
        self.bytes(1).map(|b| b[0])
    }

    /// Text with a two-byte length.
    pub fn text(&mut self) -> Option<&'b str> {
        let len = self.bytes(2)?;
        let len = usize::from(u16::from_le_bytes([len[0], len[1]]));
        std::str::from_utf8(self.bytes(len)?).ok()
    }
}

/// Puts text with a two-byte length, cut at 60,000 bytes.
pub fn put_text(out: &mut Vec<u8>, text: &str) {
    let mut end = text.len().min(60_000);
    while !text.is_char_boundary(end) {
        end -= 1;
    }
    out.extend_from_slice(&(end as u16).to_le_bytes());
    out.extend_from_slice(&text.as_bytes()[..end]);
}

#[cfg(test)]
mod tests {
    use super::*;

    proptest::proptest! {
        #[test]
        fn a_torn_end_loses_only_itself(bodies in proptest::collection::vec(proptest::collection::vec(0u8..255, 0..40), 1..8), cut in 1usize..8) {
            let mut out = Vec::new();
            for body in &bodies {
                frame(&mut out, body);
            }
            let last = bodies.last().unwrap().len() + 8;
            let torn = &out[..out.len() - cut.min(last)];
            let mut read = Vec::new();
            let sound = each(torn, |_, body| read.push(body.to_vec()));
            proptest::prop_assert_eq!(&read[..], &bodies[..bodies.len() - 1]);
            proptest::prop_assert_eq!(sound, out.len() - last);
        }

        #[test]
        fn a_changed_bit_loses_one_record(bodies in proptest::collection::vec(proptest::collection::vec(0u8..255, 1..40), 1..8), pick in 0usize..8, bit in 0usize..8) {
            let mut out = Vec::new();
            let pick = pick % bodies.len();
            for (n, body) in bodies.iter().enumerate() {
                frame(&mut out, body);
                if n == pick {
                    *out.last_mut().unwrap() ^= 1 << bit;
                }
            }
            let mut read = Vec::new();
            each(&out, |_, body| read.push(body.to_vec()));
            let mut left = bodies.clone();
            left.remove(pick);
            proptest::prop_assert_eq!(read, left);
        }

        #[test]
        fn no_bytes_make_it_panic(bytes in proptest::collection::vec(0u8..=255, 0..200)) {
            each(&bytes, |_, body| {
                let mut take = Take(body);
                let _ = (take.text(), take.digest(), take.int(), take.byte());
            });
        }
    }
}
