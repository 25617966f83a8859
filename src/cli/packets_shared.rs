//! Packets by way of the crew's shared store: sent there when handed out, fetched from there to be taken back.
//!
//! Knows what the person who gets one is told. What is in a packet is judged where it would be had it come by other ways.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::{Failure, rebuild, share};
use crate::declare::film::Film;
use crate::declare::shared::SharedStore;
use crate::project::Project;
use crate::project::sharing::packets;
use crate::store::shared::bucket::Bucket;

/// Days for which a link is good: the most that services allow.
const DAYS: u32 = 7;

/// The way to the shared store.
pub struct Way {
    store: SharedStore,
    bucket: Arc<dyn Bucket>,
    _runtime: tokio::runtime::Runtime,
}

/// A packet that was sent.
pub struct Sent {
    /// Its name in the shared store.
    pub name: String,
    /// By which it may be fetched.
    pub link: Option<String>,
}

/// A packet that was fetched; gone when dropped.
pub struct Fetched {
    /// The zip.
    pub path: PathBuf,
    _folder: tempfile::TempDir,
}

/// The way to the film's shared store.
pub fn open(project: &Project, film: Option<&Film>) -> Result<Way, Failure> {
    let (runtime, programs) = rebuild::programs()?;
    let (store, bucket) = share::bucket(project, film, &programs)?;
    Ok(Way { store, bucket, _runtime: runtime })
}

/// Sends a packet's zip.
pub fn send(way: &Way, zip: &Path) -> Result<Sent, Failure> {
    let failed = |why: String| {
        let place = zip.display();
        Failure::System(format!(
            "{}: {why}; the packet is handed out and lies at {place}: send it another way",
            way.store.at()
        ))
    };
    let name = packets::send(&*way.bucket, zip).map_err(&failed)?;
    let link = way.bucket.link(&name, DAYS).map_err(|error| failed(error.to_string()))?;
    Ok(Sent { name, link })
}

/// Says what the person needs.
pub fn tell(sent: &Sent) {
    say!("it lies in the shared store as {}", sent.name);
    if let Some(link) = &sent.link {
        say!("send the person this link, by which whoever has it may fetch the packet for {DAYS} days:");
        say!("{link}");
    }
    say!(
        "take what comes back with `endboard takeback PATH`, or `endboard takeback --shared NAME` of what was put there"
    );
}

/// Fetches the zip of this name.
pub fn fetch(project: &Project, name: &str) -> Result<Fetched, Failure> {
    let way = open(project, project.read().film.as_ref())?;
    let failed = |why: String| Failure::System(format!("{}: {why}", way.store.at()));
    let folder = tempfile::tempdir().map_err(|error| failed(error.to_string()))?;
    let path = packets::fetch(&*way.bucket, name, folder.path()).map_err(failed)?;
    Ok(Fetched { path, _folder: folder })
}
