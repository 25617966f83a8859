//! How long clips are whose files do not say so, kept by the digest of their bytes.
//!
//! Knows `.endboard/clips/`. What is lost there is decoded once more.

use std::path::Path;

use crate::base::digest::Digest;
use crate::media::sound::SAMPLE_LIMIT;
use crate::store::{Store, file, write_own};

/// Samples of a clip, when they are known.
pub fn known(project: &Path, digest: &Digest) -> Option<u64> {
    let store = Store::at(project).ok()?;
    let bytes = file::read(&store.path("clips").join(digest.to_string())).ok().flatten()?;
    let samples = std::str::from_utf8(&bytes).ok()?.trim().parse().ok()?;
    (1..=SAMPLE_LIMIT).contains(&samples).then_some(samples)
}

/// Keeps them, when the film has its folder. A failure costs time only.
pub fn keep(project: &Path, digest: &Digest, samples: u64) {
    let Ok(store) = Store::at(project) else { return };
    let folder = store.path("clips");
    if store.path("format").exists() && std::fs::create_dir_all(&folder).is_ok() {
        let _ = write_own(&folder.join(digest.to_string()), samples.to_string().as_bytes());
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_length_is_kept_in_a_films_own_folder_only() {
        let folder = tempfile::tempdir().unwrap();
        let digest = Digest::of(b"clip");
        keep(folder.path(), &digest, 44_100);
        assert_eq!((known(folder.path(), &digest), folder.path().read_dir().unwrap().count()), (None, 0));
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        keep(folder.path(), &digest, 44_100);
        assert_eq!(known(folder.path(), &digest), Some(44_100));
        assert_eq!(known(folder.path(), &Digest::of(b"other")), None);
        for odd in ["", "-1", "0", "99999999999999"] {
            std::fs::write(store.path("clips").join(digest.to_string()), odd).unwrap();
            assert_eq!(known(folder.path(), &digest), None, "{odd}");
        }
    }
}
