//! The files that git keeps of a work tree, read from its index.
//!
//! Knows where the index of a work tree lies and its form, versions 2 to 4 (gitformat-index(5)). Starts no program and writes
//! nothing. Does not know what should be kept.

use std::path::{Path, PathBuf};

/// The largest index that is read, in bytes.
const SIZE_LIMIT: u64 = 256 << 20;
/// Bytes of an entry before its object's name.
const STAT: usize = 40;

/// A work tree in which a folder lies.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Tree {
    /// Its topmost folder.
    pub root: PathBuf,
    /// The folder below it, with a `/` after each part; empty at the top.
    pub below: String,
    /// Paths below the top that git keeps, in order.
    pub kept: Vec<String>,
}

impl Tree {
    /// The work tree that a folder lies in; none where there is none, or its index is of a form that is not known.
    pub fn of(folder: &Path) -> Option<Self> {
        let folder = folder.canonicalize().ok()?;
        let root = folder.ancestors().find(|at| at.join(".git").exists())?.to_path_buf();
        let git = git_folder(&root)?;
        let index = git.join("index");
        let size = std::fs::metadata(&index).ok().filter(std::fs::Metadata::is_file)?.len();
        if size > SIZE_LIMIT {
            return None;
        }
        let kept = paths(&std::fs::read(index).ok()?, object_name(&git))?;
        let below = folder.strip_prefix(&root).ok()?.to_str()?;
        let below = if below.is_empty() { String::new() } else { format!("{below}/") };
        Some(Self { root, below, kept })
    }

    /// What git keeps below a folder of the film, or the file itself, as paths below the film's folder.
    pub fn kept_in<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        let of_film = self.kept.iter().filter_map(|path| path.strip_prefix(&*self.below));
        of_film.filter(move |path| {
            path.strip_prefix(name).is_some_and(|rest| rest.is_empty() || rest.starts_with('/'))
        })
    }
}

/// Where git keeps what it knows of a work tree: the folder `.git`, or where the file of that name points.
fn git_folder(root: &Path) -> Option<PathBuf> {
    let at = root.join(".git");
    if at.is_dir() {
        return Some(at);
    }
    let text = std::fs::read_to_string(&at).ok()?;
    Some(root.join(text.strip_prefix("gitdir:")?.trim()))
}

/// Bytes of an object's name: 32 where the repository says so, else 20.
fn object_name(git: &Path) -> usize {
    let common = std::fs::read_to_string(git.join("commondir")).unwrap_or_default();
    let config = std::fs::read_to_string(git.join(common.trim()).join("config")).unwrap_or_default();
    if config.to_ascii_lowercase().replace(' ', "").contains("objectformat=sha256") { 32 } else { 20 }
}

/// The paths of an index; none when it is of another form, or its list is split over several files.
fn paths(bytes: &[u8], name: usize) -> Option<Vec<String>> {
    let number = |at: usize| Some(u32::from_be_bytes(bytes.get(at..at + 4)?.try_into().ok()?));
    let version = number(4)?;
    if !bytes.starts_with(b"DIRC") || !(2..=4).contains(&version) {
        return None;
    }
    let mut all: Vec<String> = Vec::new();
    let (mut at, mut last) = (12, Vec::new());
    for _ in 0..number(8)? {
        let flags_at = at + STAT + name;
        let flags = u16::from_be_bytes(bytes.get(flags_at..flags_at + 2)?.try_into().ok()?);
        let is_long = version > 2 && flags & 0x4000 != 0;
        let mut path_at = flags_at + if is_long { 4 } else { 2 };
        if version == 4 {
            // A path says how many bytes of the one before it end, and what comes in their place.
            let (cut, read) = varint(bytes.get(path_at..)?)?;
            path_at += read;
            last.truncate(last.len().checked_sub(cut)?);
        } else {
            last.clear();
        }
        let long = bytes.get(path_at..)?.iter().position(|&byte| byte == 0)?;
        last.extend_from_slice(&bytes[path_at..path_at + long]);
        let end = path_at + long;
        // Entries of earlier versions are filled up to whole eights with one zero at least.
        at = if version == 4 { end + 1 } else { at + ((end - at) / 8 + 1) * 8 };
        all.push(String::from_utf8_lossy(&last).into_owned());
    }
    let is_split = bytes.get(at..at + 4).is_some_and(|word| word == b"link");
    // A file in a conflict stands there once for each side.
    all.dedup();
    (!is_split).then_some(all)
}

/// A number of git's packs: seven bits a byte, the highest first, one added at each further byte. And how many bytes it took.
fn varint(bytes: &[u8]) -> Option<(usize, usize)> {
    let mut value = 0usize;
    for (at, &byte) in bytes.iter().take(9).enumerate() {
        value = value.checked_mul(128)?.checked_add(usize::from(byte & 0x7f))?;
        if byte & 0x80 == 0 {
            return Some((value, at + 1));
        }
        value += 1;
    }
    None
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// An index of version 2 with these paths.
    fn index(all: &[&str]) -> Vec<u8> {
        let mut bytes = b"DIRC\0\0\0\x02".to_vec();
        bytes.extend((all.len() as u32).to_be_bytes());
        for path in all {
            let begin = bytes.len();
            bytes.extend([7; STAT + 20]);
            bytes.extend((path.len() as u16).to_be_bytes());
            bytes.extend(path.as_bytes());
            bytes.push(0);
            while !(bytes.len() - begin).is_multiple_of(8) {
                bytes.push(0);
            }
        }
        bytes
    }

    #[test]
    fn paths_are_read_and_other_forms_are_left() {
        let all = ["endboard.yaml", "ledger/ana.jsonl", "ledger/tomas@shed.jsonl"];
        let mut bytes = index(&all);
        assert_eq!(paths(&bytes, 20).unwrap(), all);
        bytes.extend(b"link");
        assert_eq!(paths(&bytes, 20), None);
        assert_eq!(paths(b"DIRC\0\0\0\x09\0\0\0\0", 20), None);
        assert_eq!(varint(&[0x80, 0x00]), Some((128, 2)));
    }

    proptest! {
        #[test]
        fn no_bytes_panic(mut bytes in proptest::collection::vec(any::<u8>(), 0..300), version in 2u8..5) {
            paths(&bytes, 20);
            let head = [b'D', b'I', b'R', b'C', 0, 0, 0, version];
            bytes.splice(0..bytes.len().min(8), head);
            paths(&bytes, 32);
        }
    }
}
