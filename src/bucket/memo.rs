//! How far a large object came: which parts the service has, in a file, so that another process goes on from there.
//!
//! Knows that a memo is of certain bytes only: for others the object is begun anew.

use std::path::Path;

use serde_json::{Value, json};

use crate::base::digest::Digest;
use crate::store::{file, write_own};

/// What was begun.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Memo {
    /// The object's name.
    pub name: String,
    /// Digest of its bytes.
    pub bytes: Digest,
    /// The service's name for the upload.
    pub upload: String,
    /// The service's names of the parts that it has, from the first on.
    pub parts: Vec<String>,
}

impl Memo {
    /// What was begun last.
    pub fn read(path: &Path) -> Option<Self> {
        let value: Value = serde_json::from_slice(&file::read(path).ok()??).ok()?;
        let text = |value: &Value| value.as_str().map(str::to_string);
        let parts = value["parts"].as_array()?.iter().map(text).collect::<Option<_>>()?;
        Some(Self {
            name: text(&value["name"])?,
            bytes: value["bytes"].as_str()?.parse().ok()?,
            upload: text(&value["upload"])?,
            parts,
        })
    }

    /// Whether it is of an object of this name with these bytes.
    pub fn is_of(&self, name: &str, bytes: &Digest) -> bool {
        self.name == name && self.bytes == *bytes
    }

    /// Keeps it. Where it cannot be kept the object is only begun anew after a kill.
    pub fn keep(&self, path: &Path) {
        let value = json!({ "name": self.name, "bytes": self.bytes.to_string(), "upload": self.upload, "parts": self.parts });
        if let Err(error) = write_own(path, value.to_string().as_bytes()) {
            tracing::warn!(%error, "how far an object was sent could not be kept");
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_memo_is_of_the_bytes_that_it_was_begun_with() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("memo");
        let bytes = Digest::of(b"salt");
        assert_eq!(Memo::read(&path), None);
        let memo = Memo { name: "objects/aa".into(), bytes, upload: "u".into(), parts: vec!["\"1\"".into()] };
        memo.keep(&path);
        assert_eq!(Memo::read(&path), Some(memo.clone()));
        assert!(memo.is_of("objects/aa", &bytes) && !memo.is_of("objects/ab", &bytes));
        assert!(!memo.is_of("objects/aa", &Digest::of(b"lamp")));
        std::fs::write(&path, "{\"name\":\"objects/aa\"").unwrap();
        assert_eq!(Memo::read(&path), None);
    }
}
