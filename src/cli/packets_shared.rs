//! Packets by way of the crew's shared store: sent there when handed out, fetched from there to be taken back.
//!
//! Knows what the person who gets one is told. What is in a packet is judged where it would be had it come by other ways.

use std::path::{Path, PathBuf};
use std::sync::Arc;

use super::share::Opened;
use super::{Failure, rebuild, share};
use crate::programs::Halt;
use crate::project::sharing::packets::{self, Sent};
use crate::project::{Declared, Project};

/// Days for which a link is good: the most that services allow.
const DAYS: u32 = 7;

/// The way to the shared store.
pub struct Way {
    opened: Opened,
    halt: Arc<Halt>,
    _runtime: tokio::runtime::Runtime,
}

/// What came back, fetched; gone when dropped.
pub struct Fetched {
    /// The zip.
    pub path: PathBuf,
    at: String,
    _folder: tempfile::TempDir,
}

impl Fetched {
    /// Words on it, with its place in the shared store where they name the file that it was fetched into.
    pub fn named(&self, words: &str) -> String {
        let file = self.path.file_name().map(|name| name.to_string_lossy().into_owned()).unwrap_or_default();
        words.replace(&self.path.display().to_string(), &format!("returns/{file} in {}", self.at))
    }
}

/// The way to the film's shared store, to send a packet.
pub fn open(project: &Project, declared: &Declared) -> Result<Way, Failure> {
    share::may_change(declared, None)?;
    reach(project, declared)
}

fn reach(project: &Project, declared: &Declared) -> Result<Way, Failure> {
    let (runtime, programs) = rebuild::programs_saying(share::STOPPING, None)?;
    let opened = share::bucket(project, declared, &programs)?;
    Ok(Way { opened, halt: Arc::clone(&programs.halt), _runtime: runtime })
}

/// Sends a packet's zip.
pub fn send(way: &Way, zip: &Path) -> Result<Sent, Failure> {
    let failed = |why: String| {
        let (place, at) = (zip.display(), way.opened.store.at());
        let words = format!("{at}: {why}; the packet is handed out and lies at {place}: send it another way");
        if !way.halt.is_asked() {
            return Failure::System(words);
        }
        // That it is handed out has to be known all the same.
        tell!("endboard: {words}");
        Failure::Stopped
    };
    packets::send(&*way.opened.bucket, zip, DAYS).map_err(failed)
}

/// What was sent, as JSON.
pub fn json(way: &Way, sent: &Sent) -> serde_json::Value {
    let days = way.opened.session.is_none().then_some(DAYS);
    serde_json::json!({ "name": sent.name, "link": sent.link, "back": sent.back, "days": days })
}

/// Says what the person needs.
pub fn tell(way: &Way, sent: &Sent, packet: &str) {
    flow!("it lies in the shared store as {}", sent.name);
    if let (Some(link), Some(back)) = (&sent.link, &sent.back) {
        match &way.opened.session {
            None => flow!("send the person these two links, of use to whoever has them for {DAYS} days:"),
            Some(from) => flow!(
                "send the person these two links. The keys are a session's: both show its token ({from}) and are of no use \
                 once the session ends, which is sooner than in {DAYS} days:"
            ),
        }
        say!("to fetch the packet:");
        say!("{link}");
        say!("to send what is done, in one zip, the person runs:");
        say!("curl -T DONE.zip '{back}'");
        flow!(
            "the service holds this link to no size; of what comes no more is fetched than the packet asks for, and some more"
        );
    }
    flow!("then take it with `endboard takeback --shared {packet}`");
}

/// Fetches what came back of the packet of this name.
pub fn fetch(project: &Project, name: &str) -> Result<Fetched, Failure> {
    let declared = project.read();
    let way = reach(project, &declared)?;
    let asked = project.asked(&declared, name);
    let at = way.opened.store.at();
    let failed = |why: String| match way.halt.is_asked() {
        true => Failure::Stopped,
        false => Failure::System(format!("{at}: {why}")),
    };
    let folder = tempfile::tempdir().map_err(|error| failed(error.to_string()))?;
    let path = packets::fetch(&*way.opened.bucket, name, asked, folder.path()).map_err(failed)?;
    Ok(Fetched { path, at: at.clone(), _folder: folder })
}
