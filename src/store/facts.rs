//! What is known of source files without reading them again: their stat and the digest of their bytes.
//!
//! Trusts a digest only when size, times, inode and device are the same and the file was already quiet
//! when it was read. Does not touch the disk beyond its own file; `observe` looks at sources.

use std::collections::HashMap;

use super::record::{self, Take};
use super::{Store, StoreError};
use crate::base::digest::Digest;

/// What the file system says of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stat {
    /// Bytes.
    pub size: u64,
    /// Modification time, nanoseconds.
    pub modified: i64,
    /// Change time, nanoseconds; cannot be set back by a program.
    pub changed: i64,
    /// Inode.
    pub inode: u64,
    /// Device.
    pub device: u64,
}

impl Stat {
    /// False when the file changed so shortly before `now` (nanoseconds) that another edit within the same
    /// clock tick could not be told from this one. Whole seconds point to a coarse clock.
    pub fn is_quiet(&self, now: i64) -> bool {
        let latest = self.modified.max(self.changed);
        let coarse = self.modified % 1_000_000_000 == 0;
        let margin = if coarse { 2_000_000_000 } else { 50_000_000 };
        now - latest > margin
    }

    /// Puts its bytes at the end of `out`.
    pub fn put(&self, out: &mut Vec<u8>) {
        for n in [self.size as i64, self.modified, self.changed, self.inode as i64, self.device as i64] {
            out.extend_from_slice(&n.to_le_bytes());
        }
    }

    /// Takes what [`Stat::put`] put.
    pub fn take(take: &mut Take<'_>) -> Option<Self> {
        Some(Self {
            size: take.int()? as u64,
            modified: take.int()?,
            changed: take.int()?,
            inode: take.int()? as u64,
            device: take.int()? as u64,
        })
    }
}

/// What is known of one file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Fact {
    /// Its stat when it was read.
    pub stat: Stat,
    /// True when it was quiet then, so that an equal stat means equal bytes.
    pub trusted: bool,
    /// Digest of its bytes.
    pub digest: Digest,
    /// Width and height in pixels, 0 when they could not be read.
    pub size: (u32, u32),
}

/// Facts by source name and frame.
#[derive(Debug, Default, Clone)]
pub struct Facts {
    by_source: HashMap<String, Known>,
    learnt: usize,
}

/// What is known of one source's files.
#[derive(Debug, Default, Clone)]
pub struct Known {
    /// Where they lay when they were last looked at, as a pattern; empty when nobody said so.
    pub files: String,
    /// Facts, frames rising.
    pub facts: Vec<(i64, Fact)>,
}

/// The first record of the file.
const FORMAT: &[u8] = b"facts 2";

impl Facts {
    /// Reads them; a damaged file counts as empty from there on.
    pub fn load(store: &Store) -> Self {
        let mut facts = Facts::default();
        if let Ok(Some(bytes)) = super::file::read(&store.path("facts")) {
            let mut is_known = false;
            record::each(&bytes, |at, body| {
                is_known |= at == 0 && body == FORMAT;
                if is_known && at > 0 {
                    facts.take(body);
                }
            });
        }
        facts
    }

    /// What is known of a frame's file.
    pub fn get(&self, source: &str, frame: i64) -> Option<&Fact> {
        known(&self.of(source)?.facts, frame)
    }

    /// How many facts were ever learnt by this value; changes with every [`Facts::put`].
    pub fn count(&self) -> usize {
        self.learnt
    }

    /// All of one source.
    pub fn of(&self, source: &str) -> Option<&Known> {
        self.by_source.get(source)
    }

    /// All sources with their names.
    pub fn sources(&self) -> impl Iterator<Item = (&String, &Known)> {
        self.by_source.iter()
    }

    /// Learns a fact of a file that lies where the pattern `files` says.
    pub fn put(&mut self, source: &str, files: &str, frame: i64, fact: Fact) {
        self.learnt += 1;
        let known = self.by_source.entry(source.to_string()).or_default();
        if known.files != files {
            known.files = files.to_string();
        }
        let facts = &mut known.facts;
        match facts.binary_search_by_key(&frame, |(n, _)| *n) {
            Ok(at) => facts[at].1 = fact,
            Err(at) => facts.insert(at, (frame, fact)),
        }
    }

    /// Writes them.
    pub fn save(&self, store: &Store) -> Result<(), StoreError> {
        let mut out = Vec::new();
        record::frame(&mut out, FORMAT);
        let mut names: Vec<_> = self.by_source.keys().collect();
        names.sort();
        for name in names {
            let known = &self.by_source[name];
            let mut body = Vec::with_capacity(known.facts.len() * 89 + 128);
            record::put_text(&mut body, name);
            record::put_text(&mut body, &known.files);
            for (frame, fact) in &known.facts {
                body.extend_from_slice(&frame.to_le_bytes());
                fact.stat.put(&mut body);
                body.push(u8::from(fact.trusted));
                body.extend_from_slice(&fact.digest.0);
                body.extend_from_slice(
                    &(i64::from(fact.size.0) << 32 | i64::from(fact.size.1)).to_le_bytes(),
                );
            }
            record::frame(&mut out, &body);
        }
        super::write_own(&store.path("facts"), &out)
    }

    fn take(&mut self, body: &[u8]) -> Option<()> {
        let mut take = Take(body);
        let (name, files) = (take.text()?.to_string(), take.text()?.to_string());
        let mut facts = Vec::with_capacity(take.0.len() / 89);
        while !take.0.is_empty() {
            let frame = take.int()?;
            let stat = Stat::take(&mut take)?;
            let (trusted, digest, size) = (take.byte()? == 1, take.digest()?, take.int()?);
            facts.push((frame, Fact { stat, trusted, digest, size: ((size >> 32) as u32, size as u32) }));
        }
        facts.sort_unstable_by_key(|(frame, _)| *frame);
        self.by_source.insert(name, Known { files, facts });
        Some(())
    }
}

/// What there is of a frame among what there is of its source, frames rising.
pub fn known<T>(facts: &[(i64, T)], frame: i64) -> Option<&T> {
    // Most sources are known without a gap, so that the place follows from the first frame.
    let first = facts.first()?.0;
    let guess = usize::try_from(frame.checked_sub(first)?).ok()?;
    if let Some((n, fact)) = facts.get(guess)
        && *n == frame
    {
        return Some(fact);
    }
    facts.binary_search_by_key(&frame, |(n, _)| *n).ok().map(|at| &facts[at].1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn facts_come_back_and_young_files_are_not_trusted() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        let stat =
            Stat { size: 9, modified: 1_000_000_001, changed: 2_000_000_001, inode: 7, device: u64::MAX };
        let fact = Fact { stat, trusted: true, digest: Digest::of(b"x"), size: (960, 540) };
        let mut facts = Facts::default();
        facts.put("shed-a", "plates/shed-a.####.exr", 1001, fact);
        facts.save(&store).unwrap();
        let again = Facts::load(&store);
        assert_eq!(again.get("shed-a", 1001), Some(&fact));
        assert_eq!(again.of("shed-a").unwrap().files, "plates/shed-a.####.exr");
        assert!(!stat.is_quiet(2_000_000_001) && stat.is_quiet(2_100_000_001));
        let coarse = Stat { modified: 2_000_000_000, ..stat };
        assert!(!coarse.is_quiet(3_900_000_000));
    }
}
