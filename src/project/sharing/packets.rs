//! Packets by way of the shared store: a packet's zip is put there, and one that came is taken from there.
//!
//! Knows where packets lie. What is in one is judged as if it had come by any other way.

use std::path::{Path, PathBuf};

use crate::store::shared::bucket::{Bucket, BucketError};

/// Where packets lie.
const FOLDER: &str = "packets";
/// The largest packet that travels this way, in bytes.
const LARGEST: u64 = 4 << 30;

/// Puts a packet's zip there. Gives its name in the shared store.
///
/// # Errors
/// Words on what is in the way.
pub fn send(bucket: &dyn Bucket, zip: &Path) -> Result<String, String> {
    let file = zip.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let size = std::fs::metadata(zip).map_err(|e| format!("{}: {e}", zip.display()))?.len();
    if size > LARGEST {
        return Err(format!("{} is larger than 4 GiB; send it another way", zip.display()));
    }
    let bytes = std::fs::read(zip).map_err(|e| format!("{}: {e}", zip.display()))?;
    let name = format!("{FOLDER}/{file}");
    bucket.send(&name, bytes, None).map_err(|e| e.to_string())?;
    Ok(name)
}

/// Takes the zip of this name from there into a file of `folder`.
///
/// # Errors
/// Words on what is in the way.
pub fn fetch(bucket: &dyn Bucket, name: &str, folder: &Path) -> Result<PathBuf, String> {
    let name = name.trim_start_matches("packets/");
    let is_plain = |c: char| c.is_ascii_alphanumeric() || "-_.@".contains(c);
    if name.is_empty() || name.starts_with('.') || !name.chars().all(is_plain) {
        return Err(format!("'{name}' is not the name of a packet's file"));
    }
    let file = if name.ends_with(".zip") { name.to_string() } else { format!("{name}.zip") };
    let fetched = bucket.fetch(&format!("{FOLDER}/{file}"), LARGEST).map_err(|e| e.to_string())?;
    let Some(bytes) = fetched else {
        let there = listed(bucket).unwrap_or_default();
        let there = if there.is_empty() { "none".into() } else { there.join(", ") };
        return Err(format!("there is no {FOLDER}/{file} in the shared store; packets there: {there}"));
    };
    let path = folder.join(file);
    std::fs::write(&path, bytes).map_err(|e| format!("{}: {e}", path.display()))?;
    Ok(path)
}

/// Names of the packets that lie there.
fn listed(bucket: &dyn Bucket) -> Result<Vec<String>, BucketError> {
    let mut names = Vec::new();
    bucket.list(FOLDER, &mut |held| {
        names.push(held.name.trim_start_matches(FOLDER).trim_start_matches('/').to_string());
        names.len() < 50
    })?;
    names.sort();
    Ok(names)
}
