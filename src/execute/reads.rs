//! Project files that commands read, held against the digests that went into their keys.
//!
//! A program or a table that is saved anew while a run is under way must not make pictures under keys that knew
//! its earlier bytes. Knows files and digests only; which files those are, the graph knows.

use std::collections::HashMap;
use std::path::Path;
use std::sync::Mutex;

use crate::base::digest::Digest;
use crate::graph::CommandWork;
use crate::observe;
use crate::store::facts::Stat;

/// Files whose bytes were found to be those of the keys, by their stat.
#[derive(Default)]
pub(super) struct Reads {
    sound: Mutex<HashMap<String, Stat>>,
}

impl Reads {
    /// Asks whether all that a command reads has the bytes that its keys know; otherwise says which has not.
    /// A file is read again only when its stat is another than when that was last found.
    pub(super) fn hold(&self, project: &Path, work: &CommandWork) -> Result<(), String> {
        work.reads.iter().try_for_each(|(name, digest)| self.holds(project, name, digest))
    }

    fn holds(&self, project: &Path, name: &str, digest: &Digest) -> Result<(), String> {
        let path = project.join(name);
        let stat = observe::stat(&path);
        let known = self.sound.lock().expect("nothing panics with it").get(name).copied();
        if stat.is_some() && stat == known {
            return Ok(());
        }
        let changed = || format!("{name} changed during the rebuild; rebuild once more");
        let found = observe::digest(&path).map_err(|e| format!("{name}: {e}"))?.ok_or_else(changed)?;
        if found != *digest {
            return Err(changed());
        }
        // One that was saved just now may be saved again within the same tick of the clock.
        if let Some(stat) =
            stat.filter(|s| s.is_quiet(observe::now_nanoseconds()) && observe::stat(&path) == Some(*s))
        {
            self.sound.lock().expect("nothing panics with it").insert(name.to_string(), stat);
        }
        Ok(())
    }
}
