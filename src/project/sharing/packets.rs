//! Packets by way of the shared store: a packet's zip is put there, and what a person put there in return is taken from there.
//!
//! Knows where packets and returns lie. What is in one is judged as if it had come by any other way.

use std::path::{Path, PathBuf};

use crate::crew::packets::Packets;
use crate::project::{Declared, Project};
use crate::report::words;
use crate::store::shared::bucket::{Bucket, BucketError, Does};

/// Where packets lie.
const FOLDER: &str = "packets";
/// Where that lies which came back, under the packet's name.
const RETURNS: &str = "returns";
/// The largest packet that travels this way, in bytes.
const LARGEST: u64 = 4 << 30;
/// Bytes of a pixel of what a person makes, at most: four channels of whole floats that do not pack.
const PIXEL: u64 = 16;
/// Bytes that may come besides: notes, a time sheet, what an application writes beside its files.
const BESIDES: u64 = 64 << 20;

/// A packet that was put there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Sent {
    /// Its name in the shared store.
    pub name: String,
    /// By which it may be fetched.
    pub link: Option<String>,
    /// By which a zip may be put there in return.
    pub back: Option<String>,
}

/// Puts a packet's zip there, with links that are good for so many days.
///
/// # Errors
/// Words on what is in the way.
pub fn send(bucket: &dyn Bucket, zip: &Path, days: u32) -> Result<Sent, String> {
    let file = zip.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
    let size = std::fs::metadata(zip).map_err(|e| format!("{}: {e}", zip.display()))?.len();
    if size > LARGEST {
        return Err(format!("{} is larger than 4 GiB; send it another way", zip.display()));
    }
    let bytes = std::fs::read(zip).map_err(|e| format!("{}: {e}", zip.display()))?;
    let (name, back) = (format!("{FOLDER}/{file}"), format!("{RETURNS}/{file}"));
    let said = |error: BucketError| error.to_string();
    bucket.send(&name, bytes, None).map_err(said)?;
    let link = bucket.link(&name, Does::Fetch, days).map_err(said)?;
    let back = bucket.link(&back, Does::Put, days).map_err(said)?;
    Ok(Sent { name, link, back })
}

/// What may come back of a packet.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Asked {
    /// Files that it asks for.
    pub files: usize,
    /// Bytes of them at most.
    pub bytes: u64,
}

impl Project {
    /// What a packet asks for; nothing where nobody handed it out.
    pub fn asked(&self, declared: &Declared, name: &str) -> Option<Asked> {
        let (entries, _) = self.ledger();
        let packets = Packets::after(&entries);
        let packet = packets.named(below(name).unwrap_or(name).trim_end_matches(".zip"))?;
        let files = packet.parts.iter().map(|part| part.frames.len()).sum();
        let (width, height) = declared.graph.frame_size;
        Some(Asked { files, bytes: files as u64 * u64::from(width) * u64::from(height) * PIXEL })
    }
}

/// Takes what came back of the packet of this name from there into a file of `folder`. The packet itself is never taken, nor what is far
/// larger than what was `asked` for: whoever has the link may put anything there.
///
/// # Errors
/// Words on what is in the way.
pub fn fetch(
    bucket: &dyn Bucket,
    name: &str,
    asked: Option<Asked>,
    folder: &Path,
) -> Result<PathBuf, String> {
    let name = below(name).unwrap_or(name);
    let is_plain = |c: char| c.is_ascii_alphanumeric() || "-_.@".contains(c);
    if name.is_empty() || name.starts_with('.') || !name.chars().all(is_plain) {
        return Err(format!("'{}' is not the name of a packet", name.escape_debug()));
    }
    let file = format!("{}.zip", name.strip_suffix(".zip").unwrap_or(name));
    let said = |error: BucketError| error.to_string();
    let handed_out = bucket.has(&format!("{FOLDER}/{file}")).map_err(said)?;
    // Many send the whole packet back, with what they made in it.
    let own = handed_out.as_ref().map_or(0, |held| held.size);
    let most = asked.map_or(LARGEST, |asked| (asked.bytes + own + BESIDES).min(LARGEST));
    let fetched = match bucket.fetch(&format!("{RETURNS}/{file}"), most) {
        Err(BucketError::TooLarge { size, .. }) => return Err(too_large(&file, size, most, asked)),
        fetched => fetched.map_err(said)?,
    };
    let Some(bytes) = fetched else {
        let there = listed(bucket).unwrap_or_default();
        let there = if there.is_empty() { "nothing".into() } else { there.join(", ") };
        let why = match handed_out {
            Some(_) => format!("nothing came back of {name} yet: the packet lies there as it was handed out"),
            None => format!("there is no {RETURNS}/{file}"),
        };
        return Err(format!("{why}; what came back: {there}"));
    };
    let path = folder.join(file);
    std::fs::write(&path, bytes).map_err(|e| format!("{}: {e}", path.display()))?;
    Ok(path)
}

/// What is said of a return that is too large, with a way on.
fn too_large(file: &str, size: u64, most: u64, asked: Option<Asked>) -> String {
    let why = match asked {
        Some(Asked { files, .. }) if most < LARGEST => format!(
            "the packet asks for {}, and with all that it holds itself {} is the most that is fetched",
            words::count(files as u64, "file"),
            words::bytes(most)
        ),
        _ => format!("{} is the most that is fetched", words::bytes(most)),
    };
    format!(
        "{RETURNS}/{file} is {}, and {why}: whoever has the link can put anything there. Ask the person; if it is meant, \
         fetch it from the bucket by other means and give the zip to `endboard takeback`",
        words::bytes(size)
    )
}

/// The packet whose zip, or whose return, has this name in the shared store.
pub fn packet_of(name: &str) -> Option<&str> {
    let file = below(name)?;
    Some(file.strip_suffix(".zip").unwrap_or(file))
}

/// What follows the folder of packets, or of returns.
fn below(name: &str) -> Option<&str> {
    [FOLDER, RETURNS].iter().find_map(|of| name.strip_prefix(of)?.strip_prefix('/'))
}

/// Names of the returns that lie there.
fn listed(bucket: &dyn Bucket) -> Result<Vec<String>, BucketError> {
    let mut names = Vec::new();
    bucket.list(RETURNS, &mut |held| {
        names.extend(packet_of(&held.name).map(str::to_string));
        names.len() < 50
    })?;
    names.sort();
    Ok(names)
}
