//! Reclaiming space: which stored renders may go, oldest unused first.
//!
//! Knows sizes and ages of objects. What must stay is told by the caller.

use std::collections::HashSet;
use std::path::PathBuf;
use std::time::SystemTime;

use super::{Store, StoreError};
use crate::base::digest::Digest;

/// One stored render that nothing current uses.
#[derive(Debug, Clone)]
pub struct Unused {
    /// Its pixels.
    pub pixels: Digest,
    /// The file.
    pub path: PathBuf,
    /// Bytes.
    pub size: u64,
    modified: SystemTime,
}

/// What a sweep found and may remove.
#[derive(Debug, Default)]
pub struct Found {
    /// Bytes of all stored renders.
    pub total: u64,
    /// How many there are.
    pub count: usize,
    /// Unused ones, oldest first.
    pub unused: Vec<Unused>,
}

/// Looks through the stored renders; those in `used` are never offered.
pub fn look(store: &Store, used: &HashSet<Digest>) -> Result<Found, StoreError> {
    let folder = store.path("objects");
    let mut found = Found::default();
    for entry in walkdir::WalkDir::new(&folder).min_depth(2).max_depth(2) {
        let Ok(entry) = entry else { continue };
        let Ok(meta) = entry.metadata() else { continue };
        let hex = format!(
            "{}{}",
            entry
                .path()
                .parent()
                .and_then(|p| p.file_name())
                .map(|n| n.to_string_lossy().into_owned())
                .unwrap_or_default(),
            entry.path().file_stem().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default()
        );
        let Ok(pixels) = hex.parse::<Digest>() else { continue };
        found.total += meta.len();
        found.count += 1;
        if !used.contains(&pixels) {
            let modified = meta.modified().unwrap_or(SystemTime::UNIX_EPOCH);
            found.unused.push(Unused { pixels, path: entry.into_path(), size: meta.len(), modified });
        }
    }
    found.unused.sort_by_key(|u| (u.modified, u.pixels));
    Ok(found)
}

/// Removes unused renders, oldest first, until no more than `budget` bytes are stored. Gives what went.
pub fn remove(found: &Found, budget: u64) -> Result<Vec<Unused>, StoreError> {
    let mut total = found.total;
    let mut gone = Vec::new();
    for unused in &found.unused {
        if total <= budget {
            break;
        }
        std::fs::remove_file(&unused.path).map_err(StoreError::file(&unused.path))?;
        total -= unused.size;
        gone.push(unused.clone());
    }
    Ok(gone)
}
