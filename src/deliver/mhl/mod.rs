//! ASC MHL version 2: what files a folder holds and by which digests, told anew with every delivery into it.
//!
//! Knows manifests and their chain as plain values, and which names can be listed. `write` and `read` know the XML, `tree` the
//! disk, `history` how one generation follows another. Histories of folders within the folder are not joined to its own: their
//! files are passed over. By the ASC's published schema and description of version 2.0; `tests/mhl.rs` and
//! `tests/mhl_outside.rs` hold it against both.

pub mod history;
pub mod ignore;
pub mod read;
pub mod tree;
pub mod write;

use jiff::Timestamp;

use crate::deliver::hashes::Hash;

/// The folder that holds manifests, at the root of what they list.
pub const FOLDER: &str = "ascmhl";
/// The file in it that names them in their order.
pub const CHAIN: &str = "ascmhl_chain.xml";
/// The largest manifest or chain that is read, in bytes.
pub const SIZE_LIMIT: u64 = 512 << 20;
/// The longest path that is listed, in bytes, which is what Linux takes.
pub const PATH_LIMIT: usize = 4096;

/// Who made a manifest, when and with what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Creator {
    /// When.
    pub date: Timestamp,
    /// The machine's name, or what may be told of it.
    pub host: String,
    /// The program.
    pub tool: String,
    /// The program's version.
    pub version: String,
    /// People.
    pub authors: Vec<Author>,
    /// Where.
    pub location: Option<String>,
    /// Anything.
    pub comment: Option<String>,
}

/// A person behind a manifest.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Author {
    /// Name.
    pub name: String,
    /// `someone@example.org`.
    pub email: Option<String>,
    /// Telephone number.
    pub phone: Option<String>,
    /// What the person does.
    pub role: Option<String>,
}

/// What was done while digests were taken.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Process {
    /// Files were listed where they lie.
    #[default]
    InPlace,
    /// Files were copied.
    Transfer,
    /// Several histories were made one.
    Flatten,
}

/// What a digest was taken for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Action {
    /// For the first time.
    Original,
    /// It is what it was.
    Verified,
    /// It is not what it was.
    Failed,
}

/// A digest in a manifest.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Recorded {
    /// The digest.
    pub hash: Hash,
    /// Not told in some manifests.
    pub action: Option<Action>,
    /// When it was taken.
    pub date: Option<Timestamp>,
}

/// A file in a manifest.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Entry {
    /// Below the folder, parts with `/` between them.
    pub path: String,
    /// Bytes.
    pub size: Option<u64>,
    /// When it was last changed.
    pub modified: Option<Timestamp>,
    /// One or more.
    pub hashes: Vec<Recorded>,
}

/// A folder in a manifest, by the digests of all that it holds.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Folder {
    /// Below the folder that is listed; empty for that folder itself.
    pub path: String,
    /// Of contents alone, one of each kind.
    pub content: Vec<Hash>,
    /// Of contents and names, one of each kind.
    pub structure: Vec<Hash>,
}

/// A manifest.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Manifest {
    /// Who, when and with what.
    pub creator: Creator,
    /// What was done.
    pub process: Process,
    /// Of the whole folder; its path is empty.
    pub root: Option<Folder>,
    /// What was passed over.
    pub ignored: Vec<String>,
    /// Files in the order in which they are listed.
    pub files: Vec<Entry>,
    /// Folders in the order in which they are listed.
    pub folders: Vec<Folder>,
}

/// A line of the chain.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Link {
    /// The generation, from 1.
    pub number: u32,
    /// The manifest's name in [`FOLDER`].
    pub path: String,
    /// The manifest's C4 identifier.
    pub c4: Hash,
}

/// Why a name cannot be listed or taken from a list.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadPath {
    /// Nothing, or too much.
    #[error("a path has 1 to {PATH_LIMIT} bytes")]
    Length,
    /// It begins with `/`, or has an empty part, `.` or `..`.
    #[error("a path begins in the folder and stays in it, without '.', '..' and empty parts")]
    Outside,
    /// XML cannot hold every character.
    #[error("a path has no control characters")]
    Control,
    /// XML holds Unicode.
    #[error("a path is UTF-8 text")]
    Encoding,
}

/// Whether a path below a folder can be listed, and stays in the folder.
///
/// # Errors
/// When not.
pub fn checked(path: &str) -> Result<(), BadPath> {
    if path.is_empty() || path.len() > PATH_LIMIT {
        return Err(BadPath::Length);
    }
    // U+FFFE and U+FFFF are no characters of XML 1.0 either; Rust's text has no lone surrogates.
    if path.chars().any(|c| c.is_control() || matches!(c, '\u{fffe}' | '\u{ffff}')) {
        return Err(BadPath::Control);
    }
    if path.split('/').any(|part| matches!(part, "" | "." | "..")) {
        return Err(BadPath::Outside);
    }
    Ok(())
}

/// The name of a generation's manifest: number, folder and time in UTC.
pub fn file_name(number: u32, folder: &str, date: Timestamp) -> String {
    format!("{number:04}_{folder}_{}.mhl", date.strftime("%Y-%m-%d_%H%M%SZ"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_stay_in_the_folder() {
        for good in ["a", "a/b c/ü&<>.exr", "...", "a..b", "a\\b", ".x"] {
            assert_eq!(checked(good), Ok(()), "{good}");
        }
        for bad in ["", "/", "/a", "a/", "a//b", "..", "a/../b", "./a", "a/.", "a\nb", "a\0", "a\u{85}"] {
            assert!(checked(bad).is_err(), "{bad:?}");
        }
        assert!(checked(&"a".repeat(4097)).is_err());
    }

    #[test]
    fn manifests_are_named_as_the_standard_names_them() {
        let date = "2026-01-01T13:00:00+01:00".parse().unwrap();
        assert_eq!(file_name(1, "LANTERN", date), "0001_LANTERN_2026-01-01_120000Z.mhl");
    }
}
