//! Whether anything of a film's folder changed since it was looked at, without looking at the film.
//!
//! Knows which files tell of a change: what is declared, what is kept of renders, the ledger. Reads none of them. Plates are left
//! out: whoever watches looks at the whole film now and then besides.

use std::collections::BTreeSet;
use std::fs;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use crate::base::digest::{Digest, KeyHasher};
use crate::project::{DECLARATION, Project, Status};
use crate::store::Store;
use crate::store::lock;

/// Files of the store that a rebuild, an inspection or a delivery writes.
const KEPT: [&str; 4] = ["journal", "state", "inspected", "deliveries"];
/// Folders whose files are looked at one by one.
const FOLDERS: [&str; 1] = ["ledger"];

impl Project {
    /// The files besides those of the store and the ledger whose change changes the film: its texts.
    pub fn texts(&self, status: &Status) -> BTreeSet<PathBuf> {
        let sources = &status.declared.sources;
        let named = (0..).map_while(|n| sources.path(n)).map(|path| self.folder.join(path));
        named.chain([self.folder.join(DECLARATION)]).collect()
    }

    /// A digest that changes when one of these files changes, or what is kept of the film does.
    pub fn trace(&self, texts: &BTreeSet<PathBuf>) -> Digest {
        let mut hasher = KeyHasher::new();
        let mut put = |path: &Path| {
            let meta = fs::metadata(path).ok();
            hasher.text(&path.to_string_lossy()).flag(meta.is_some());
            if let Some(meta) = meta {
                hasher.int(meta.len() as i64).int(meta.mtime()).int(meta.mtime_nsec()).int(meta.ino() as i64);
            }
        };
        texts.iter().for_each(|path| put(path));
        if let Ok(store) = Store::at(&self.folder) {
            KEPT.iter().for_each(|name| put(&store.path(name)));
        }
        for folder in FOLDERS {
            let entries = fs::read_dir(self.folder.join(folder)).into_iter().flatten().flatten();
            let mut paths: Vec<PathBuf> = entries.map(|entry| entry.path()).collect();
            paths.sort();
            paths.iter().for_each(|path| put(path));
        }
        hasher.finish()
    }

    /// Who works on the film at the moment, in words.
    pub fn worked_on(&self) -> Option<String> {
        lock::holder(&Store::at(&self.folder).ok()?)
    }
}
