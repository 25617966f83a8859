//! Which working copy of a film this is: a number that is made once and kept with it in `.endboard/copy`.
//!
//! Knows that folders are copied whole: a copy that finds itself elsewhere is another one and makes a number of its own. Does not
//! know what is done under the number.

use std::hash::{BuildHasher, RandomState};

use crate::base::digest::Digest;
use crate::store::{Store, StoreError, file, write_own};

const FORMAT: &str = "endboard copy 1";

/// The number of the working copy that lies at `place`, which is any text that is the same as long as the copy is.
///
/// # Errors
/// It cannot be read, or a new one cannot be kept.
pub fn id(store: &Store, place: &str) -> Result<String, StoreError> {
    let (path, here) = (store.path("copy"), Digest::of(place.as_bytes()).to_string());
    let kept = || Ok::<_, StoreError>(file::read(&path)?.and_then(|bytes| of_here(&bytes, &here)));
    if let Some(id) = kept()? {
        return Ok(id);
    }
    // The standard library's hashing keys are drawn from the system and differ for every value made.
    let id = format!("{:016x}", RandomState::new().hash_one(&here))[..12].to_string();
    write_own(&path, format!("{FORMAT}\n{id}\n{here}\n").as_bytes())?;
    // Another process may have made one at the same instant; the last one stands.
    Ok(kept()?.unwrap_or(id))
}

fn of_here(bytes: &[u8], here: &str) -> Option<String> {
    let mut lines = std::str::from_utf8(bytes).ok()?.lines();
    let (format, id, place) = (lines.next()?, lines.next()?, lines.next()?);
    let is_id = !id.is_empty() && id.len() <= 16 && id.bytes().all(|b| b.is_ascii_hexdigit());
    (format == FORMAT && is_id && place == here).then(|| id.to_string())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_number_is_made_once_and_anew_where_the_folder_was_copied_to() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::at(folder.path()).unwrap();
        store.create().unwrap();
        let one = id(&store, "shed\n/films/brine").unwrap();
        assert_eq!((id(&store, "shed\n/films/brine").unwrap(), one.len()), (one.clone(), 12));
        // A copy of the folder, and one of two machines that are called alike.
        let other = id(&store, "shed\n/films/brine-2").unwrap();
        assert_ne!(other, one);
        let far = tempfile::tempdir().unwrap();
        let far = Store::at(far.path()).unwrap();
        far.create().unwrap();
        assert_ne!(id(&far, "shed\n/films/brine").unwrap(), one);
        std::fs::write(store.path("copy"), "endboard copy 1\n../x\n").unwrap();
        assert_eq!(id(&store, "shed\n/films/brine").unwrap().len(), 12);
    }
}
